"""The engine as flown: telemetry into estimator and filter, throttle for the acceleration limit, the last seconds.

The end of a burn. Direction frozen, the cutoff follows from the speed still to gain on orbital energy by every state,
filtered where states are noisy. An engine that throttles is throttled back for the end, so that a late or coarse clock
costs less, and trimmed so that the cutoff falls on the script's own clock grid. The tail-off's impulse is taken off in
advance.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, sqrt
from typing import NamedTuple

from guidance_svc.core.burn_flight import Gravity
from guidance_svc.core.burn_state import UNTRACKED
from guidance_svc.core.burns import Arc, Motor, mass_at_end_kg, motor_of
from guidance_svc.core.compiled import part
from guidance_svc.core.estimator import PRIOR_ANEW_FRAC, begin_anew, due
from guidance_svc.core.gravity import potential
from guidance_svc.core.steering import Problem, Steering, refine_cutoff
from guidance_svc.core.vectors import along, dot, norm, unit
from guidance_svc.domain import Body, FlightPlan, Stage, ThrottleDown, Vec
from guidance_svc.laws.felt import Felt, Learnt, Place, best_place, is_filtered, take_in, track_felt
from guidance_svc.laws.last_seconds import (
    FREEZE_BELOW_S,
    NO_FINISH,
    TAPER_FRAC,
    Ending,
    aim_cutoff,
    closing_time_s,
    tail_m_s,
    taper_frac,
)
from guidance_svc.laws.lean import lean_direction, lean_planned, tune_lean
from guidance_svc.laws.limit_learnt import within_limit
from guidance_svc.laws.memory import Burn, CutoffSeen, Flight
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.stack import engine_as_flown, mass_at_burnout_kg

SETTLE_S = 0.5  # after ignition, before the estimator listens
LONGEST_CLOSING_S = FREEZE_BELOW_S / TAPER_FRAC  # of any engine, see `End.closing_s`
TAIL_OVER_S = 2.0  # after a cutoff its tail-off is over
TAIL_SIGMAS = 4.0  # of the velocity noise: a smaller difference teaches nothing
ACROSS_FRAC = 0.3  # thrust more across the velocity than this says little by its energy
TAIL_QUIET_M_S = 0.01  # nor does one smaller than this
TAIL_MOST_S = 1.0  # of full thrust: a larger one is no tail-off
TAIL_SEEN_WITHIN_S = 10.0  # of the cutoff: what changes the orbit later is no tail-off


def nominal_throttle(flight: Flight, now: Navigation) -> float:
    """Throttle that the engine runs at: told, else as last ordered, and within a limit that was learnt."""
    throttle = now.throttle_frac if now.throttle_frac is not None else flight.throttle_frac
    if flight.engine.limit is None or flight.engine.flown is None:
        return throttle
    return min(throttle, cruise_throttle(flight.engine.flown, now.mass_kg))


def burning(burn: Burn, now: Navigation) -> bool:
    """Whether the engine is on: told, else as ordered."""
    if now.engine_on is not None:
        return now.engine_on
    return burn.ignite_at_s is None and (burn.cutoff_at_s is None or now.time_s < burn.cutoff_at_s)


def watch_engine(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan) -> Flight:
    """The flight with this state taken into the engine estimate, and into the filter while states are noisy."""
    flight = weigh_engine(flight, burn, now, plan)
    engine = flight.engine
    if engine.burning_since_s is None or not is_filtered(engine.tracked, engine.estimate, now.time_s):
        return flight
    body, stage = plan.body, plan.vehicle.stages[flight.stage]
    told = now.pointing is not None, now.throttle_frac is not None
    tracked = track_felt(
        engine.tracked, Learnt(engine.estimate, engine.told_scale, True), motor_of(stage),
        Gravity(body.mu_m3_s2, body.radius_m, body.j2), felt_now(flight, burn, now), told,
    )  # fmt: skip
    return flight._replace(engine=engine._replace(tracked=tracked))


def best_known(flight: Flight, now: Navigation) -> Place:
    """Where the vehicle is by this state: filtered where that is better."""
    return best_place(flight.engine.tracked, now.time_s, now.position_m, now.velocity_m_s)


def weigh_engine(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan) -> Flight:
    """The flight with this state taken into the engine estimate."""
    engine = flight.engine
    if not burning(burn, now):
        if engine.burning_since_s is None:
            return flight
        anew = begin_anew(engine.estimate, PRIOR_ANEW_FRAC)
        return flight._replace(engine=engine._replace(burning_since_s=None, estimate=anew, tracked=UNTRACKED))
    if engine.burning_since_s is None:
        return flight._replace(engine=engine._replace(burning_since_s=now.time_s))
    if now.time_s - engine.burning_since_s < SETTLE_S:
        return flight
    throttle = nominal_throttle(flight, now)
    if not due(engine.estimate, now.time_s, throttle):
        return flight
    stage, body = plan.vehicle.stages[flight.stage], plan.body
    felt = felt_now(flight, burn, now)
    gravity = Gravity(body.mu_m3_s2, body.radius_m, body.j2)
    estimate, told, same = take_in(
        Learnt(engine.estimate, engine.told_scale, True), motor_of(stage), gravity, felt
    )
    if same:
        return flight._replace(engine=engine._replace(estimate=estimate))
    flown = within_limit(engine_as_flown(stage, estimate, told), engine.limit)
    return flight._replace(engine=engine._replace(estimate=estimate, told_scale=told, flown=flown))


def felt_now(flight: Flight, burn: Burn, now: Navigation) -> Felt:
    """What a state tells of the burning engine; what it does not tell is as ordered."""
    return Felt(
        now.time_s, now.position_m, now.velocity_m_s, now.mass_kg, pointing_now(burn, now),
        nominal_throttle(flight, now), 0.0 if now.thrust_n is None else now.thrust_n,
    )  # fmt: skip


def pointing_now(burn: Burn, now: Navigation) -> tuple[float, float, float]:
    """Thrust direction: told, else as ordered."""
    if now.pointing is not None:
        return now.pointing
    law = burn.law or burn.trial
    return lean_direction(unit(law.vector_at(now.time_s)), burn.lean, now.time_s) if law else now.local.up


def flown_stage(flight: Flight, plan: FlightPlan) -> Stage:
    """The present stage with its engine as flown; as the vehicle file has it before that is known."""
    return flight.engine.flown or plan.vehicle.stages[flight.stage]


def cruise_throttle(stage: Stage, mass_kg: float) -> float:
    """Throttle that keeps the acceleration limit; 1 where there is none."""
    if stage.acceleration_limit_m_s2 == inf:
        return 1.0
    return cruise_frac(motor_of(stage), mass_kg)


@part
def cruise_frac(motor: Motor, mass_kg: float) -> float:
    """Throttle that keeps an engine's acceleration limit; 1 where there is none."""
    if motor.acceleration_limit_m_s2 == inf:
        return 1.0
    return min(1.0, max(motor.throttle_min_frac, motor.acceleration_limit_m_s2 * mass_kg / motor.thrust_n))


