"""What the board makes of a recording: counts, orbits, what is left of a burn, verdicts, the story it keeps."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from itertools import count, pairwise
from math import asin, atan2, degrees, e, hypot, log, radians, sqrt
from pathlib import Path
from typing import Any

import pytest
from board_recordings import MU_M3_S2, PLAN, RADIUS_M, Writer, circular_state, climb, library, reply_to, state_at
from rich.console import Console

from guidance_svc.board.burning import burn_ahead
from guidance_svc.board.feed import Feed
from guidance_svc.board.story import Story
from guidance_svc.board.terminal import COLUMNS, OF_LANDING, Rows, clock
from guidance_svc.core.frames import from_bci, local_from_bci
from guidance_svc.demo.progress import progress_for
from guidance_svc.domain import Body, Frame, Stage, Vehicle
from guidance_svc.storage.rotating import RotatingRecorder, Storage

Looking = Callable[..., Feed]


@pytest.fixture
def look() -> Iterator[Looking]:
    """Opens feeds and takes what is there; closed at the end."""
    with ExitStack() as stack:

        def open_feed(path: Path, live: bool = False) -> Feed:
            feed = Feed(path, library(), live)
            stack.enter_context(closing(feed.tail))
            while feed.look(1000):
                pass
            return feed

        yield open_feed


def newest(feed: Feed) -> dict[str, dict[str, Any]]:
    """The newest moment of each vehicle."""
    moments = [json.loads(text) for text in feed.since(0)]
    return {moment["vehicle"]: moment for moment in moments}


def test_states_gaps_repeats_and_faults_are_counted(tmp_path: Path, look: Looking) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite")
    for seq in (1, 2, 2, 5, 6, 10):
        writer.pair("kite", state_at(seq))
    writer.fault("kite", "mass_kg: out of range")
    writer.fault(None, "not a message")
    feed = look(writer.abandon())
    link = newest(feed)["kite"]["link"]
    assert (link["states"], link["gaps"], link["repeats"], link["faults"]) == (5, 2 + 3, 1, 1)
    assert link["last_fault"] == "mass_kg: out of range"
    assert newest(feed)["kite"]["word"] == "last message refused"
    assert (feed.now()["refused"], feed.now()["last_refusal"]) == (1, "not a message")


def test_a_fault_is_forgotten_with_the_next_accepted_state(tmp_path: Path, look: Looking) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite")
    writer.pair("kite", state_at(1))
    writer.fault("kite", "no")
    writer.pair("kite", state_at(2))
    moment = newest(look(writer.abandon()))["kite"]
    assert (moment["verdict"], moment["word"]) == ("good", "going well")
    assert moment["link"]["faults"] == 1


def test_apsides_of_a_circular_orbit_are_its_height(tmp_path: Path, look: Looking) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite")
    writer.pair("kite", circular_state(1, 400e3, 0.0), phase="coast", engine_on=False, time_to_cutoff_s=None)
    moment = newest(look(writer.abandon()))["kite"]
    # a circular orbit by construction (speed = sqrt(mu / r)); 0.1 m is rounding of e = 1e-16 at 6800 km, amplified
    assert moment["perigee_m"] == pytest.approx(400e3, abs=0.1)
    assert moment["apogee_m"] == pytest.approx(400e3, abs=0.1)
    assert moment["speed_m_s"] == pytest.approx(sqrt(MU_M3_S2 / (RADIUS_M + 400e3)), rel=1e-12)
    assert moment["velocity_to_gain_m_s"] == pytest.approx(0.0, abs=1e-3)


def test_downrange_is_the_arc_over_ground(tmp_path: Path, look: Looking) -> None:
    writer = climb(tmp_path / "a.mcap", ("kite",), steps=100)
    moment = newest(look(writer.abandon()))["kite"]
    last = state_at(99)
    x, y, _ = last["position_m"]
    first_x, first_y, _ = state_at(0)["position_m"]
    turned = 7.292115e-5 * (last["time_s"] - state_at(0)["time_s"])  # how far the ground turned meanwhile
    arc_m = RADIUS_M * (atan2(y, x) - atan2(first_y, first_x) - turned)
    assert moment["downrange_m"] == pytest.approx(arc_m, abs=10.0)  # steps under 6 m wait for the next
    assert moment["altitude_m"] == pytest.approx(hypot(x, y) - RADIUS_M, abs=1e-3)


FRAMES = {
    "inertial": {},
    "turning, left-handed, y up": {"motion": "turning", "axes": ["x", "z", "y"], "handedness": "left"},
    "inertial, x south": {"axes": ["-z", "y", "x"], "handedness": "right"},
}


@pytest.mark.parametrize("name", FRAMES)
def test_the_same_flight_in_another_frame_shows_the_same_numbers(tmp_path: Path, look: Looking, name: str) -> None:
    frame = FRAMES[name]
    axes = tuple(frame.get("axes", ("x", "y", "z")))
    own = Frame(turning=frame.get("motion") == "turning", axes=axes)  # type: ignore[arg-type]
    body = Body("Earth", MU_M3_S2, RADIUS_M, rotation_rad_s=7.292115e-5)
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite", frame=frame)
    for k in range(50):
        state = state_at(k)
        position, velocity = from_bci(tuple(state["position_m"]), tuple(state["velocity_m_s"]), own, body,
                                      state["time_s"])  # fmt: skip
        del state["pointing"]
        writer.pair("kite", state | {"position_m": list(position), "velocity_m_s": list(velocity)})
    found = newest(look(writer.abandon()))["kite"]
    straight = climb(tmp_path / "b.mcap", ("kite",), steps=50)
    wanted = newest(look(straight.abandon()))["kite"]
    for key in ("altitude_m", "perigee_m", "apogee_m", "downrange_m"):  # 1 mm: there and back is rounding
        assert found[key] == pytest.approx(wanted[key], abs=1e-3), key


def test_the_local_form_shows_the_same_numbers(tmp_path: Path, look: Looking) -> None:
    body = Body("Earth", MU_M3_S2, RADIUS_M, rotation_rad_s=7.292115e-5)
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite")
    state = state_at(3)
    local = local_from_bci(tuple(state["position_m"]), tuple(state["velocity_m_s"]), Frame(), body, state["time_s"])
    for key in ("position_m", "velocity_m_s", "pointing"):
        del state[key]
    state |= {
        "latitude_deg": degrees(local.latitude_rad), "longitude_deg": degrees(local.longitude_rad),
        "altitude_m": local.altitude_m, "vertical_speed_m_s": local.vertical_speed_m_s,
        "north_speed_m_s": local.north_speed_m_s, "east_speed_m_s": local.east_speed_m_s,
    }  # fmt: skip
    writer.pair("kite", state)
    moment = newest(look(writer.abandon()))["kite"]
    straight = Writer(tmp_path / "b.mcap")
    straight.open("kite")
    straight.pair("kite", state_at(3))
    wanted = newest(look(straight.abandon()))["kite"]
    for key in ("altitude_m", "perigee_m", "apogee_m", "speed_m_s"):
        assert moment[key] == pytest.approx(wanted[key], abs=1e-3), key


def test_velocity_to_gain_follows_the_rocket_equation_over_two_stages() -> None:
    """Source: rocket equation; masses chosen so that each stage burns by a factor of e."""
    lower = Stage("lower", 1000.0, 0.0, 3000.0, 3000.0)
    upper = Stage("upper", 1000.0, 1000.0 * (e - 1.0), 3400.0, 3400.0, drop_pause_s=0.0)
    above = 1000.0 * e
    lower = Stage("lower", 1000.0, (e - 1.0) * (above + 1000.0), 3000.0, 3000.0, drop_pause_s=5.0)
    vehicle = Vehicle("v", (lower, upper))
    full = vehicle.mass_at_ignition_kg(0)
    whole_s = lower.propellant_kg + 5.0 + upper.propellant_kg  # each flows 1 kg/s
    ahead = burn_ahead(vehicle, 0, full, 1.0, whole_s)
    assert ahead.gain_m_s == pytest.approx(3000.0 + 3400.0, rel=1e-12)
    assert ahead.margin_kg == pytest.approx(0.0, abs=1e-6)
    assert burn_ahead(vehicle, 0, full, 1.0, whole_s + 10.0).margin_kg == pytest.approx(-10.0, abs=1e-6)
    half = burn_ahead(vehicle, 1, above, 0.5, 100.0)
    assert half.gain_m_s == pytest.approx(3400.0 * log(above / (above - 50.0)), rel=1e-12)


def test_what_is_worked_out_agrees_with_the_detail_of_the_service(tmp_path: Path, look: Looking) -> None:
    """The service's own numbers of a real session against those worked out here from the plain part of its replies."""
    from flown_sessions import fly_recorded

    told = newest(look(fly_recorded(tmp_path / "a.mcap", detail=True)))["kite-1"]
    found = newest(look(fly_recorded(tmp_path / "b.mcap", detail=False)))["kite-1"]
    assert told["at_cutoff"]["from"] == "predicted"
    assert found["at_cutoff"]["from"] == "target"
    # the estimated engine differs from the plan's by under half a percent
    assert found["velocity_to_gain_m_s"] == pytest.approx(told["velocity_to_gain_m_s"], rel=5e-3)
    assert found["margin_kg"] == pytest.approx(told["margin_kg"], abs=30.0)
    assert found["at_cutoff"]["apogee_m"] == pytest.approx(told["at_cutoff"]["apogee_m"], abs=2e3)
    assert found["perigee_m"] == told["perigee_m"]


