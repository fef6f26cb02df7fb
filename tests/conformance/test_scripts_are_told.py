"""Scripts with one fault each are told which; sound ones, noisy or in any frame, are not accused.

The scripts fly the kit's own simulated vehicle; what is wrong with them is put in here, so the right answer is known.
"""

from __future__ import annotations

from collections.abc import Callable
from math import radians
from typing import Any

import pytest

from guidance_svc.conform.link import seen_check
from guidance_svc.conform.record import Heard, Run
from guidance_svc.core.frames import direction_of, triad
from guidance_svc.domain import Frame
from tests.conformance.pilot import BODY, Message, Pilot

FOOT_M = 0.3048  # exact: international yard and pound agreement of 1959 (memory)
POUND_KG = 0.45359237  # likewise
IN_BURN_S = 200.0  # 44 s after ignition: three windows of settled thrust
AFTER_BURN_S = 520.0  # the first burn ends at about 507 s

SLOW, KITS, OWN = pytest.mark.slow, "the kit's vehicle", "its own simulator"


def failures(checks: dict[str, Any]) -> list[str]:
    return [f"{name}: {check.seen}" for name, check in checks.items() if check.outcome == "fail"]


# --- sound scripts -----------------------------------------------------------------------------------------------

ONE_BURN: dict[str, Any] = {"until_s": AFTER_BURN_S, "step_s": 0.5}
SOUND: dict[str, dict[str, Any]] = {  # most end after the first burn, for time's sake
    "inertial": {},
    "its own simulator": {"own": True, **ONE_BURN},
    "turning, left-handed, declared": {
        "meant": Frame(turning=True, axes=("x", "z", "y")), "own": True, **ONE_BURN},
    "local, geodetic": {
        "local": True, "meant": Frame(up="geodetic", height_above="ellipsoid"), "own": True, **ONE_BURN},
    "local, inertial speeds": {
        "local": True, "meant": Frame(local_velocity="inertial"), **ONE_BURN},
    "twice a second": ONE_BURN | {"step_s": 0.5},
}  # fmt: skip


QUICK = ("turning, left-handed, declared",)


@pytest.mark.parametrize("kind", [kind if kind in QUICK else pytest.param(kind, marks=SLOW) for kind in SOUND])
def test_a_sound_script_is_not_accused(kind: str) -> None:
    checks = Pilot(**SOUND[kind]).checked()
    assert failures(checks) == []
    wanted = {"frame_and_units", "opens", "accepted", "seq_rises", "time_moves", "keeps_contact", "acknowledges",
              "does_once", "waits", "comes_back", "own_path", "fall", "plane", "thrust_along_pointing", "thrust_size",
              "mass_falls", "points_as_told", "lights_when_told", "throttles_as_told", "cuts_on_time",
              "reads_replies"}  # fmt: skip
    wanted |= set() if "until_s" in SOUND[kind] else {"closes"}
    assert {name for name, check in checks.items() if check.outcome == "pass"} >= wanted


@pytest.mark.parametrize(
    ("seed", "own"),
    [(0, False), *(pytest.param(k, own, marks=SLOW) for k in range(1, 8) for own in (False, True))],
)
def test_a_sound_script_with_noisy_sensors_is_not_accused(seed: int, own: bool) -> None:
    """20 m, 0.2 m/s and 5 kg: poor sensors for a vehicle of 20 t and more (common practice, no source)."""
    assert failures(Pilot(noise=(20.0, 0.2, 5.0, seed), own=own, **ONE_BURN).checked()) == []


@pytest.mark.parametrize("seed", [pytest.param(0, marks=SLOW), pytest.param(1, marks=SLOW)])
def test_noise_does_not_hide_a_mix_up(seed: int) -> None:
    noisy = {"noise": (20.0, 0.2, 5.0, seed), "own": True, "until_s": IN_BURN_S, "step_s": 0.2}
    speeds = Pilot(**noisy, tell=spinning(-1.0)).checked()
    assert "inertial and over-ground speeds mixed up" in speeds["own_path"].seen
    hand = Pilot(**noisy, meant=LEFT, declared={}).checked()
    assert "left-handed frame undeclared" in hand["plane"].seen


# --- wrong frames and units --------------------------------------------------------------------------------------


def scaled(factor: float, *names: str) -> Callable[[Message], None]:
    """Some fields in another unit."""

    def tell(state: Message) -> None:
        for name in names:
            value = state[name]
            state[name] = [factor * x for x in value] if isinstance(value, list) else factor * value

    return tell


