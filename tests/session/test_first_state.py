"""A script's first state is compared with its plan, and the mix-up that explains it is said in words."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import pytest

from guidance_svc.domain import Circularize, Coast, FlightPlan, Frame, Orbit, Site, VehicleState
from guidance_svc.errors import MessageFault
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.starts import at_separation
from guidance_svc.session.first_state import first_warnings
from guidance_svc.session.session import Session
from guidance_svc.sim.state import World
from guidance_svc.sim.telemetry import telemetry
from tests.session.exchange import CLIMB, LATE, climb_flight, late_flight
from tests.session.first_states import FOOT_M, LEFT, POUND_KG, TURNING, on_pad, pair_times, seen_in, wrong_scripts

LIBRARY = load_library(default_folder())
PAD = LIBRARY.plan("bargeman_to_lagoon", "launch_vehicle")
UPPER = LIBRARY.plan("curlew_to_lagoon", "upper_stage")
EARTH = PAD.body
assert PAD.site is not None
HERE: Site = PAD.site
WRONG = wrong_scripts(EARTH)


@pytest.mark.parametrize("fault", WRONG)
def test_a_mix_up_is_named_from_the_first_state_on_the_pad(fault: str) -> None:
    meant, declared, local, change, words = WRONG[fault]
    state = on_pad(PAD, HERE, meant, local)
    command = Session(PAD, declared).state(change(state) if change else state)
    assert command.warnings
    first = command.warnings[0].split("; or if ")[0]
    assert f"the numbers fit if {words}" in first


RIGHT: dict[str, tuple[Frame, bool]] = {
    "inertial": (Frame(), False),
    "inertial, another meridian": (Frame(meridian_at_zero_rad=1.3), False),
    "turning": (TURNING, False),
    "y up, left-handed, declared": (LEFT, False),
    "y up, left-handed, turning": (replace(LEFT, turning=True), False),
    "z first": (Frame(turning=True, axes=("z", "x", "y")), False),
    "local": (Frame(), True),
    "local, geodetic": (Frame(up="geodetic", height_above="ellipsoid"), True),
    "local, geodetic above the sphere": (Frame(up="geodetic"), True),
    "local, inertial speeds": (Frame(local_velocity="inertial"), True),
}
PADS = [name for name, model in LIBRARY.flights.items() if model.site is not None and model.vehicle]


@pytest.mark.parametrize("name", PADS)
@pytest.mark.parametrize("kind", RIGHT)
def test_a_right_script_on_the_pad_is_not_warned(name: str, kind: str) -> None:
    plan, (frame, local) = LIBRARY.plan(name, "launch_vehicle"), RIGHT[kind]
    assert plan.site is not None
    free = replace(plan, target=plan.target and replace(plan.target, plane="free"))  # another meridian, another node
    for time_s in (0.0, 4.0):
        assert first_warnings(on_pad(plan, plan.site, frame, local, time_s), free, frame) == ()


@pytest.mark.parametrize("kind", RIGHT)
def test_a_right_script_in_flight_is_not_warned(kind: str) -> None:
    frame, local = RIGHT[kind]
    start = at_separation(UPPER)
    turned = replace(frame, meridian_at_zero_rad=0.0)
    state = seen_in(start.position_m, start.velocity_m_s, UPPER, turned, local, start.time_s)
    assert first_warnings(state, UPPER, turned) == ()


def test_flights_that_are_opened_mid_way_are_not_warned() -> None:
    """Any state of two whole flights may be the first that a service hears of."""
    for plan, flight in ((CLIMB, climb_flight(1200)), (LATE, late_flight())):
        for one in flight[:: len(flight) // 60]:
            if one.message.time_s > 10.0 or plan is LATE:
                assert first_warnings(one.message, plan, Frame()) == ()


def test_a_site_of_another_latitude_is_warned_of() -> None:
    """The plan's site lies at 12 deg north, the vehicle stands at 0.2."""
    plan = replace(PAD, site=replace(HERE, latitude_rad=radians(12.0)), target=None, phases=PAD.phases[:2])
    equator = replace(HERE, latitude_rad=radians(0.2))
    for frame, local in RIGHT.values():
        warnings = first_warnings(on_pad(plan, equator, frame, local), plan, frame)
        assert len(warnings) == 1
        assert "latitude 0.200 deg" in warnings[0]
        assert "is at 12.000 deg" in warnings[0]


