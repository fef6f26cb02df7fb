"""Every error of a config file names file, key, expectation and what stands there. Invented numbers."""

from __future__ import annotations

import json
import shutil
import tomllib
from math import radians, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from guidance_svc.domain import Body, Boost, FlightPlan, Hold, Role, Site, Stage, Vehicle
from guidance_svc.errors import ConfigError
from guidance_svc.files.checking import plan_lines
from guidance_svc.files.config_files import chosen_folder, default_folder, load_library, load_settings, read_toml
from guidance_svc.files.settings import Settings
from guidance_svc.laws.boost import BoostModel
from guidance_svc.laws.circularize import CircularizeModel
from guidance_svc.laws.hold import HoldModel
from guidance_svc.laws.insertion import InsertionModel
from guidance_svc.plan.targets import resolve_target

BODY = "mu_m3_s2 = 3.986004418e14\nradius_m = 6378137.0\nj2 = 1.08262668e-3\nflattening = 0.00335\n"
VEHICLE = """
payload_kg = 1000.0
[[stages]]
name = "first"
dry_mass_kg = 20000.0
propellant_kg = 300000.0
thrust_n = 6e6
exhaust_velocity_m_s = 3000.0
[[stages]]
name = "second"
dry_mass_kg = 3000.0
propellant_kg = 60000.0
thrust_n = 8e5
exhaust_velocity_m_s = 3400.0
"""
FLIGHT = """
body = "earth"
vehicle = "stack"
[site]
name = "pad"
latitude_deg = 28.0
longitude_deg = 0.0
[target]
perigee_altitude_km = 200.0
apogee_altitude_km = 460.0
plane = "inclination"
inclination_deg = 30.0
[[phases]]
law = "hold"
[[phases]]
law = "boost"
[[phases]]
law = "insertion"
first_stage = 1
[[phases]]
law = "coast"
[[phases]]
law = "circularize"
"""


def folder_with(tmp_path: Path, body: str = BODY, vehicle: str = VEHICLE, flight: str = FLIGHT) -> Path:
    for name, text in (("bodies/earth", body), ("vehicles/stack", vehicle), ("flights/up", flight)):
        path = tmp_path / f"{name}.toml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    return tmp_path


def fails(tmp_path: Path, **texts: str) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        load_library(folder_with(tmp_path, **texts)).plan("up", "tanker")
    return caught.value


def test_the_folder_as_it_stands_here_is_good(tmp_path: Path) -> None:
    plan = load_library(folder_with(tmp_path)).plan("up", "tanker")
    assert [phase.law for phase in plan.phases] == ["hold", "boost", "insertion", "coast", "circularize"]
    assert plan.target is not None
    assert plan.target.inclination_rad == radians(30.0)