def spinning(sign: float) -> Callable[[Message], None]:
    """The speed of the turning ground added or taken away, axes as they are (z north)."""

    def tell(state: Message) -> None:
        (x, y, _), (u, v, w), turn = state["position_m"], state["velocity_m_s"], sign * BODY.rotation_rad_s
        state["velocity_m_s"] = [u - turn * y, v + turn * x, w]

    return tell


LEFT = Frame(axes=("x", "z", "y"))
PAIR = ("position_m", "velocity_m_s")
SPEEDS = ("vertical_speed_m_s", "north_speed_m_s", "east_speed_m_s")
GO = {"on_fault": "go_on", "mishaps": (), "step_s": 0.4}
# what is wrong; the check and its words; whether it shows without the truth
WRONG: dict[str, tuple[dict[str, Any], str, str, bool]] = {
    "left-handed undeclared": ({"meant": LEFT, "declared": {}}, "plane", "left-handed frame undeclared", True),
    "left-handed undeclared, turning": (
        {"meant": Frame(turning=True, axes=("x", "z", "y")), "declared": {"motion": "turning"}},
        "fall", "left-handed frame undeclared", True),
    "feet": ({"tell": scaled(1 / FOOT_M, *PAIR)}, "fall", "positions and velocities are taken as feet", True),
    "feet a second": ({"tell": scaled(1 / FOOT_M, "velocity_m_s")}, "own_path", "velocities are taken as feet a", True),
    "kilometres": ({"tell": scaled(1e-3, *PAIR)}, "fall", "kilometres for metres", True),
    "kilometres a second": ({"tell": scaled(1e-3, "velocity_m_s")}, "own_path", "velocities are taken as kilom", True),
    "milliseconds": ({"tell": scaled(1e3, "time_s")}, "own_path", "milliseconds for seconds", True),
    "turning undeclared": (
        {"meant": Frame(turning=True), "declared": {}}, "fall", "inertial and turning mixed up", True),
    "inertial, declared turning": (
        {"declared": {"motion": "turning"}}, "fall", "inertial and turning mixed up", True),
    "over-ground speeds in inertial axes": (
        {"tell": spinning(-1.0)}, "own_path", "inertial and over-ground speeds mixed up", True),
    "inertial speeds in turning axes": (
        {"meant": Frame(turning=True), "tell": spinning(1.0)}, "own_path", "inertial and over-ground", True),
    "radians for degrees": (
        {"local": True, "tell": scaled(radians(1.0), "latitude_deg", "longitude_deg")},
        "own_path", "radians for degrees", True),
    "altitude in feet": (
        {"local": True, "tell": scaled(1 / FOOT_M, "altitude_m", *SPEEDS)}, "own_path", "feet for metres", True),
    "inertial local speeds": (
        {"local": True, "meant": Frame(local_velocity="inertial"), "declared": {}},
        "own_path", "inertial and over-ground speeds mixed up", True),
    "geodetic undeclared": (
        {"local": True, "meant": Frame(up="geodetic", height_above="ellipsoid"), "declared": {}},
        "truth", "geocentric and geodetic mixed up", False),
    "height above the ellipsoid undeclared": (
        {"local": True, "meant": Frame(height_above="ellipsoid"), "declared": {}},
        "truth", "heights above sphere and ellipsoid mixed up", False),
}  # fmt: skip


ALONE = ("left-handed undeclared", "kilometres a second", "turning undeclared", "radians for degrees")  # a kind each


@pytest.mark.parametrize("fault", [
    name if name in ALONE else pytest.param(name, marks=SLOW) for name, row in WRONG.items() if row[3]])  # fmt: skip
def test_a_wrong_frame_or_unit_is_named_from_the_states_alone(fault: str) -> None:
    how, name, words, _ = WRONG[fault]
    checks = Pilot(**(GO | {"until_s": IN_BURN_S, "own": True} | how)).checked()
    check, first = checks[name], next(check for check in checks.values() if check.outcome == "fail")
    assert check.outcome == "fail"
    assert words in check.seen
    assert check.change
    assert first.name == "frame_and_units"
    assert words in first.seen
    assert check.follows == "frame_and_units"


@pytest.mark.parametrize("fault", [
    name if name not in ALONE else pytest.param(name, marks=SLOW) for name in WRONG])  # fmt: skip
def test_a_wrong_frame_or_unit_is_named_by_the_kits_vehicle(fault: str) -> None:
    how, _, words, _ = WRONG[fault]
    check = Pilot(**(GO | {"until_s": 170.0} | how)).checked()["truth"]
    assert check.outcome == "fail"
    assert words in check.seen