VERDICTS = [
    ({"status": "ok"}, "good"),
    ({"status": "converging"}, "settling"),
    ({"status": "ok", "warnings": ["an engine is lost"]}, "look"),
    ({"status": "stale"}, "look"),
    ({"status": "short_of_propellant"}, "bad"),
    ({"status": "unreachable", "warnings": ["no orbit"]}, "bad"),
    ({"status": "complete"}, "done"),
    ({"status": "of a later version"}, "look"),
]


@pytest.mark.parametrize(("command", "kind"), VERDICTS)
def test_the_verdict_follows_status_and_warnings(
    tmp_path: Path, look: Looking, command: dict[str, Any], kind: str
) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite")
    writer.pair("kite", state_at(0), **command)
    assert newest(look(writer.abandon()))["kite"]["verdict"] == kind


def test_a_margin_below_the_reserve_is_to_be_looked_at_although_the_status_is_ok(tmp_path: Path, look: Looking) -> None:
    """Source: rocket thrust = flow x exhaust velocity; all 9000 kg burn, 100 kg of them are the plan's reserve."""
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite")
    to_go_s = 9000.0 * 3400.0 / 1e5
    writer.pair("kite", state_at(0), time_to_cutoff_s=to_go_s, cutoff_at_s=10.0 + to_go_s)
    moment = newest(look(writer.abandon()))["kite"]
    assert moment["margin_kg"] == pytest.approx(-100.0, abs=1e-6)
    assert (moment["verdict"], moment["word"]) == ("look", "margin below the reserve by 100 kg, as estimated")