def test_a_longitude_that_only_the_meridian_explains_is_said_where_a_node_hangs_on_it() -> None:
    turned = Frame(meridian_at_zero_rad=radians(40.0))
    warnings = first_warnings(on_pad(PAD, HERE, turned, False), PAD, Frame())
    assert any('say "meridian_at_zero_deg": 40.0000' in text for text in warnings)
    free = replace(PAD, target=PAD.target and replace(PAD.target, plane="free"))
    assert first_warnings(on_pad(free, HERE, turned, False), free, Frame()) == ()


@pytest.mark.parametrize(
    ("factor", "unit"), [(1 / POUND_KG, "pounds: multiply by 0.453592"), (1e-3, "tonnes: multiply by 1000")]
)
def test_a_mass_in_another_unit_is_refused_with_the_unit(factor: float, unit: str) -> None:
    state = on_pad(PAD, HERE, Frame(), False)
    with pytest.raises(MessageFault, match=f"taken as {unit}"):
        Session(PAD, Frame()).state(state._replace(mass_kg=factor * state.mass_kg))


def test_kilometres_are_refused_with_the_unit() -> None:
    state = pair_times(1e-3, 1e-3)(on_pad(PAD, HERE, Frame(), False))
    with pytest.raises(MessageFault, match="positions and velocities are taken as kilometres"):
        Session(PAD, Frame()).state(state)


def test_only_the_first_refusals_are_explained() -> None:
    """To look for what fits takes a hundred times as long as to refuse: nobody can make the service do it for ever."""
    session, told = Session(PAD, Frame()), []
    for seq in range(1, 6):
        with pytest.raises(MessageFault) as caught:
            session.state(pair_times(1e-3, 1e-3)(on_pad(PAD, HERE, Frame(), False))._replace(seq=seq))
        told.append("the numbers fit if" in caught.value.expected)
    assert told == [True, True, True, False, False]


def test_a_mass_that_is_not_the_stacks_is_warned_of() -> None:
    state = on_pad(PAD, HERE, Frame(), False)
    for factor in (0.8, 1.2):
        (text,) = first_warnings(state._replace(mass_kg=factor * state.mass_kg), PAD, Frame())
        assert "mass_kg is" in text


def test_a_clock_after_the_release_is_warned_of() -> None:
    (text,) = first_warnings(on_pad(PAD, HERE, TURNING, False, 5000.0), PAD, TURNING)
    assert "time_s is 5000.0, the plan releases at 10 s" in text


def test_a_release_at_which_the_pad_is_out_of_the_plane_is_warned_of() -> None:
    """Six hours off: the pad has turned by 90 deg."""
    later = replace(PAD, phases=(replace(PAD.phases[0], release_at_s=21600.0), *PAD.phases[1:]))
    (text,) = first_warnings(on_pad(later, HERE, TURNING, False), later, TURNING)
    assert "deg out of the target's plane" in text


IN_FLIGHT: dict[str, tuple[Frame, Frame, bool, tuple[float, float] | None, str]] = {
    "feet": (Frame(), Frame(), False, (1 / FOOT_M, 1 / FOOT_M), "positions and velocities are taken as feet"),
    "feet a second": (Frame(), Frame(), False, (1.0, 1 / FOOT_M), "velocities are taken as feet a second"),
    "kilometres a second": (Frame(), Frame(), False, (1.0, 1e-3), "velocities are taken as kilometres a second"),
    "y up": (LEFT, Frame(), False, None, "the axes are taken as x, z, y (left-handed)"),
    "y up, turning": (replace(LEFT, turning=True), TURNING, False, None, "the axes are taken as x, z, y (left-handed)"),
}