def test_kilometres_are_named_even_when_the_script_stops_at_the_first_fault() -> None:
    checks = Pilot(tell=scaled(1e-3, *PAIR)).checked()
    assert "kilometres for metres" in checks["truth"].seen
    assert "out of range" in checks["accepted"].seen


# --- engine and orders -------------------------------------------------------------------------------------------


def heavy_all_the_way(state: Message) -> None:
    state["mass_kg"] = 123_000.0


def pointing_east(state: Message) -> None:
    x, y, z = state["pointing"]
    state["pointing"] = [-y, x, z]


def degrees_for_radians(pilot: Pilot, command: Message, controls: Message) -> None:
    """Takes the angles of the reply as they are to a function that wants radians."""
    local = triad(pilot.vehicle.craft.state.position_m, "geocentric", BODY)
    controls["pointing"] = list(direction_of(command["pitch_deg"], command["heading_deg"], local))


def pitch_from_the_vertical(pilot: Pilot, command: Message, controls: Message) -> None:
    local = triad(pilot.vehicle.craft.state.position_m, "geocentric", BODY)
    angles = (radians(90.0 - command["pitch_deg"]), radians(command["heading_deg"]))
    controls["pointing"] = list(direction_of(*angles, local))


def own_program(pilot: Pilot, command: Message, controls: Message) -> None:
    """Flies by a program of its own: full throttle at 45 deg to the east for six minutes."""
    local = triad(pilot.vehicle.craft.state.position_m, "geocentric", BODY)
    burning = 156.0 <= pilot.time_s < 513.0
    controls.clear()
    controls.update(pointing=list(direction_of(radians(45.0), radians(90.0), local)), throttle=1.0, engine_on=burning)


def acts_on_arrival(pilot: Pilot, command: Message, controls: Message) -> None:
    controls["cutoff_at_s"] = None
    controls["engine_on"] = command["engine_on"]


def full_throttle(pilot: Pilot, command: Message, controls: Message) -> None:
    controls["throttle"] = 1.0


def never_lights(pilot: Pilot, command: Message, controls: Message) -> None:
    controls["engine_on"] = False
    controls.pop("ignite_at_s", None)


def cuts_early(pilot: Pilot, command: Message, controls: Message) -> None:
    if command["cutoff_at_s"] is not None:
        controls["cutoff_at_s"] = command["cutoff_at_s"] - 0.08
        controls["engine_on"] = command["engine_on"] and pilot.time_s < command["cutoff_at_s"] - 0.08


DISOBEYS: dict[str, tuple[dict[str, Any], str, str]] = {
    "pounds": ({"tell": scaled(1 / POUND_KG, "mass_kg"), "mishaps": (), "on_fault": "go_on"},
               "mass", "pounds for kilograms"),
    "kilonewtons": ({"tell": scaled(1e-3, "thrust_n")}, "thrust_size", "kilonewtons for newtons"),
    "mass constant": ({"tell": heavy_all_the_way}, "mass_falls", "the mass does not fall while the engine burns"),
    "pointing wrong": ({"tell": pointing_east}, "thrust_along_pointing", "thrust off pointing"),
    "degrees for radians": ({"steer": degrees_for_radians}, "points_as_told", "degrees for radians"),
    "pitch from the vertical": ({"steer": pitch_from_the_vertical}, "points_as_told", "pitch from the vertical"),
    "never lights": ({"steer": never_lights}, "lights_when_told", "still off"),
}  # fmt: skip
UNTIL_CUTOFF: dict[str, tuple[dict[str, Any], str, str]] = {
    "late cutoff": ({"steer": acts_on_arrival}, "cuts_on_time", "late cutoff"),
    "early cutoff": ({"steer": cuts_early}, "cuts_on_time", "early cutoff"),
    "throttle ignored": ({"steer": full_throttle}, "throttles_as_told", "throttle ignored"),
    "replies not read": ({"steer": own_program}, "reads_replies", "replies not read"),
}


@pytest.mark.parametrize("own", [pytest.param(False, id=KITS, marks=SLOW), pytest.param(True, id=OWN)])
@pytest.mark.parametrize("fault", DISOBEYS)
def test_what_is_wrong_with_engine_and_steering_is_named(fault: str, own: bool) -> None:
    how, name, words = DISOBEYS[fault]
    check = Pilot(**({"own": own, "until_s": IN_BURN_S, "step_s": 0.4} | how)).checked()[name]
    assert check.outcome == "fail"
    assert words in check.seen