def frozen(law: Steering, now: Navigation) -> Steering:
    """The law at this instant."""
    steer = law.vector_at(now.time_s)
    return replace(law, epoch_s=now.time_s, steer=steer, burn_s=max(law.cutoff_s - now.time_s, 0.0))


class End(NamedTuple):
    """The engine in the last seconds: as flown, throttle before the taper, lowest throttle by the plan."""

    motor: Motor
    stage_index: int
    cruise: float
    burnout_kg: float
    lowest: float

    @property
    def taper(self) -> float:
        """Throttle for the end."""
        return taper_frac(self.cruise, self.lowest)

    @property
    def tapers(self) -> bool:
        """Whether the engine is throttled back for the end."""
        return self.taper < self.cruise

    @property
    def closing_s(self) -> float:
        """How long the last seconds last: what FREEZE_BELOW_S at the cruise throttle gives, at the taper."""
        return closing_time_s(self.cruise, self.taper)

    def arc(self, mass_kg: float, throttle_frac: float) -> Arc:
        """Burn from here at a throttle."""
        thrust, exhaust = throttle_frac * self.motor.thrust_n, self.motor.exhaust_velocity_m_s
        lasts = max(mass_kg - self.burnout_kg, 0.0) * exhaust / thrust
        return Arc(mass_kg, lasts, thrust, exhaust, stage=self.stage_index)

    def closing_arc(self) -> Arc:
        """The taper at the end of any burn."""
        return replace(self.arc(self.burnout_kg, self.taper), duration_s=self.closing_s, closing=True)

    def closing_gain_m_s(self, mass_kg: float) -> float:
        """Speed that the taper gives."""
        return self.arc(mass_kg, self.taper).speed_gain_m_s(self.closing_s)

    def tail_gain_m_s(self, mass_kg: float, throttle_frac: float) -> float:
        """Speed that the tail-off will give after a cutoff at this throttle, by the mean mass while it lasts."""
        return tail_m_s(self.motor, mass_kg, throttle_frac)


