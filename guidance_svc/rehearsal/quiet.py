"""Quiet stretches of a flight in process: flown compiled, and handed back to the session as it would have them.

The session goes on from there as if it had answered every state, but for the rates of pitch and heading, which are
worked out anew, and for its history, which lacks the states of the stretch: such a session cannot go back into it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from math import inf
from typing import Final

import numpy as np

from guidance_svc.core.burn_flight import Gravity
from guidance_svc.core.burns import Motor, motor_of
from guidance_svc.core.compiled import column
from guidance_svc.core.estimator import EngineEstimate
from guidance_svc.core.newton import Law
from guidance_svc.core.steering import Problem, Steering, wanted_at
from guidance_svc.core.thrust_line import Anchor, Reading
from guidance_svc.domain import FlightPlan
from guidance_svc.laws.cover import plan_as_it_is
from guidance_svc.laws.engine import LONGEST_CLOSING_S, flown_stage
from guidance_svc.laws.felt import Learnt
from guidance_svc.laws.insertion_memory import InsertionMemory
from guidance_svc.laws.last_seconds import NO_FINISH
from guidance_svc.laws.memory import Flight, Margin, Memory, Steady, Weighed
from guidance_svc.laws.quiet_burn import Burning, Flown, Quiet
from guidance_svc.rehearsal.craft import CLOCK_DIGITS, Craft
from guidance_svc.rehearsal.quiet_kernel import Place, Rows, Ship, Stretch, fly_quiet_ticks
from guidance_svc.session.reply import keep_heading
from guidance_svc.session.session import CYCLE_STEPS, PHYSICS_ERRORS, Session
from guidance_svc.sim.state import SimState, World

SHORTEST_S: Final = 5.0  # before the last seconds: a stretch that is shorter is not worth crossing over
LONGEST_TICK_S: Final = 0.5


def fly_quietly(session: Session, craft: Craft, tick_s: float, end_s: float, lowest_m: float) -> int:
    """Fly a stretch in which nothing happens, from a vehicle whose state is still to be told.

    Args:
        end_s: vehicle time at which the flight ends.
        lowest_m: from the body's centre; below it the vehicle is in the ground.

    Returns:
        How many states the session has answered meanwhile; 0 where it is not quiet.
    """
    own = quiet_memory(session, craft, tick_s)
    if own is None or session.point is None or own.burn.law is None:
        return 0
    flight = session.point.memory.flight
    plan = plan_as_it_is(session.plan, flight)
    count = int((min(own.burn.law.cutoff_s, end_s) - craft.state.time_s) / tick_s)
    estimate = flight.engine.estimate
    try:
        stretch = fly_quiet_ticks(
            ship_of(craft.world, craft.state, lowest_m), craft.world.body_numbers, craft.world.mach, craft.world.drag,
            burning_of(flight, plan, own, tick_s), quiet_of(flight, own, plan), anchor_rows(estimate.anchors),
            reading_rows(estimate.readings), place_of(craft.state), ticks_from(craft.state.time_s, tick_s, count),
        )  # fmt: skip
    except PHYSICS_ERRORS:
        return 0
    if stretch.ticks > 0:
        take_over(session, craft, own, stretch)
    return stretch.ticks


def quiet_memory(session: Session, craft: Craft, tick_s: float) -> InsertionMemory | None:
    """What the law remembers, where the burn is one that `laws.quiet_burn` knows all of."""
    point, state = session.point, craft.state
    if point is None or not isinstance(point.memory.own, InsertionMemory) or point.due is not None:
        return None
    flight, own = point.memory.flight, point.memory.own
    plan = plan_as_it_is(session.plan, flight)
    burn, vehicle, engine = own.burn, plan.vehicle, flight.engine
    law, last = burn.law, len(vehicle.stages) - 1
    if law is None or law is not burn.trial or law.cutoff_s - state.time_s < LONGEST_CLOSING_S + SHORTEST_S:
        return None
    plain = own == InsertionMemory(burn, lowest_m=own.lowest_m) and burn == burn._replace(
        attempts=0, ignite_at_s=None, finish=None, lean=None, detour=None, lesser=None, given_up="",
        offset_m_s=(0.0, 0.0), margin=burn.margin._replace(short_cycles=0),
    )  # fmt: skip
    in_plan = (
        flight.stage == last and vehicle.cover_mass_kg == 0.0 and plan.boost is None and plan.target is not None
        and (vehicle.cutoff_tick_s <= 0.0 or vehicle.stages[last].throttle_min_frac < 1.0)
    )  # fmt: skip
    learnt = engine.burning_since_s is not None and engine.limit is None and flight.tail_off_n_s is None
    runs = (
        state.engine_on and not state.held_down and state.thrust_from_s <= state.time_s
        and state.stage == len(craft.world.vehicle.stages) - 1 and state.throttle_frac == flight.throttle_frac
        and flight.left_behind is None and tick_s <= LONGEST_TICK_S
    )  # fmt: skip
    stage = craft.world.vehicle.stages[state.stage] if runs else None
    simple = stage is not None and not (craft.world.full or craft.world.pad or stage.groups or state.lost)
    return own if plain and in_plan and learnt and simple else None


@lru_cache(maxsize=8)
def ticks_from(start_s: float, tick_s: float, count: int) -> Rows:
    """The end of each tick, rounded as the vehicle's clock is."""
    times, time_s = np.zeros(count), start_s
    for k in range(count):
        time_s = round(time_s + tick_s, CLOCK_DIGITS)
        times[k] = time_s
    return times


