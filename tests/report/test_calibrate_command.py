"""A flight through the real desk and recorder, then the command: recording in, vehicle file out."""

from __future__ import annotations

import sys
import tomllib
from dataclasses import replace
from itertools import count, pairwise
from math import degrees
from pathlib import Path
from typing import Any

import msgpack
import numpy as np
import pytest
from typer.testing import CliRunner

from guidance_svc.cli import app
from guidance_svc.core.frames import direction_to_bci
from guidance_svc.domain import Body, FlightPlan, Frame, Stage, Vehicle, VehicleState
from guidance_svc.files.config_files import Library
from guidance_svc.playback.calibrating import calibrate_recording, calibrate_recordings
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.playback.report_reading import read_recording
from guidance_svc.playback.setting import Setting
from guidance_svc.playback.tracks import track_of
from guidance_svc.report.calibration import calibrate
from guidance_svc.report.calibration_text import Calibrated
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.sim.state import Controls, SimState, World, full_tanks
from guidance_svc.sim.step import step
from guidance_svc.sim.telemetry import telemetry
from guidance_svc.storage.recorder import McapRecorder
from guidance_svc.wire.plans import VehicleModel, parse_table
from tests.replay import flown

# WGS-84 and EGM96, as in configs/bodies/earth.toml; the vehicle is invented.
EARTH = Body("Earth", 3.986004418e14, 6378137.0, 3.3528106647474805e-3, 1.0826266835531513e-3, 7.292115e-5)
TRUE = Stage("kite", 1500.0, 9000.0, 9.7e4, 3330.0, tail_off_impulse_n_s=9.7e3)
PLANNED = {"name": "kite", "dry_mass_kg": 1500.0, "propellant_kg": 9000.0, "thrust_n": 1e5,
           "exhaust_velocity_m_s": 3400.0, "tail_off_impulse_n_s": 5e3}  # fmt: skip
PLAN: dict[str, Any] = {
    "name": "up", "gravity": "j2", "vehicle": {"name": "kite", "stages": [PLANNED]},
    "body": {"name": "Earth", "mu_m3_s2": EARTH.mu_m3_s2, "radius_m": EARTH.radius_m, "flattening": EARTH.flattening,
             "j2": EARTH.j2, "rotation_rad_s": EARTH.rotation_rad_s},
    "target": {"perigee_altitude_km": 200.0, "apogee_altitude_km": 460.0},
    "phases": [{"law": "insertion", "ignite_at_s": 14.0}, {"law": "coast"}],
}  # fmt: skip
FRAME = Frame(turning=True, axes=("x", "z", "y"), meridian_at_zero_rad=0.5)
FRAME_TABLE = {"motion": "turning", "axes": ["x", "z", "y"], "handedness": "left", "meridian_at_zero_deg": degrees(0.5)}
OPEN = {"type": "open", "protocol": 1, "vehicle": "kite-1", "role": "upper_stage", "plan": PLAN, "frame": FRAME_TABLE}
TOLD = ("pointing", "stage", "engine_on", "throttle")


def record(path: Path, told: tuple[str, ...] = TOLD) -> Path:
    """One closed-loop insertion and 5 s of coast, recorded; beside it a copy as a kill in mid-flight leaves it."""
    ticks, tokens = count(1_700_000_000_000_000_000, 1_000_000), count()
    recorder = McapRecorder(path, lambda: next(ticks), {"version": "test"})
    registry = Registry(lambda: f"token-{next(tokens)}")
    desk = Desk(registry, Library(), recorder)
    ask(desk, registry, OPEN)
    world = World(EARTH, Vehicle("kite", (TRUE,)), ignition_delay_s=0.3)
    state = SimState(10.0, (6.558e6, 0.0, 0.0), (60.0, 6900.0, 1500.0), (0.0, 1.0, 0.0), full_tanks(world.vehicle))
    cut_s = 1e9
    for seq in count():
        command = ask(desk, registry, message(state, world, seq, told))
        if state.time_s > cut_s + 5.0:
            break
        event = command["event"] or {"name": "", "at_s": 0.0}
        after = step(state, Controls(
            pointing=direction_to_bci(tuple(command["pointing"]), FRAME, EARTH, state.time_s),
            throttle_frac=command["throttle"], cutoff_at_s=command["cutoff_at_s"],
            ignite_at_s=event["at_s"] if event["name"] == "ignite" else None), 0.1, world)  # fmt: skip
        cut_s = after.time_s if state.engine_on and not after.engine_on else cut_s
        state = after
    recorder.flush()
    path.with_name("killed.mcap").write_bytes(path.read_bytes()[:-20_000])
    recorder.close()
    return path