@pytest.mark.parametrize("site_first", [True, False])
def test_all_vehicles_of_a_recording_count_downrange_from_the_one_site_it_names(
    tmp_path: Path, look: Looking, site_first: bool
) -> None:
    """The arc from the site to the first state, on a sphere, by the angle between two points of the equator."""
    writer = Writer(tmp_path / "a.mcap")
    at_site = PLAN | {"name": "from a site", "site": {"name": "pad", "latitude_deg": 0.0, "longitude_deg": -10.0}}
    for vehicle in ("carrier", "load") if site_first else ("load", "carrier"):
        writer.open(vehicle, inline=at_site if vehicle == "carrier" else "climb")
    for vehicle in ("load", "carrier"):
        writer.pair(vehicle, state_at(0))
    found = newest(look(writer.abandon(), live=True))
    turned_rad = 7.292115e-5 * state_at(0)["time_s"]
    for vehicle in ("load", "carrier"):
        assert found[vehicle]["downrange_from"] == "site"
        # 1 m: the site stands on the equator of a sphere, as the first state does
        assert found[vehicle]["downrange_m"] == pytest.approx(RADIUS_M * (radians(10.0) - turned_rad), abs=1.0)
    alone = climb(tmp_path / "b.mcap", ("kite",), steps=1).abandon()
    assert newest(look(alone))["kite"]["downrange_from"] == "first state"