def anchor_rows(anchors: tuple[Anchor, ...]) -> Rows:
    """Each anchor's numbers in a row, as `quiet_kernel.with_rows` reads them."""
    return rows_of(
        [(a.time_s, a.states, *a.pushed_m_s, *a.own_m_s, a.mass_kg, a.burnt_kg, a.pp, a.py, a.yy, a.bb, a.bm, a.mm,
          a.middle_s) for a in anchors], 17,
    )  # fmt: skip


def reading_rows(readings: tuple[Reading, ...]) -> Rows:
    """Each reading's numbers in a row, as `quiet_kernel.with_rows` reads them."""
    return rows_of([(r.time_s, *r.pushed_m_s, *r.own_m_s, r.mass_kg, r.burnt_kg) for r in readings], 9)


def rows_of(records: list[tuple[float, ...]], count: int) -> Rows:
    """Records of so many numbers as rows; there may be none."""
    return np.array(records, dtype=np.float64).reshape(len(records), count)


def ship_of(world: World, state: SimState, lowest_m: float) -> Ship:
    """The true vehicle in numbers."""
    vehicle, stage = world.vehicle, world.vehicle.stages[state.stage]
    area_m2 = stage.exit_area_m2 * stage.engine_count / stage.engine_count  # rounded as `sim.step` does
    rest_kg = vehicle.payload_kg + (vehicle.cover_mass_kg if state.covered else 0.0)
    return Ship(*(
        float(x) for x in (
            rest_kg, stage.dry_mass_kg, stage.thrust_n, stage.exhaust_velocity_m_s, area_m2, stage.throttle_min_frac,
            stage.engine_count, vehicle.drag_area_m2, world.limits[0], world.step_s, lowest_m,
        )
    ))  # fmt: skip


def place_of(state: SimState) -> Place:
    """Where the vehicle is, in numbers."""
    return Place(state.time_s, state.position_m, state.velocity_m_s, state.pointing, state.propellant_kg[state.stage])


def floats(motor: Motor) -> Motor:
    """An engine whose numbers are all floats, as kernels ask for."""
    return Motor(*(float(x) for x in motor))


def burning_of(flight: Flight, plan: FlightPlan, own: InsertionMemory, tick_s: float) -> Burning:
    """What stays as it is while the stage burns."""
    body, stage = plan.body, plan.vehicle.stages[flight.stage]
    law, since_s = own.burn.law, flight.engine.burning_since_s
    assert law is not None  # `quiet_memory` has looked
    assert since_s is not None
    problem = Problem(law.epoch_s, law.position_m, law.velocity_m_s, (), plan.target, body)
    return Burning(
        floats(motor_of(stage)), flight.stage, float(plan.vehicle.burnout_kg[flight.stage]), since_s,
        Gravity(float(body.mu_m3_s2), float(body.radius_m), float(body.j2)), wanted_at(problem),
        float(plan.major_cycle_s), CYCLE_STEPS, tick_s,
    )  # fmt: skip


