"""The command `boost`: plan, verify, write. The demo's invented vehicles."""

from __future__ import annotations

import sys
import tomllib
from dataclasses import replace
from math import degrees, radians
from pathlib import Path

import pytest

from guidance_svc.domain import Boost, Insertion
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import default_folder, load_flight_file, load_library
from guidance_svc.planning.boost import command as boost_command
from guidance_svc.planning.boost.ascent_trial import ascent_of, try_program
from guidance_svc.planning.boost.command import limit_boost, run_boost, whole_ascent
from guidance_svc.planning.boost.file import with_program, write_plan
from guidance_svc.planning.boost.search import plan_boost
from guidance_svc.planning.campaign import command as campaign_command
from guidance_svc.planning.campaign.files import campaign_of, load_campaign
from guidance_svc.planning.windows import command as windows_command
from guidance_svc.rehearsal.closed_loop import fly_ascent
from guidance_svc.sim.state import World

PROGRAM = Boost(pitch=((20.0, radians(80.0)), (140.0, radians(35.5))), max_alpha_rad=radians(8.0))
TEXT = """# above
body = "earth"   # beside

[[phases]]
law = "hold"

[[phases]]
law = "boost"
rise_s = 12.0            # kept
pitch_over_deg = 3.4     # goes
bias_deg = [
    [20.0, 1.0],         # goes
    [60.0, 2.0],
]
max_dynamic_pressure_pa = 3e4

[[phases]]
law = "insertion"        # below
"""


def test_only_the_program_of_the_boost_is_replaced() -> None:
    text = with_program(TEXT, PROGRAM, ("a note",))
    table = tomllib.loads(text)
    boost = table["phases"][1]
    assert boost == {
        "law": "boost", "rise_s": 12.0, "max_dynamic_pressure_pa": 3e4, "pitch_deg": [[20.0, 80.0], [140.0, 35.5]],
        "max_alpha_deg": 8.0,
    }  # fmt: skip
    assert [phase["law"] for phase in table["phases"]] == ["hold", "boost", "insertion"]
    for comment in ("# above", "# beside", "# kept", "# a note", "# below"):
        assert comment in text
    assert "goes" not in text


def test_writing_twice_changes_nothing_more() -> None:
    once = with_program(TEXT, PROGRAM)
    assert with_program(once, PROGRAM) == once


def test_a_program_is_replaced_however_its_keys_are_written() -> None:
    quoted = TEXT.replace("pitch_over_deg =", '"pitch_over_deg" =').replace("# kept", "# kept [")
    boost = tomllib.loads(with_program(quoted, PROGRAM))["phases"][1]
    assert "pitch_over_deg" not in boost
    assert boost["pitch_deg"] == [[20.0, 80.0], [140.0, 35.5]]


def test_a_plan_without_boost_is_refused() -> None:
    with pytest.raises(ConfigError, match='law = "boost"'):
        with_program('[[phases]]\nlaw = "orbit"\n', PROGRAM)


def test_a_written_plan_flies_the_program(tmp_path: Path) -> None:
    library = load_library(default_folder())
    out = tmp_path / "new_plan.toml"
    write_plan(Path(library.files["flights/bargeman_to_lagoon"]), out, PROGRAM, ("note",))
    plan = load_flight_file(out, library).plan("new_plan", "tanker")
    boost = next(p for p in plan.phases if isinstance(p, Boost))
    assert [(t, round(degrees(angle), 3)) for t, angle in boost.pitch] == [(20.0, 80.0), (140.0, 35.5)]


def test_a_boost_may_keep_another_reserve_than_its_vehicle(tmp_path: Path) -> None:
    library = load_library(default_folder())
    out = tmp_path / "keeps_less.toml"
    write_plan(Path(library.files["flights/sandpiper_to_mudflat"]), out, replace(PROGRAM, reserve_kg=21e3), ())
    kept = whole_ascent(load_flight_file(out, library), "keeps_less", "curlew_to_lagoon").vehicle
    own = whole_ascent(library, "sandpiper_to_mudflat", "curlew_to_lagoon").vehicle
    assert [stage.reserve_kg for stage in kept.stages] == [21e3, own.stages[1].reserve_kg]
    assert own.burnout_kg[0] - kept.burnout_kg[0] == pytest.approx(own.stages[0].reserve_kg - 21e3)


def test_a_carried_vehicle_follows_the_booster_in_one_plan() -> None:
    plan = whole_ascent(load_library(default_folder()), "sandpiper_boost", "curlew_to_lagoon")
    assert [stage.name for stage in plan.vehicle.stages] == ["Sandpiper", "Curlew"]
    assert plan.vehicle.payload_kg == 13800.0
    insertion = next(p for p in plan.phases if isinstance(p, Insertion))
    assert (insertion.first_stage, insertion.pause_s) == (1, 4.0)


def test_planner_fills_in_limits_only_where_air_makes_them_matter() -> None:
    plan = whole_ascent(load_library(default_folder()), "bargeman_to_lagoon", None)
    assert limit_boost(Boost(max_alpha_rad=0.05), plan).max_alpha_rad == 0.05
    assert limit_boost(Boost(), plan).max_alpha_rad < 0.2
    airless = replace(plan, body=replace(plan.body, atmosphere="none"))
    assert limit_boost(Boost(), airless).max_alpha_rad == float("inf")