BAD = [
    ("a misspelt key", "vehicle", "thrust_n = 6e6", "thurst_n = 6e6", "vehicles/stack.toml",
     "stages.0.thurst_n", "did you mean thrust_n?"),
    ("text for a number", "body", "6378137.0", '"6378 km"', "bodies/earth.toml", "radius_m", "a finite number"),
    ("a zero mass", "vehicle", "3000.0\np", "0.0\np", "vehicles/stack.toml", "stages.1.dry_mass_kg", "above 0"),
    ("a negative mass", "vehicle", "3000.0\np", "-1.0\np", "vehicles/stack.toml", "stages.1.dry_mass_kg", "above 0"),
    ("infinity", "vehicle", "thrust_n = 6e6", "thrust_n = inf", "vehicles/stack.toml", "stages.0.thrust_n", "finite"),
    ("perigee under the surface", "flight", "200.0", "-10.0", "flights/up.toml",
     "target.perigee_altitude_km", "above 0 km"),
    ("apsides swapped", "flight", "460.0", "160.0", "flights/up.toml", "target.apogee_altitude_km", "200 km"),
    ("cutoff outside", "flight", "460.0", "460.0\ncutoff_altitude_km = 500.0", "flights/up.toml",
     "target.cutoff_altitude_km", "200 km to 460 km"),
    ("plane out of reach", "flight", "inclination_deg = 30.0", "inclination_deg = 20.0", "flights/up.toml",
     "target.inclination_deg", "27.8"),
    ("no inclination", "flight", "inclination_deg = 30.0", "", "flights/up.toml", "target", "inclination_deg alone"),
    ("a payload by far too heavy to reach the target", "vehicle", "payload_kg = 1000.0", "payload_kg = 45000.0",
     "flights/up.toml", "target.apogee_altitude_km", "or stages that gain at least"),
    ("stages in the wrong order", "vehicle", VEHICLE[VEHICLE.index("[[stages]]"):],
     "".join("[[stages]]" + part for part in reversed(VEHICLE.split("[[stages]]")[1:])), "flights/up.toml",
     "vehicle.stages.0", "first, heavier and stronger"),
    ("too weak to lift off", "vehicle", "thrust_n = 6e6", "thrust_n = 3e6", "flights/up.toml",
     "vehicle.stages.0.thrust_n", "more than the weight"),
    ("a stage that is not there", "flight", "first_stage = 1", "first_stage = 2", "flights/up.toml",
     "phases.2.first_stage", "0 to 1"),
    ("a stage that boost burns", "flight", "first_stage = 1", "", "flights/up.toml",
     "phases.2.first_stage", "1 or more"),
    ("phases in a wrong order", "flight", '"coast"', '"hold"', "flights/up.toml",
     "phases.3.law", "after insertion one of"),
    ("circularize without coast", "flight", '[[phases]]\nlaw = "coast"\n', "", "flights/up.toml", "phases.3.law",
     "a coast phase before"),
    ("an unknown law", "flight", '"coast"', '"drift"', "flights/up.toml", "phases.3.law", "one of boost, boostback"),
    ("an unknown body", "flight", '"earth"', '"eath"', "flights/up.toml", "body", "did you mean earth?"),
    ("an unknown vehicle", "flight", '"stack"', '"tower"', "flights/up.toml", "vehicle", "among stack"),
    ("a path for a vehicle", "flight", '"stack"', '"../stack"', "flights/up.toml", "vehicle", "text that matches"),
    ("no target", "flight", FLIGHT[FLIGHT.index("[target]"):FLIGHT.index("[[phases]]")], "", "flights/up.toml",
     "target", "because the plan has insertion"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "old", "new", "file", "key", "expected"), [case[1:] for case in BAD], ids=[case[0] for case in BAD]
)
def test_a_bad_file_is_refused_with_file_key_and_what_would_work(
    tmp_path: Path, what: str, old: str, new: str, file: str, key: str, expected: str
) -> None:
    text = {"body": BODY, "vehicle": VEHICLE, "flight": FLIGHT}[what]
    assert old in text
    error = fails(tmp_path, **{what: text.replace(old, new)})
    assert error.file.endswith(file)
    assert error.field == key
    assert expected in error.expected
    assert error.got


def test_a_syntax_error_is_shown_with_its_line(tmp_path: Path) -> None:
    error = fails(tmp_path, body=BODY + "spin = = 3\n")
    assert (error.code, error.field) == ("not_toml", "line 5, column 8")
    assert error.file.endswith("bodies/earth.toml")


def test_a_file_that_is_no_utf8_is_shown_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b"a = 1\nb = '\xe9'\n")
    with pytest.raises(ConfigError, match=r"x\.toml: line 2: not utf8"):
        read_toml(path)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="nowhere"):
        load_library(tmp_path / "nowhere")


def test_an_inlined_plan_means_the_same_flight(tmp_path: Path) -> None:
    library = load_library(folder_with(tmp_path))
    table = json.loads(json.dumps(library.inlined("up")))
    assert library.plan(table, "tanker") == library.plan("up", "tanker")


def test_gravity_sphere_leaves_j2_out(tmp_path: Path) -> None:
    flight = 'gravity = "sphere"' + FLIGHT
    assert load_library(folder_with(tmp_path, flight=flight)).plan("up", "tanker").body.j2 == 0.0