def end_of(flight: Flight, plan: FlightPlan, index: int, mass_kg: float) -> End:
    """The end of a stage's burn; the estimate belongs to the stage that burns now."""
    stage = flown_stage(flight, plan) if index == flight.stage else plan.vehicle.stages[index]
    motor = motor_of(stage)
    if flight.tail_off_n_s is not None and index == flight.stage:
        motor = motor._replace(tail_off_impulse_n_s=flight.tail_off_n_s)
    lowest = plan.vehicle.stages[index].throttle_min_frac
    return End(motor, index, cruise_throttle(stage, mass_kg), mass_at_burnout_kg(plan.vehicle, index), lowest)


def throttle_down(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan) -> ThrottleDown | None:
    """The taper that the planned cutoff reckons with, until it has begun; None where the burn ends as it goes."""
    if burn.law is None or burn.finish is not None or burn.ignite_at_s is not None:
        return None
    if plan.vehicle.stages[flight.stage].throttle_min_frac >= 1.0:
        return None
    end = end_of(flight, plan, flight.stage, now.mass_kg)
    at_s = burn.law.cutoff_s - end.closing_s
    if not end.tapers or flight.throttle_frac <= end.taper or at_s <= now.time_s:
        return None
    return ThrottleDown(at_s, end.taper)


def with_end(arcs: tuple[Arc, ...], flight: Flight, plan: FlightPlan) -> tuple[Arc, ...]:
    """The arcs with the taper of the last stage appended, if its engine tapers."""
    index = len(plan.vehicle.stages) - 1
    end = end_of(flight, plan, index, mass_at_burnout_kg(plan.vehicle, index))
    return (*arcs, end.closing_arc()) if end.tapers else arcs


def with_tail_off(problem: Problem, flight: Flight, burn: Burn, plan: FlightPlan) -> Problem:
    """The problem with what the tail-off will give after the cutoff, by the mass that a burn so far known ends with."""
    arcs = problem.arcs
    index = next(arc.stage for arc in reversed(arcs) if arc.powered)
    end = end_of(flight, plan, index, arcs[-1].mass_kg)
    if end.motor.tail_off_impulse_n_s == 0.0:
        return problem
    law = burn.law or burn.trial
    to_go = max(law.cutoff_s - problem.time_s, 0.0) if law else 0.0
    fixed = sum(arc.duration_s for arc in arcs if arc.closing or not arc.powered)
    mass = mass_at_end_kg(arcs, max(to_go - fixed, 0.0))
    return replace(problem, tail_m_s=end.tail_gain_m_s(mass, end.taper))