def ask(desk: Desk, registry: Registry, request: dict[str, Any]) -> dict[str, Any]:
    reply: dict[str, Any] = msgpack.unpackb(desk.receive(("zmq", 1), msgpack.packb(request)))
    while registry.pending():
        registry.work()
    assert reply["type"] != "fault", reply
    return reply


def message(state: SimState, world: World, seq: int, told: tuple[str, ...]) -> dict[str, Any]:
    t = telemetry(state, world, FRAME, seq)
    assert t.position_script_m is not None
    assert t.velocity_script_m_s is not None
    assert t.pointing_script is not None
    extra = {
        "pointing": list(t.pointing_script), "stage": t.stage, "engine_on": t.engine_on, "throttle": t.throttle_frac,
    }  # fmt: skip
    return {
        "type": "state", "seq": seq, "time_s": t.time_s, "mass_kg": t.mass_kg,
        "position_m": list(t.position_script_m), "velocity_m_s": list(t.velocity_script_m_s),
        **{key: extra[key] for key in told},
    }  # fmt: skip


@pytest.fixture(scope="module")
def recording(kite: Path) -> Path:
    return kite


@pytest.fixture(scope="module")
def clean(recording: Path) -> Calibrated:
    """What the recording as it is gives."""
    (one,) = calibrate_recording(recording)
    return one


def test_a_recorded_flight_in_a_turning_left_handed_frame_gives_the_true_engine(clean: Calibrated) -> None:
    (stage,) = clean.stages
    for estimate, truth in (
        (stage.thrust_n, TRUE.thrust_n), (stage.exhaust_velocity_m_s, TRUE.exhaust_velocity_m_s),
        (stage.mass_flow_kg_s, TRUE.mass_flow_kg_s), (stage.tail_off_n_s, TRUE.tail_off_impulse_n_s),
        (stage.spool_up_s, 0.3),
    ):  # fmt: skip
        assert estimate is not None, stage.unseen
        assert abs(estimate.value - truth) < 2.0 * estimate.sigma


def test_without_told_attitude_and_engine_the_commanded_ones_serve(tmp_path: Path) -> None:
    """Exhaust velocity within 0.1 %: the turn of one state's delay costs the cosine of a tenth of a degree."""
    (one,) = calibrate_recording(record(tmp_path / "bare.mcap", told=()))
    (stage,) = one.stages
    assert stage.exhaust_velocity_m_s is not None
    assert stage.exhaust_velocity_m_s.value == pytest.approx(TRUE.exhaust_velocity_m_s, rel=1e-3)


def test_the_command_prints_a_table_and_writes_a_vehicle_file_that_loads(recording: Path, tmp_path: Path) -> None:
    out = tmp_path / "kite.toml"
    result = CliRunner().invoke(app, ["calibrate", str(recording), "--out", str(out)])
    assert result.exit_code == 0, result.stderr
    assert "For simulation and teaching only" in result.stdout
    assert "not seen: exit area and drag area: no flight in air" in result.stdout
    text = out.read_text()
    vehicle = parse_table(VehicleModel, tomllib.loads(text)).to_domain("kite")
    assert vehicle.stages[0].thrust_n == pytest.approx(TRUE.thrust_n, rel=2e-4)
    assert vehicle.stages[0].tail_off_impulse_n_s == pytest.approx(TRUE.tail_off_impulse_n_s, rel=0.03)
    assert replace(vehicle.stages[0], thrust_n=1.0, exhaust_velocity_m_s=1.0, tail_off_impulse_n_s=1.0) == Stage(
        "kite", 1500.0, 9000.0, 1.0, 1.0, tail_off_impulse_n_s=1.0
    )
    assert "measured, +-" in text
    assert "flight plan 100000" in text
    again = CliRunner().invoke(app, ["calibrate", str(recording), "--out", str(out)])
    assert again.exit_code == 2
    assert "file exists" in again.stderr
    assert out.read_text() == text