@pytest.mark.parametrize(("role", "laws"), [
    ("booster", ["hold", "boost"]),
    ("upper_stage", ["insertion", "coast", "circularize", "orbit"]),
    ("tanker", ["hold", "boost", "insertion", "coast", "circularize", "orbit"]),
])  # fmt: skip
def test_without_phases_the_role_gives_them(tmp_path: Path, role: str, laws: list[str]) -> None:
    flight = FLIGHT[: FLIGHT.index("[[phases]]")]
    plan = load_library(folder_with(tmp_path, flight=flight)).plan("up", role)  # type: ignore[arg-type]
    assert [phase.law for phase in plan.phases] == laws


def test_service_toml_states_the_defaults() -> None:
    assert load_settings(default_folder()) == Settings()


def test_every_flight_plan_that_is_shipped_is_good() -> None:
    library = load_library(default_folder())
    assert sorted(library.bodies) == ["earth", "mars", "moon", "tarnmoor"]
    for name in library.flights:
        assert library.plan(name, library.role_for(name)).name == name
    assert library.role_for("saltmarsh_point") == "tower"


@pytest.mark.parametrize(
    ("change", "role", "field", "expected"),
    [
        ({}, "booster", "phases.0.law", 'a law that flies, for role "booster"; role "tower"'),
        ({"vehicle": "curlew"}, "tower", "vehicle", "no such key, because a tower does not fly"),
        ({"site": None}, "tower", "site", "a [site] table, because the tower stands there"),
        ({"phases": [{"law": "receive", "catch_height_m": -2.0}]}, "tower", "phases.0.catch_height_m",
         "0 m or more: the arms are above the ground at Marsh"),
        ({"phases": [{"law": "coast"}]}, "tower", "phases.0.law", 'receive, for role "tower"'),
        ({"phases": [{"law": "coast"}]}, "booster", "vehicle",
         'a vehicle by name or as a table; only a plan for role "tower" has none'),
        ({"phases": [{"law": "receive", "catch_height_m": 9.0}, {"law": "coast"}], "vehicle": "curlew"}, "booster",
         "phases.1.law", "nothing after receive"),
    ],
)  # fmt: skip
def test_a_towers_plan_that_cannot_be_is_refused_with_what_would_work(
    change: dict[str, Any], role: Role, field: str, expected: str
) -> None:
    site = {"name": "Marsh", "latitude_deg": 10.0, "longitude_deg": 20.0}
    plan = {"body": "earth", "site": site, "phases": [{"law": "receive", "catch_height_m": 60.0}]} | change
    with pytest.raises(ConfigError) as refused:
        load_library(default_folder()).plan({key: value for key, value in plan.items() if value is not None}, role)
    assert (refused.value.field, refused.value.expected) == (field, expected)


@pytest.mark.parametrize("cutoff_km", [200.0, 230.0, 330.0, 460.0])
@pytest.mark.parametrize("side", ["ascending", "descending"])
def test_a_cutoff_anywhere_on_the_ellipse_has_its_energy_and_momentum(cutoff_km: float, side: str) -> None:
    # Second way to the ellipse: apsides from energy and angular momentum of the resolved state.
    body = Body("earth", 3.986004418e14, 6378137.0)
    target = resolve_target(body, 200e3, 460e3, 1e3 * cutoff_km, side)  # type: ignore[arg-type]
    r, v, angle = target.cutoff_radius_m, target.cutoff_speed_m_s, target.cutoff_flight_path_angle_rad
    energy, momentum = 0.5 * v * v - body.mu_m3_s2 / r, r * v * np.cos(angle)
    semi_axis = -0.5 * body.mu_m3_s2 / energy
    eccentricity = sqrt(max(0.0, 1.0 + 2.0 * energy * momentum**2 / body.mu_m3_s2**2))
    # 1 mm: rounding of 1e-16 relative in energy, over an eccentricity of 0.02
    assert semi_axis * (1.0 - eccentricity) == pytest.approx(6578137.0, abs=1e-3)
    assert semi_axis * (1.0 + eccentricity) == pytest.approx(6838137.0, abs=1e-3)
    at_apsis = cutoff_km in (200.0, 460.0)
    assert (angle == 0.0) if at_apsis else ((angle > 0.0) == (side == "ascending"))