@pytest.mark.parametrize(("phase", "aims"), [("hold", False), ("boost", False), ("insertion", True)])
def test_the_target_is_an_aim_only_of_the_phases_that_fly_to_it(
    tmp_path: Path, look: Looking, phase: str, aims: bool
) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite")
    writer.pair("kite", state_at(0), phase=phase)
    assert (newest(look(writer.abandon()))["kite"]["at_cutoff"] is not None) is aims


def test_a_vehicle_of_an_unknown_plan_still_shows_what_its_replies_say(tmp_path: Path, look: Looking) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.pair("kite", state_at(0))  # no `open` in this file
    moment = newest(look(writer.abandon()))["kite"]
    assert (moment["phase"], moment["to_cutoff_s"]) == ("insertion", 240.0)
    assert "perigee_m" not in moment


def test_a_session_that_was_open_when_a_part_began_is_shown_whole(tmp_path: Path, look: Looking) -> None:
    writer = Writer(tmp_path / "a.mcap", after="before.mcap")
    writer.recorder.plan("climb", PLAN)
    opening = {"type": "open", "vehicle": "kite", "role": "tanker", "plan": "climb", "frame": {}}
    writer.recorder.session({"vehicle": "kite", "open": json.dumps(opening)})
    writer.pair("kite", state_at(0))
    moment = newest(look(writer.abandon()))["kite"]
    assert (moment["role"], moment["plan"]) == ("tanker", "climb")
    assert moment["at_cutoff"] == {"perigee_m": 200e3, "apogee_m": 460e3, "from": "target"}


def test_a_session_begun_anew_starts_its_way_at_zero(tmp_path: Path, look: Looking) -> None:
    writer = climb(tmp_path / "a.mcap", ("kite",), steps=40)
    writer.open("kite")
    writer.pair("kite", state_at(0))
    moment = newest(look(writer.abandon()))["kite"]
    assert (moment["flights"], moment["downrange_m"], moment["link"]["gaps"]) == (2, 0.0, 0)


def test_while_live_only_the_newest_of_each_look_is_decoded(tmp_path: Path, look: Looking) -> None:
    writer = climb(tmp_path / "a.mcap", ("kite",), steps=1)
    feed = look(writer.path, live=True)
    before = feed.version
    for k in range(1, 50):
        writer.pair("kite", state_at(k))
    while feed.look():
        pass
    assert feed.version == before + 1
    assert newest(feed)["kite"]["link"]["states"] == 50
    writer.abandon()


def test_a_look_that_is_left_in_the_middle_goes_on_there(tmp_path: Path, look: Looking) -> None:
    path = climb(tmp_path / "a.mcap", steps=60).finish()
    feed = Feed(path, library(), live=False)
    with closing(feed.tail):
        turns = 1
        while feed.look(7):
            turns += 1
        assert turns > 30
        assert newest(feed) == newest(look(path))