@pytest.mark.slow
def test_a_trial_in_coarse_steps_stands_for_the_flight_at_the_scripts_rate() -> None:
    # the search leaves out the vehicle's turn rate and the script's tick: 1e-4 of the stage's 150 t
    plan = whole_ascent(load_library(default_folder()), "bargeman_to_lagoon", None)
    phases = tuple(
        replace(p, pitch=tuple((t, radians(a)) for t, a in ((18.8, 83.0), (48.9, 71.0), (84.3, 55.0), (148.5, 45.0))))
        if isinstance(p, Boost) else p for p in plan.phases
    )  # fmt: skip
    plan = replace(plan, phases=phases)
    world = World(plan.body, plan.vehicle)
    ascent = ascent_of(plan, world)
    assert try_program(ascent, ascent.boost).margin_kg == pytest.approx(fly_ascent(plan, world).margin_kg, abs=15.0)


@pytest.mark.slow
def test_command_leaves_more_propellant_than_the_plan_by_hand_and_writes_it(tmp_path: Path) -> None:
    said: list[str] = []
    out, page = tmp_path / "planned.toml", tmp_path / "ascent.html"
    library = load_library(default_folder())
    assert run_boost(library, "bargeman_to_lagoon", None, out, page, said.append) == 0
    again = load_flight_file(out, library)
    world_plan = whole_ascent(again, "planned", None)
    by_hand = whole_ascent(library, "bargeman_to_lagoon", None)
    margins = [fly_ascent(p, World(p.body, p.vehicle)).margin_kg for p in (world_plan, by_hand)]
    assert margins[0] > margins[1] + 100.0
    assert any(f"{margins[0]:.1f} kg flown" in line for line in said)
    assert page.read_text().count("<svg") == 1


def test_missing_optimiser_is_said_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scipy.optimize", None)
    plan = whole_ascent(load_library(default_folder()), "bargeman_to_lagoon", None)
    with pytest.raises(ConfigError, match=r"pip install '\.\[plan\]'"):
        plan_boost(ascent_of(plan, World(plan.body, plan.vehicle)))


# --- what can be refused is refused before the search ------------------------------------------------------------

WITHOUT_PHASES = """body = "earth"
vehicle = "bargeman"  # beside

[site]
name = "Saltmarsh Point"
latitude_deg = 28.2
longitude_deg = -35.0

[target]
perigee_altitude_km = 200.0
apogee_altitude_km = 468.62
"""


def searched(*_: object) -> None:
    raise AssertionError("the search began")


def boosted(text: str, folder: Path, out: Path, plot: Path | None = None) -> None:
    (folder / "mine.toml").write_text(text, encoding="utf-8")
    library = load_flight_file(folder / "mine.toml", load_library(default_folder()))
    run_boost(library, "mine", None, out, plot, print)


def test_a_plan_without_phases_gets_those_of_its_role_with_the_program(tmp_path: Path) -> None:
    plan = load_library(default_folder()).plan(tomllib.loads(WITHOUT_PHASES), "launch_vehicle")
    text = with_program(WITHOUT_PHASES, PROGRAM, ("a note",), plan.phases)
    (tmp_path / "new.toml").write_text(text, encoding="utf-8")
    again = load_flight_file(tmp_path / "new.toml", load_library(default_folder())).plan("new", "booster")
    assert [phase.law for phase in again.phases] == [phase.law for phase in plan.phases]
    assert next(p for p in again.phases if isinstance(p, Insertion)).first_stage == 1
    assert len(next(p for p in again.phases if isinstance(p, Boost)).pitch) == 2
    assert "# beside" in text
    assert text.count("[[phases]]") == 6
    assert with_program(text, PROGRAM, (), plan.phases) == text


def test_phases_that_no_program_can_be_written_into_are_refused_before_the_search(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(boost_command, "search", searched)
    inline = 'phases = [{law = "hold"}, {law = "boost"}, {law = "insertion", first_stage = 1}]\n' + WITHOUT_PHASES
    with pytest.raises(ConfigError, match=r"\[\[phases\]\] table"):
        boosted(inline, tmp_path, tmp_path / "out.toml")


@pytest.mark.parametrize("option", ["--out", "--plot"])
def test_a_file_that_cannot_be_written_is_refused_before_the_search(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, option: str
) -> None:
    monkeypatch.setattr(boost_command, "search", searched)
    (tmp_path / "taken").mkdir()
    (tmp_path / "file").write_text("", encoding="utf-8")
    for path in (tmp_path / "taken", tmp_path / "file" / "below"):
        out, plot = (path, None) if option == "--out" else (tmp_path / "out.toml", path)
        with pytest.raises(ConfigError) as caught:
            boosted(WITHOUT_PHASES, tmp_path, out, plot)
        assert (caught.value.code, caught.value.field) == ("cannot_write", option)


def test_a_folder_that_cannot_be_written_is_refused_before_windows_and_campaigns_fly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(windows_command, "ascents_of", searched)
    monkeypatch.setattr(campaign_command, "campaign_of", searched)
    (tmp_path / "file").write_text("", encoding="utf-8")
    library = load_library(default_folder())
    ask = windows_command.Ask("bargeman_to_lagoon", plane="inclination=30,node=262.5", out=tmp_path / "file" / "below")
    with pytest.raises(ConfigError, match="--out"):
        windows_command.run_windows(library, ask)
    with pytest.raises(ConfigError, match="--out"):
        campaign_command.run_campaign(library, default_folder() / "campaigns" / "lagoon.toml", ask.out or tmp_path)


def test_the_wrong_site_of_a_campaign_is_refused_before_anything_flies() -> None:
    model = load_campaign(default_folder() / "campaigns" / "lagoon.toml")
    wrong = model.model_copy(update={"tankers": model.tankers.model_copy(update={"site": "nowhere"})})
    with pytest.raises(ConfigError, match=r"tankers\.site"):
        campaign_of(wrong, load_library(default_folder()), searched)  # type: ignore[arg-type]