def near_end(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the burn is in its last seconds and not over."""
    if burn.law is None or (burn.cutoff_at_s is not None and now.time_s >= burn.cutoff_at_s):
        return False
    if burn.finish is not None:
        return True
    to_go = burn.law.cutoff_s - now.time_s
    return to_go < LONGEST_CLOSING_S and to_go < end_of(flight, plan, flight.stage, now.mass_kg).closing_s


def finish_burn(
    flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan, problem: Problem
) -> tuple[Flight, Burn]:
    """One state of the last seconds: new cutoff, new throttle.

    Args:
        problem: of this state; its arcs are replaced by the engine as it runs now.
    """
    if burn.law is None:
        return flight, burn
    end = end_of(flight, plan, flight.stage, now.mass_kg)
    whole = end.arc(now.mass_kg, end.cruise)
    at_cutoff_kg = whole.mass_after_kg(max(burn.law.cutoff_s - now.time_s, 0.0) * flight.throttle_frac / end.cruise)
    last = burn.finish.throttle_frac if burn.finish and burn.finish.throttle_frac > 0.0 else end.taper
    tail = end.tail_gain_m_s(at_cutoff_kg, last)
    law = refine_cutoff(replace(problem, arcs=(whole,), tail_m_s=tail), frozen(burn.law, now))
    finish, gain, throttle, cutoff = aim_cutoff(
        burn.finish or NO_FINISH, Ending(end.motor, end.cruise, end.lowest), now.time_s, now.mass_kg,
        whole.speed_gain_m_s(law.burn_s),
    )  # fmt: skip
    law = replace(law, cutoff_s=cutoff)
    burn = put_on_tick(flight, burn, now, plan, law)
    cutoff = burn.cutoff_at_s if burn.lean is not None and burn.cutoff_at_s is not None else cutoff
    law = replace(law, cutoff_s=cutoff)
    r, v = problem.position_m, problem.velocity_m_s
    ahead = unit(law.vector_at(now.time_s))
    bare = along(v, gain, ahead)
    seen = CutoffSeen(cutoff, total_energy(r, bare, plan.body), norm(bare), dot(unit(bare), ahead), throttle)
    burn = burn._replace(
        law=law, trial=law, cutoff_at_s=cutoff, solved_at_s=now.time_s, attempts=0, finish=finish
    )
    return flight._replace(throttle_frac=throttle, left_behind=seen), burn


def put_on_tick(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan, law: Steering) -> Burn:
    """The burn with its cutoff on a tick, for a vehicle that can be cut on no other instant.

    An engine that throttles is trimmed for the tick instead; a lower stage burns to its own end.
    """
    if plan.vehicle.cutoff_tick_s <= 0.0 or flight.stage + 1 < len(plan.vehicle.stages):
        return burn
    end = end_of(flight, plan, flight.stage, now.mass_kg)
    if end.lowest < 1.0:
        return burn
    arc = end.arc(now.mass_kg, end.cruise)
    if burn.lean is None:
        return lean_planned(burn, now, plan, law, arc, flight.engine.estimate)
    return tune_lean(burn, now, law.cutoff_s, arc, plan.vehicle.cutoff_tick_s)


def total_energy(position_m: Vec, velocity_m_s: Vec, body: Body) -> float:
    """Kinetic and potential energy, flattening included: constant in a coast."""
    return 0.5 * dot(velocity_m_s, velocity_m_s) + potential(position_m, body.mu_m3_s2, body.radius_m, body.j2)


def learn_tail_off(flight: Flight, now: Navigation, plan: FlightPlan) -> Flight:
    """The impulse after the cutoff from the energy gained since, once the tail-off is over.

    Only from a state 2 to 10 s after the cutoff: trims, drag and another gravity change the orbit later. Late cutoffs
    of a script that is always late count as tail-off, which is what the next burn needs. A difference within the
    telemetry's noise teaches nothing.
    """
    seen = flight.left_behind
    if seen is None or now.time_s < seen.at_s + TAIL_OVER_S:
        return flight
    flight = flight._replace(left_behind=None)
    if now.time_s > seen.at_s + TAIL_SEEN_WITHIN_S:
        return flight
    more = 2.0 * (total_energy(now.position_m, now.velocity_m_s, plan.body) - seen.energy_m2_s2)
    gained = (sqrt(max(seen.speed_m_s**2 + more, 0.0)) - seen.speed_m_s) / max(seen.along_frac, ACROSS_FRAC)
    stage = plan.vehicle.stages[flight.stage]
    known = seen.throttle_frac * stage.tail_off_impulse_n_s / now.mass_kg
    most = TAIL_MOST_S * stage.thrust_n / now.mass_kg
    if abs(gained - known) < max(TAIL_SIGMAS * flight.engine.estimate.noise_m_s, TAIL_QUIET_M_S) or abs(gained) > most:
        return flight
    return flight._replace(tail_off_n_s=max(gained, 0.0) * now.mass_kg / seen.throttle_frac)
