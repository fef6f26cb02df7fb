"""A cover that is still on counts as carried until it will go, not to orbit. Vehicles of the optima, cover invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from guidance_svc.domain import Boost, Command, FlightPlan, Frame, Insertion, VehicleState
from guidance_svc.planning.boost.ascent_trial import Ascent, solve_insertion
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import FlightLog, fly, in_phase
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World, full_tanks
from guidance_svc.sim.telemetry import telemetry
from tests.closed_loop.optimum_cases import insertion_case

COVER_KG = 1500.0
TICK_S = 0.5
FORESEEN_S = 0.5  # a minute ahead, by the first law; the margin is then good to a kg
USED_KG = {False: 18759.5, True: 18698.6}  # by the burn with the drop, as the simulator flew it with larger tanks
SPARE_KG = 300.0  # left at cutoff with the cover dropped; far less than what it costs to carry it to orbit


def covered(air: bool) -> tuple[FlightPlan, World, SimState]:
    """V01 with a part of its mass as a cover, and tanks that leave little."""
    plan, world, state = insertion_case("V01")
    stage = plan.vehicle.stages[0]
    whole = stage.dry_mass_kg + stage.propellant_kg
    propellant = USED_KG[air] + SPARE_KG
    stage = replace(stage, propellant_kg=propellant, dry_mass_kg=whole - propellant - COVER_KG)
    vehicle = replace(plan.vehicle, stages=(stage,), **cover(air))
    body = replace(plan.body, atmosphere="us1976" if air else "none")
    plan = replace(plan, vehicle=vehicle, body=body)
    return plan, replace(world, vehicle=vehicle, body=body), replace(state, propellant_kg=full_tanks(vehicle))


def cover(air: bool) -> dict[str, float]:
    """Dropped by the heat where there is air, else by the height."""
    where = {"drop_cover_below_w_m2": 1135.0} if air else {"drop_cover_above_m": 130e3}
    return {"cover_mass_kg": COVER_KG, **where}


def flown(plan: FlightPlan, world: World, state: SimState) -> tuple[SimState, list[tuple[SimState, Command]], float]:
    """To the cutoff; each state with its reply, and when the cover went."""
    session, told = Session(plan, Frame(), detail=True), list[tuple[SimState, Command]]()
    foreseen: list[float | None] = []

    def guide(message: VehicleState) -> Command:
        command = session.state(message)
        foreseen.append(session.point.memory.flight.cover.goes_s if session.point else None)
        session.work()
        return command

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        if command.phase != "orbit":
            told.append((log.state, command))

    craft = Craft("covered", world, state)
    log = fly(craft, guide, in_phase("orbit"), tick_s=TICK_S, most_s=3000 * TICK_S, watch=watch)
    gone_s = next((event.at_s for event in log.events if event.name == "drop_cover"), -1.0)
    assert not log.out_of_time
    assert foreseen[0] == pytest.approx(gone_s, abs=FORESEEN_S)
    return log.state, told, gone_s


@pytest.mark.parametrize("air", [pytest.param(False, marks=pytest.mark.slow), True])
def test_margin_and_status_reckon_with_the_drop_from_the_first_reply_on(air: bool) -> None:
    plan, world, state = covered(air)
    end, told, gone_s = flown(plan, world, state)
    assert not end.covered
    assert gone_s > 20.0
    (left,) = end.propellant_kg
    assert left == pytest.approx(SPARE_KG, abs=2.0)
    margins = [c.detail.propellant_margin_kg for _, c in told if c.detail and c.detail.propellant_margin_kg is not None]
    assert len(margins) == len(told)
    assert max(abs(margin - left) for margin in margins) < 2.0
    assert {c.status for _, c in told} == {"ok"}
    assert not any(c.warnings for _, c in told)


def test_a_cover_that_stays_on_to_orbit_counts_to_the_end() -> None:
    plan, world, state = covered(False)
    plan = replace(plan, vehicle=replace(plan.vehicle, drop_cover_above_m=300e3))
    command = Session(plan, Frame(), detail=True).state(telemetry(state, world, Frame(), 0))
    assert command.detail is not None
    assert command.detail.propellant_margin_kg is not None
    assert command.detail.propellant_margin_kg < -500.0  # about what carrying 1500 kg for the burn costs


def test_the_boost_planner_reckons_with_the_drop() -> None:
    plan, world, state = covered(False)
    r, v = state.position_m, state.velocity_m_s
    ascent = Ascent(plan, world, Boost(), Insertion(), r, v, 0.0, plan.vehicle.mass_at_ignition_kg(0), 0.0)
    law, margin = solve_insertion(ascent, r, v, None)
    assert law is not None
    assert margin == pytest.approx(SPARE_KG, abs=2.0)