@pytest.mark.parametrize("own", [pytest.param(False, id=KITS, marks=SLOW), pytest.param(True, id=OWN)])
@pytest.mark.parametrize("fault", [
    "late cutoff", *(pytest.param(one, marks=SLOW) for one in UNTIL_CUTOFF if one != "late cutoff")])  # fmt: skip
def test_what_is_wrong_at_the_cutoff_is_named(fault: str, own: bool) -> None:
    how, name, words = UNTIL_CUTOFF[fault]
    check = Pilot(**(ONE_BURN | {"own": own} | how)).checked()[name]
    assert check.outcome == "fail"
    assert words in check.seen


# --- the link ----------------------------------------------------------------------------------------------------


def same_seq(state: Message) -> None:
    state["seq"] = 7


def clock_back(state: Message) -> None:
    if state["seq"] == 30:
        state["time_s"] -= 5.0


def clock_still(state: Message) -> None:
    state["time_s"] = min(state["time_s"], 160.0)


def restarts(pilot: Pilot, command: Message, controls: Message) -> None:
    """Carries out every ignite it hears, again and again."""
    if command["event"] and command["event"]["name"] == "ignite" and pilot.vehicle.craft.state.engine_on:
        pilot.vehicle.craft.command({"engine_on": False})
        pilot.vehicle.craft.command({"engine_on": True})


def no_type(state: Message) -> None:
    if state["time_s"] > 160.0:
        state["mass"] = state.pop("mass_kg")


def sleeps(pilot: Pilot, command: Message, controls: Message) -> None:
    pilot.vehicle.craft.fly(0.9)


LINK: dict[str, tuple[dict[str, Any], str, str]] = {
    "seq not rising": ({"tell": same_seq}, "seq_rises", "seq not rising"),
    "time not monotonic": ({"tell": clock_back}, "time_moves", "time not monotonic"),
    "time stands still": ({"tell": clock_still}, "time_moves", "time stands still"),
    "too silent": ({"steer": sleeps}, "keeps_contact", "allowed"),
    "seen_event too early": ({"acks_early": True}, "acknowledges", "seen_event too early"),
    "does an event twice": ({"steer": restarts}, "does_once", "carried out again"),
    "impatient": ({"patient": False}, "waits", "did not go on"),
    "stays away": ({"back": "stay_away"}, "comes_back", "did not come back"),
    "opens without its token": ({"back": "open"}, "comes_back", "resume was not sent"),
    "goes on without open": ({"back": "state", "on_fault": "go_on"}, "comes_back", "no_session"),
    "ignores faults": ({"tell": no_type, "on_fault": "go_on"}, "heeds_faults", "fault ignored"),
    "takes the session back": ({"mishaps": ("fault",), "takes_back": True}, "yields", "took the session back"),
    "ignores taken_over": ({"mishaps": ("fault",), "on_fault": "go_on"}, "yields", "fault ignored"),
}  # fmt: skip


@pytest.mark.parametrize("fault", LINK)
def test_what_is_wrong_with_the_link_is_named(fault: str) -> None:
    how, name, words = LINK[fault]
    check = Pilot(**({"until_s": 185.0} | how)).checked()[name]
    assert check.outcome == "fail"
    assert words in check.seen
    assert check.change


def test_a_script_that_stops_when_its_session_is_taken_over_does_right() -> None:
    checks = Pilot(mishaps=("fault",)).checked()
    assert checks["yields"].outcome == "pass"
    assert failures(checks) == []


def test_a_script_that_lets_its_states_speak_need_not_acknowledge() -> None:
    checks = Pilot(acknowledges=False, until_s=IN_BURN_S, step_s=0.2).checked()
    assert checks["acknowledges"].outcome == "not seen"
    assert "never sent" in checks["acknowledges"].seen
    assert failures(checks) == []


def test_an_event_that_nothing_shows_and_nobody_acknowledges_is_named() -> None:
    event = {"id": "1-0-separate", "name": "separate", "at_s": 10.0}
    heard = [
        Heard(1, {"type": "state", "seq": k, "time_s": float(k)},
              {"type": "command", "event": event, "next_contact_s": 1.0, "phase": "boost", "status": "ok"})
        for k in range(1, 21)
    ]  # fmt: skip
    check = seen_check(Run(heard=heard))
    assert check.outcome == "fail"
    assert "seen_event never sent: 1-0-separate stood in 8 replies" in check.seen  # 13 to 20 s, 2 s after its time
    assert seen_check(Run(heard=heard[:12])).outcome == "not seen"