def pairs_of(path: Path) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Every message of a recording with its reply."""
    messages = [entry.message for entry in RecordingReader(path).entries() if isinstance(entry, RecordedMessage)]
    kinds = [entry.type for entry in RecordingReader(path).entries() if isinstance(entry, RecordedMessage)]
    told = [{**message, "type": kind} for message, kind in zip(messages, kinds, strict=True)]
    return list(zip(told[::2], told[1::2], strict=True))


def written(path: Path, pairs: list[tuple[dict[str, Any], dict[str, Any]]]) -> Path:
    ticks = count(1_700_000_000_000_000_000, 1_000_000)
    recorder = McapRecorder(path, lambda: next(ticks), {"version": "test"})
    recorder.plan("up", PLAN)
    for seq, (request, reply) in enumerate(pairs):
        number = {"seq": seq} if request["type"] == "state" else {}
        recorder.exchange(1, "kite-1", {**request, **number}, {**reply, **number})
    recorder.close()
    return path


def test_what_a_reload_undid_and_what_was_sent_again_is_not_counted(
    recording: Path, clean: Calibrated, tmp_path: Path
) -> None:
    pairs, told = pairs_of(recording), list[str]()
    heavier = [({**request, "mass_kg": 1.02 * request["mass_kg"]}, reply) for request, reply in pairs[300:400]]
    bent = [*pairs[:300], *heavier, *pairs[250:300], pairs[299], *pairs[300:]]
    (again,) = calibrate_recording(written(tmp_path / "reloaded.mcap", bent), None, told.append)
    assert again.stages == clean.stages
    assert again.states == clean.states
    assert any("flown again after 1 reloads are not counted" in text for text in told)


def test_the_last_flight_counts_with_the_plan_that_it_was_opened_with(
    recording: Path, clean: Calibrated, tmp_path: Path
) -> None:
    pairs, told = pairs_of(recording), list[str]()
    other = {**PLAN, "vehicle": {"name": "old", "stages": [{**PLANNED, "thrust_n": 2e5}]}}
    opened, *flight = pairs
    close = ({"type": "close"}, {"type": "closed", "vehicle": "kite-1"})
    before = [({**opened[0], "plan": other}, opened[1]), *flight[:400], close]
    (last,) = calibrate_recording(written(tmp_path / "two.mcap", [*before, *pairs]), None, told.append)
    assert last.stages == clean.stages
    assert last.known.stages[0].thrust_n == 1e5
    assert any("2 flights with a burn; only the last one is used" in text for text in told)
    after = ({**opened[0], "plan": other}, opened[1])  # opened anew and not flown: the flight before keeps its plan
    (one,) = calibrate_recording(written(tmp_path / "later.mcap", [*pairs, close, after]), None, told.append)
    assert one.stages == clean.stages
    assert one.known.stages[0].thrust_n == 1e5


def test_several_files_are_one_recording(
    recording: Path, clean: Calibrated, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pairs = pairs_of(recording)
    first, second = written(tmp_path / "1.mcap", pairs[:250]), tmp_path / "2.mcap"
    reopened = ({**pairs[0][0], "resume": "(not recorded)"}, {**pairs[0][1], "resumed": True})
    written(second, [reopened, *pairs[250:]])
    (one,) = calibrate_recordings([first, second])
    assert one.stages == clean.stages
    result = CliRunner().invoke(app, ["calibrate", str(first), str(second), "--out", str(tmp_path / "v.toml")])
    assert result.exit_code == 0, result.output
    assert f"{clean.states} states" in result.output
    monkeypatch.setitem(sys.modules, "matplotlib", None)  # the numbers are what is looked at
    report = ["report", str(first), str(second), "--csv", "--no-replay", "--out", str(tmp_path / "report")]
    assert CliRunner().invoke(app, report).exit_code == 0
    assert len((tmp_path / "report" / "kite-1.csv").read_text().splitlines()) == clean.states + 1


def test_a_long_recording_is_thinned_where_nothing_changes_and_says_so(recording: Path) -> None:
    whole, few = read_recording(recording, most_states=None), read_recording(recording, most_states=400)
    (every,), (some,) = whole.sessions, few.sessions
    assert len(every.states) > 400
    assert len(some.states) == few.held <= 400
    assert few.states == len(every.states)
    assert some.states[0] == every.states[0]
    assert some.states[-1] == every.states[-1]
    assert (some.events, some.warnings, some.session.late) == (every.events, every.warnings, every.session.late)
    assert f"of the {len(every.states):,} states {few.held:,} are shown" in few.remarks[-1]
    at_s = next(b.time_s for a, b in pairwise(every.states) if a.engine_on and not b.engine_on)
    near = [state for state in every.states if abs(state.time_s - at_s) < 1.0]
    assert [state for state in some.states if abs(state.time_s - at_s) < 1.0] == near
    assert set(few.asked) == {c["number"] for c in some.commands if c}
    assert not whole.remarks


def test_a_recording_cut_short_is_used_up_to_the_cut(recording: Path, clean: Calibrated) -> None:
    (one,) = calibrate_recording(recording.with_name("killed.mcap"))
    assert 10 < one.states < clean.states
    assert one.stages[0].thrust_n.value == pytest.approx(TRUE.thrust_n, rel=1e-3)


@pytest.mark.parametrize(
    ("content", "arguments", "text"),
    [
        (None, [], "cannot read"),
        (b"", [], "empty recording"),
        (b"not a recording at all", [], "foreign recording"),
        ("whole", ["--vehicle", "gull"], "one of kite-1"),
    ],
)
def test_a_bad_recording_gets_one_sentence_and_exit_code_2(
    recording: Path, tmp_path: Path, content: bytes | str | None, arguments: list[str], text: str
) -> None:
    path = recording if content == "whole" else tmp_path / "bad.mcap"
    if isinstance(content, bytes):
        path.write_bytes(content)
    result = CliRunner().invoke(app, ["calibrate", str(path), *arguments])
    assert result.exit_code == 2
    assert text in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_with_several_vehicles_the_file_needs_a_name(tmp_path: Path) -> None:
    path = flown.fly(tmp_path / "two.mcap")
    out = tmp_path / "one.toml"
    result = CliRunner().invoke(app, ["calibrate", str(path), "--out", str(out)])
    assert result.exit_code == 2
    assert "one of kite-1, kite-2 with --out" in result.stderr
    result = CliRunner().invoke(app, ["calibrate", str(path), "--vehicle", "kite-2", "--out", str(out)])
    assert result.exit_code == 0, result.stderr
    assert "kite-1" not in result.stdout
    # this flight is a coarse Euler integration: its own thrust is good to the half step, 0.5 s in 30 s of turning
    stages = tomllib.loads(out.read_text())["stages"]
    assert stages[0]["thrust_n"] == pytest.approx(flown.THRUST_N, rel=0.03)


def test_a_pointing_that_was_told_a_little_short_is_a_unit_vector_in_the_track() -> None:
    state = VehicleState(0, 0.0, 1e4, (6.6e6, 0.0, 0.0), (0.0, 7e3, 0.0), pointing_script=(0.9992, 0.0, 0.0))
    plan = FlightPlan("one", EARTH, Vehicle("one", (TRUE,)), None, ())
    [pointing] = track_of(Setting(plan, FRAME, "upper_stage"), [state], [None]).pointing
    assert np.linalg.norm(pointing) == pytest.approx(1.0, abs=1e-15)


def test_a_stage_dropped_untold_is_noticed_by_its_mass(tmp_path: Path) -> None:
    """Two stages of different engines, no `stage` in the states: each gets its own figures."""
    lower = replace(TRUE, name="lower", propellant_kg=1500.0, thrust_n=1.5e5, exhaust_velocity_m_s=3000.0)
    known = Vehicle("two", (lower, TRUE))
    world = World(EARTH, known)
    start = ((6.558e6, 0.0, 0.0), (60.0, 6000.0, 1500.0), (0.0, 1.0, 0.0))
    state = SimState(0.0, *start, full_tanks(known), engine_on=True)
    states = []
    for seq in range(500):
        told = telemetry(state, world, FRAME, seq)
        states.append(told._replace(stage=None, thrust_n=None))
        dry = not state.engine_on and state.stage == 0
        controls = Controls(separate_at_s=state.time_s + 0.01 if dry else None,
                            ignite_at_s=state.time_s + 0.05 if dry else None)  # fmt: skip
        state = step(state, controls, 0.1, world)
    plan = FlightPlan("two", EARTH, known, None, ())
    stages, missed = calibrate(track_of(Setting(plan, FRAME, "upper_stage"), states, [None] * len(states)), known)
    assert missed == ()
    assert [stage.index for stage in stages] == [0, 1]
    for stage, truth in zip(stages, known.stages, strict=True):
        assert stage.thrust_n.value == pytest.approx(truth.thrust_n, rel=2e-4)
        assert stage.exhaust_velocity_m_s is not None
        assert stage.exhaust_velocity_m_s.value == pytest.approx(truth.exhaust_velocity_m_s, rel=2e-4)


def test_a_recording_without_a_burn_says_so(tmp_path: Path) -> None:
    path = tmp_path / "quiet.mcap"
    ticks = count(1_700_000_000_000_000_000, 1_000_000)
    recorder = McapRecorder(path, lambda: next(ticks), {"version": "test"})
    registry = Registry(lambda: "token")
    desk = Desk(registry, Library(), recorder)
    ask(desk, registry, OPEN)
    world = World(EARTH, Vehicle("kite", (TRUE,)))
    for seq in range(20):
        state = SimState(0.1 * seq, (6.558e6, 0.0, 0.0), (60.0, 6900.0, 1500.0), (0.0, 1.0, 0.0), (9000.0,))
        ask(desk, registry, message(state, world, seq, TOLD))
    recorder.close()
    result = CliRunner().invoke(app, ["calibrate", str(path)])
    assert result.exit_code == 2
    assert "20 states, none with the engine on" in result.stderr