def test_the_past_is_shown_as_it_was_at_any_moment(tmp_path: Path, look: Looking) -> None:
    feed = look(climb(tmp_path / "a.mcap", ("kite-1", "kite-2"), steps=100).finish())
    for wall_s, newest_seq in ((0.05, None), (10.0, 49), (20.0, 99)):
        then = {m["vehicle"]: m for m in map(json.loads, feed.story.at(wall_s))}
        if newest_seq is None:
            assert all("time_s" not in moment for moment in then.values())
        else:
            assert then["kite-2"]["time_s"] == pytest.approx(state_at(newest_seq)["time_s"])
            assert then["kite-2"]["wall_s"] <= wall_s


def test_the_story_stays_within_its_size_and_keeps_both_ends() -> None:
    story = Story(kept=100)
    for k in range(1000):
        story.add(
            f"v{k % 3}",
            float(k),
            {"wall_s": float(k), "time_s": float(k), "pitch_deg": 1.0, "altitude_m": 5.0, "downrange_m": 2.0},
        )
    assert sum(len(line.texts) for line in story.lines.values()) <= 100
    assert [line.walls_s[0] for line in story.lines.values()] == [0.0, 1.0, 2.0]
    assert max(line.walls_s[-1] for line in story.lines.values()) == 999.0
    assert story.spacing > 1
    curve = story.curve("v0", points=10)
    assert len(curve["time_s"]) <= 11
    assert curve["time_s"][-1] == 999.0
    assert story.curve("nobody")["time_s"] == []


def test_a_long_live_flight_is_kept_evenly_from_its_beginning() -> None:
    story = Story(kept=100)
    for k in range(5000):
        wall_s = 0.2 * k
        moment = {"wall_s": wall_s, "time_s": wall_s, "pitch_deg": 1.0}
        story.add("kite", wall_s, moment, 0.2 * story.spacing - 1e-6 if story.spacing > 1 else 0.0)
    walls_s = story.lines["kite"].walls_s
    assert (walls_s[0], walls_s[-1]) == (0.0, pytest.approx(999.8))
    gaps_s = [b - a for a, b in pairwise(walls_s)][:-1]
    assert 25 < len(gaps_s) <= 100
    assert max(gaps_s) <= 3.0 * min(gaps_s)


def test_a_recording_cut_short_says_so_and_shows_the_rest(tmp_path: Path, look: Looking) -> None:
    path = climb(tmp_path / "a.mcap", steps=10).abandon()
    data = path.read_bytes()
    path.write_bytes(data[:-30])
    feed = look(path)
    assert "cut short" in feed.remark()
    assert newest(feed)["kite-2"]["time_s"] == pytest.approx(state_at(8)["time_s"])


def test_a_running_service_is_followed_from_part_to_part(tmp_path: Path, look: Looking) -> None:
    """Through the recorder that the service has, its parts as small as it lets them be."""
    ticks = count(1_700_000_000_000_000_000, 100_000_000)
    recorder = RotatingRecorder(Storage(tmp_path, rotate_bytes=65536), lambda: next(ticks), {"version": "test"})
    recorder.plan("climb", PLAN)
    opening = {"type": "open", "vehicle": "kite", "role": "upper_stage", "plan": "climb", "frame": {}}
    recorder.exchange(1, "kite", opening, {"type": "opened", "vehicle": "kite", "resumed": False, "plan": "climb"})
    recorder.flush()
    assert recorder.path is not None
    feed = look(recorder.path, live=True)
    for k in range(400):
        recorder.exchange(1, "kite", state_at(k), reply_to(state_at(k)))
        recorder.flush()
        feed.look()
    link, last = newest(feed)["kite"]["link"], newest(feed)["kite"]["time_s"]
    assert (link["states"], link["gaps"], last) == (400, 0, pytest.approx(state_at(399)["time_s"]))
    assert feed.tail.path == recorder.path
    assert len(list(tmp_path.glob("*.mcap"))) > 2
    recorder.close()
    while feed.look():
        pass
    assert feed.tail.ended
    assert newest(look(feed.tail.path))["kite"]["time_s"] == last  # the last part alone


# --- the table of the terminal -----------------------------------------------------------------------------------