def quiet_of(flight: Flight, own: InsertionMemory, plan: FlightPlan) -> Quiet:
    """What changes from state to state, the estimator's rows left out."""
    engine, burn = flight.engine, own.burn
    law, e = burn.law, engine.estimate
    assert law is not None  # `quiet_memory` has looked
    assert burn.solved_at_s is not None
    estimate = EngineEstimate((), (), e.fresh, e.last, e.before, e.known, e.line, e.tested, e.noise, e.jumped_at_s)
    force = Flown(
        Law(law.steer, law.steer_rate, law.burn_s), law.epoch_s, law.cutoff_s, law.position_m, law.velocity_m_s,
        law.position_miss_m, law.velocity_miss_m_s, law.gain_m_s,
        column([]) if law.inverse is None else column(law.inverse.tolist()), law.inverse is not None,
    )  # fmt: skip
    steady = engine.steady or Steady(e.known, 1.0)
    return Quiet(
        Learnt(estimate, engine.told_scale, True), floats(motor_of(flown_stage(flight, plan))),
        engine.flown is not None, steady.known, steady.told_scale, engine.steady is not None,
        float(flight.throttle_frac), force, burn.solved_at_s,
        0.0 if burn.margin.kg is None else burn.margin.kg, float(burn.margin.doubt_kg), NO_FINISH,
        engine.tracked,
    )  # fmt: skip


def take_over(session: Session, craft: Craft, own: InsertionMemory, stretch: Stretch) -> None:
    """Session and vehicle as they are after a stretch."""
    point, place, quiet = session.point, stretch.place, stretch.quiet
    assert point is not None  # `quiet_memory` has looked
    state, force, finish = craft.state, quiet.force, quiet.finish
    tanks = (*state.propellant_kg[: state.stage], place.tank_kg, *state.propellant_kg[state.stage + 1 :])
    craft.state = replace(
        state, time_s=place.time_s, position_m=place.position_m, velocity_m_s=place.velocity_m_s,
        pointing=place.pointing, propellant_kg=tanks, throttle_frac=quiet.throttle_frac,
    )  # fmt: skip
    law = Steering(
        force.epoch_s, force.law.steer, force.law.steer_rate, force.law.burn_s, force.cutoff_s, force.position_m,
        force.velocity_m_s, force.position_miss_m, force.velocity_miss_m_s, True, force.gain_m_s,
        force.inverse if force.kept else None,  # type: ignore[arg-type]
    )  # fmt: skip
    burn = own.burn._replace(
        law=law, trial=law, cutoff_at_s=law.cutoff_s, solved_at_s=quiet.solved_at_s,
        margin=Margin(quiet.margin_kg, quiet.doubt_kg, 0),
        finish=finish if finish.time_s > -inf else None,
    )  # fmt: skip
    flight = flight_after(point.memory.flight, plan_as_it_is(session.plan, point.memory.flight), stretch)
    command = point.command._replace(
        time_s=stretch.told_s, direction=stretch.direction, pointing_script=stretch.direction,
        throttle_frac=quiet.throttle_frac, cutoff_at_s=law.cutoff_s,
    )  # fmt: skip
    session.point = point._replace(
        time_s=stretch.told_s, memory=Memory(flight, own._replace(burn=burn)), due=None, command=command
    )


def flight_after(flight: Flight, plan: FlightPlan, stretch: Stretch) -> Flight:
    """What outlives the phase, after a stretch."""
    quiet, engine = stretch.quiet, flight.engine
    e, file = quiet.learnt.estimate, plan.vehicle.stages[flight.stage]
    flown = replace(
        file, thrust_n=quiet.flown.thrust_n, exhaust_velocity_m_s=quiet.flown.exhaust_velocity_m_s
    )
    engine = engine._replace(
        estimate=e._replace(anchors=tuple(e.anchors), readings=tuple(e.readings)),
        told_scale=quiet.learnt.told_scale,
        tracked=quiet.tracked,
        flown=flown if quiet.is_flown else None,
        steady=Steady(quiet.steady, quiet.steady_scale) if quiet.is_steady else None,
    )
    return flight._replace(
        engine=engine, throttle_frac=quiet.throttle_frac, weighed=Weighed(stretch.told_s, stretch.told_kg),
        turning=keep_heading(flight.turning),
    )  # fmt: skip