@pytest.mark.parametrize("fault", IN_FLIGHT)
def test_a_mix_up_is_named_from_the_first_state_of_an_upper_stage(fault: str) -> None:
    meant, declared, local, factors, words = IN_FLIGHT[fault]
    start = at_separation(UPPER)
    state = seen_in(start.position_m, start.velocity_m_s, UPPER, meant, local, start.time_s)
    text = first_warnings(pair_times(*factors)(state) if factors else state, UPPER, declared)[0]
    assert f"the numbers fit if {words}" in text.split("; or if ")[0]


def test_an_upper_stages_plan_on_the_ground_is_warned_of() -> None:
    state = on_pad(PAD, HERE, TURNING, False)
    (text, *_) = first_warnings(state, UPPER, TURNING)
    assert "stands on the ground" in text


def test_the_warning_is_in_the_first_half_minute_and_comes_again_after_a_reload() -> None:
    start = at_separation(UPPER)
    world = World(UPPER.body, UPPER.vehicle)
    feet = pair_times(1.0, 1 / FOOT_M)
    session = Session(UPPER, Frame())

    def said(time_s: float, seq: int) -> bool:
        state = feet(telemetry(replace(start, time_s=time_s), world, Frame(), seq))
        return any(text.startswith("first state: ") for text in session.state(state).warnings)

    assert [said(152.0, 1), said(170.0, 2), said(190.0, 3)] == [True, True, False]
    assert said(151.0, 4)


STANDING = replace(LATE, phases=(Coast(), Circularize(), Orbit()))
"""A coast that cannot begin with a vehicle at rest, which falls to the centre of the body."""


def falling_then_flying() -> list[VehicleState]:
    """Three states that no coast can begin with, then three of an orbit."""
    place = (EARTH.radius_m + 200e3, 0.0, 0.0)
    good = VehicleState(0, 0.0, 12_000.0, place, (50.0, 6800.0, 3900.0), engine_on=False)
    states = [good._replace(velocity_script_m_s=(0.0, 0.0, 0.0), mass_kg=24_000.0)] * 3 + [good] * 3
    return [state._replace(seq=k, time_s=float(k)) for k, state in enumerate(states)]


def test_a_flight_is_compared_with_its_plan_once_however_late_it_begins(monkeypatch: pytest.MonkeyPatch) -> None:
    compared: list[int] = []

    def counting(state: VehicleState, plan: FlightPlan, frame: Frame) -> tuple[str, ...]:
        compared.append(state.seq)
        return first_warnings(state, plan, frame)

    monkeypatch.setattr("guidance_svc.session.session.first_warnings", counting)
    session, states = Session(STANDING, Frame()), falling_then_flying()
    replies = [session.state(state) for state in states]
    assert compared == [0]
    assert [reply.status for reply in replies[:3]] == ["converging"] * 3
    assert "could not be computed" in replies[2].warnings[-1]
    assert "could not be computed" not in replies[3].warnings[-1]
    assert len({reply.warnings[:2] for reply in replies}) == 1  # what the first one was warned of
    assert "mass_kg is 24000" in replies[-1].warnings[1]
    assert session.state(states[-1]) == replies[-1]
    assert compared == [0]


@pytest.mark.parametrize("at", range(1, 6))
def test_a_reload_into_what_could_not_begin_leaves_the_flight_as_if_it_had_not_been(at: int) -> None:
    session, plain, states = Session(STANDING, Frame()), Session(STANDING, Frame()), falling_then_flying()
    for state in states:
        session.state(state)
    again = [state._replace(seq=10 + k) for k, state in enumerate(states[at:])]
    expected = [plain.state(state) for state in [*states[:at], *again]]
    assert [session.state(state) for state in again] == expected[at:]