def drawn(rows: Rows, most: int | None = None) -> str:
    """The table as plain text."""
    console = Console(width=170, force_terminal=False)
    with console.capture() as capture:
        console.print(rows.table(most, 170))
    return capture.get()


@pytest.fixture
def rows_of() -> Iterator[Callable[[Path], Rows]]:
    """Opens tables; closed at the end."""
    with ExitStack() as stack:

        def open_rows(path: Path) -> Rows:
            rows = Rows(path, library(), live=False)
            stack.callback(rows.close)
            rows.look()
            return rows

        yield open_rows


def test_the_table_has_a_row_a_vehicle_with_cutoff_and_apsides(tmp_path: Path, rows_of: Callable[[Path], Rows]) -> None:
    writer = climb(tmp_path / "a.mcap", steps=10)
    writer.pair("kite-2", state_at(10), status="short_of_propellant")
    text = drawn(rows_of(writer.finish()))
    first, second = (line for line in text.splitlines() if "kite-" in line)
    assert all(name in text for name in COLUMNS if name != OF_LANDING)
    assert "going well" in first
    assert clock(250.0 - state_at(9)["time_s"]) in first
    assert "> 200.0" in first
    assert "short of propellant" in second


@pytest.mark.parametrize("width", [60, 80, 100, 120, 140, 170])
def test_the_table_fits_the_terminal(tmp_path: Path, rows_of: Callable[[Path], Rows], width: int) -> None:
    rows = rows_of(climb(tmp_path / "a.mcap", steps=10).finish())
    console = Console(width=width, force_terminal=False)
    with console.capture() as capture:
        console.print(rows.table(width=width))
    lines = capture.get().splitlines()
    assert len(lines) == 3
    assert all(clock(250.0 - state_at(9)["time_s"]) in line for line in lines[1:])


def test_what_looks_like_markup_is_text_in_the_table(tmp_path: Path, rows_of: Callable[[Path], Rows]) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.open("[bold]kite[/bold]")
    writer.pair("[bold]kite[/bold]", state_at(0))
    assert "[bold]kite[/bold]" in drawn(rows_of(writer.finish()))


def test_a_full_terminal_shows_those_in_trouble_first(tmp_path: Path, rows_of: Callable[[Path], Rows]) -> None:
    writer = Writer(tmp_path / "a.mcap")
    for k in range(20):
        writer.open(f"v{k}")
        writer.pair(f"v{k}", state_at(0), status="unreachable" if k == 17 else "ok")
    text = drawn(rows_of(writer.finish()), most=5)
    assert "v17" in text
    assert "and 15 more" in text


def test_a_control_character_cannot_reach_the_terminal(tmp_path: Path, rows_of: Callable[[Path], Rows]) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.open("kite\x1b[2J")
    writer.pair("kite\x1b[2J", state_at(0))
    assert "\x1b" not in drawn(rows_of(writer.finish()))


def test_the_demo_shows_the_table_on_a_terminal_and_lines_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    said = {"phase": "coast", "status": "ok", "time_s": 600.0}
    with progress_for(tmp_path, library(), plain=False) as progress:  # standard error is captured: no terminal
        progress.show("kite-1", said)
        progress.show("kite-1", said)
        progress.tick()
    assert capsys.readouterr().err == "kite-1        600.0 s  coast\n"
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "160")
    with progress_for(tmp_path, library(), plain=False) as progress:
        progress.tick()
        climb(tmp_path / "a.mcap", ("kite-1",), steps=5).abandon()
        progress.show("kite-1", said)
    told = capsys.readouterr().err
    assert "kite-1" in told
    assert "insertion" in told


def test_the_climb_of_these_tests_is_what_its_formulas_say() -> None:
    state = state_at(50)
    x, y, _ = state["position_m"]
    assert hypot(x, y) - RADIUS_M == pytest.approx(84e3, abs=1e-3)
    assert asin(y / hypot(x, y)) == pytest.approx(0.01)