def test_the_shipped_earth_is_that_of_its_sources() -> None:
    # WGS-84 (NIMA TR8350.2) and EGM96 (NASA/TP-1998-206861), as in tests/reference/data/constants.json.
    earth = tomllib.loads((default_folder() / "bodies" / "earth.toml").read_text())
    data = json.loads((Path(__file__).parents[1] / "reference" / "data" / "constants.json").read_text())
    cases = {case["id"]: case["outputs"] for case in data["cases"]}
    assert earth["radius_m"] == cases["CON-WGS84"]["a"]["value"]
    assert earth["flattening"] == cases["CON-WGS84"]["flattening"]["value"]
    assert earth["mu_m3_s2"] == cases["CON-WGS84"]["GM"]["value"]
    assert earth["rotation_rad_s"] == cases["CON-WGS84"]["omega"]["value"]
    assert earth["j2"] == pytest.approx(cases["CON-EGM96"]["J2"]["value"], rel=1e-12)


def test_the_working_directorys_own_configs_are_read_first_but_never_before_those_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert chosen_folder() == default_folder()
    (tmp_path / "configs").mkdir()
    assert chosen_folder() == default_folder()  # some other program's folder
    (tmp_path / "configs" / "flights").mkdir()
    assert chosen_folder() == Path("configs")
    assert chosen_folder(tmp_path / "mine") == tmp_path / "mine"


def test_an_unknown_name_is_told_with_the_folder_that_was_read() -> None:
    with pytest.raises(ConfigError) as caught:
        load_library(default_folder()).model("hopper_up")
    assert f"in {default_folder()}" in caught.value.expected


def test_a_byte_order_mark_as_windows_editors_save_it_is_passed_over(tmp_path: Path) -> None:
    configs = tmp_path / "configs"
    shutil.copytree(default_folder(), configs)
    for path in configs.rglob("*.toml"):
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert load_library(configs).plan("curlew_to_lagoon", "upper_stage") == load_library(default_folder()).plan(
        "curlew_to_lagoon", "upper_stage"
    )
    assert load_settings(configs) == load_settings(default_folder())


@pytest.mark.parametrize("model", [HoldModel, BoostModel, InsertionModel, CircularizeModel])
def test_a_phase_has_the_same_defaults_with_and_without_its_table(model: type[BoostModel]) -> None:
    # a plan without [[phases]] gets the domain's own defaults
    law = model.model_fields["law"].annotation.__args__[0]  # type: ignore[union-attr]
    from_table = model(law=law).to_domain()
    assert from_table == type(from_table)()


def test_check_shows_thrust_over_weight_in_the_air_of_the_site() -> None:
    # 4 km up the standard's pressure is 61.66 kPa (U.S. Standard Atmosphere 1976, table I: 6.1660e4 Pa)
    body = Body("earth", 3.986004418e14, 6378137.0, atmosphere="us1976")
    stage = Stage("first", 20e3, 300e3, 6e6, 3000.0, exit_area_m2=10.0)
    phases = (Hold(), Boost())
    plan = FlightPlan("up", body, Vehicle("v", (stage, stage)), None, phases, Site("high", 0.5, 0.0, 4000.0))
    first, second = (line for line in plan_lines(plan, "") if line.startswith("  stage"))
    gravity = body.mu_m3_s2 / body.radius_m**2
    assert f"thrust over weight {(6e6 - 61660.0 * 10.0) / (640e3 * gravity):.3f} in the site's air of 61.7 kPa" in first
    assert f"thrust over weight {6e6 / (320e3 * gravity):.3f}, burns" in second
