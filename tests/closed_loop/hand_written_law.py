"""The guidance law that script authors write by hand today: the baseline of the insertion table.

    time to go             from the rocket equation, with the speed that is still missing
    wanted vertical speed  2 x altitude to go / time to go
    pitch                  nudged by at most 0.02 deg a cycle of 50 Hz so that the difference to the wanted vertical
                           speed closes within a few seconds
    cutoff                 when the orbital energy (and so the apogee) is the target's

Common practice, no source. Fair to it: perfect telemetry at every tick, start pitch and closing time tuned for each
case, the weight taken off in advance, heading held in the wanted plane with the speed across it steered out, cutoff at
the exact instant inside the tick, later stages counted in the time to go.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import asin, cos, exp, inf, log, radians, sin, sqrt

from guidance_svc.core.conditions import target_normal
from guidance_svc.core.kepler import apsides
from guidance_svc.core.starter import nearest_normal
from guidance_svc.core.vectors import add, along, cross, dot, norm, scale, unit
from guidance_svc.domain import FlightPlan, Target, Vec
from guidance_svc.sim.state import Controls, SimState, World, mass_kg
from guidance_svc.sim.step import step

NUDGE_RAD = radians(0.02)  # a cycle
CYCLE_S = 0.02
HOLD_BELOW_S = 3.0  # to go: pitch left alone, division by a small time
PITCHES_DEG = (-10.0, 65.0)  # what the author allows


@dataclass
class HandLaw:
    """Pitch so far; nothing else is remembered between cycles.

    Args:
        normal: of the plane to hold; in a planar case that of the flight.
        close_s: seconds in which the vertical-speed difference is to close.
        cycle_s: of the loop; the nudge is 0.02 deg at 50 Hz and the same rate at any other.
    """

    plan: FlightPlan
    normal: Vec
    pitch_rad: float
    close_s: float
    cycle_s: float = CYCLE_S

    def missing_speed_m_s(self, state: SimState) -> float:
        """Speed still to gain, to the cutoff speed."""
        target = wanted(self.plan)
        return target.cutoff_speed_m_s - norm(state.velocity_m_s)

    def time_to_go_s(self, state: SimState, world: World) -> float:
        """Burn time for the missing speed, over the stages that are left, pauses included."""
        left, clock = max(self.missing_speed_m_s(state), 0.0), 0.0
        mass = mass_kg(state, world)
        for index in range(state.stage, len(world.vehicle.stages)):
            stage = world.vehicle.stages[index]
            tank = state.propellant_kg[index]
            gain = stage.exhaust_velocity_m_s * log(mass / (mass - tank)) if tank > 0.0 else 0.0
            if gain >= left or index + 1 == len(world.vehicle.stages):
                burnt = mass * (1.0 - exp(-left / stage.exhaust_velocity_m_s))
                return clock + burnt / stage.mass_flow_kg_s
            left -= gain
            clock += tank / stage.mass_flow_kg_s + stage.drop_pause_s
            mass -= tank + stage.dry_mass_kg
        return clock

    def steer(self, state: SimState, world: World) -> Vec:
        """Thrust direction of this cycle."""
        target = wanted(self.plan)
        up = unit(state.position_m)
        rise = dot(state.velocity_m_s, up)
        to_go = self.time_to_go_s(state, world)
        if to_go > HOLD_BELOW_S:
            radius = norm(state.position_m)
            asked = 2.0 * (target.cutoff_radius_m - radius) / to_go
            level = sqrt(max(dot(state.velocity_m_s, state.velocity_m_s) - rise * rise, 0.0))
            stage = world.vehicle.stages[min(state.stage, len(world.vehicle.stages) - 1)]
            push = stage.thrust_n / mass_kg(state, world)
            weight = self.plan.body.mu_m3_s2 / radius**2 - level * level / radius
            slope = -rise / to_go  # what the wanted speed itself does, near enough
            sine = (weight + slope + (asked - rise) / self.close_s) / push
            aim = asin(max(-1.0, min(1.0, sine)))
            aim = max(radians(PITCHES_DEG[0]), min(radians(PITCHES_DEG[1]), aim))
            nudge = NUDGE_RAD * self.cycle_s / CYCLE_S
            self.pitch_rad += max(-nudge, min(nudge, aim - self.pitch_rad))
        return self.in_plane(state, up)

    def in_plane(self, state: SimState, up: Vec) -> Vec:
        """Pitch in the wanted plane; the speed and distance across it steered out within 30 s."""
        ahead = unit(cross(self.normal, up))
        across = dot(state.velocity_m_s, self.normal)
        off = dot(state.position_m, self.normal)
        yaw = max(-0.3, min(0.3, (-across / 30.0 - off / 30.0**2 / 2.0) / 10.0))
        level = unit(along(ahead, yaw, self.normal))
        return add(scale(cos(self.pitch_rad), level), scale(sin(self.pitch_rad), up))


def wanted(plan: FlightPlan) -> Target:
    """The plan's target."""
    assert plan.target is not None
    return plan.target


def plane_to_hold(plan: FlightPlan, state: SimState) -> Vec:
    """Normal of the wanted plane; for a free plane the present one, for inclination alone the nearest."""
    fixed = target_normal(plan.target)
    present = unit(cross(state.position_m, state.velocity_m_s))
    if fixed is not None:
        return fixed
    if wanted(plan).plane == "free":
        return present
    return nearest_normal(unit(state.position_m), present, wanted(plan).inclination_rad)


def energy_left_m2_s2(plan: FlightPlan, state: SimState) -> float:
    """Orbital energy below the target's."""
    target, mu = wanted(plan), plan.body.mu_m3_s2
    goal = -mu / (target.perigee_radius_m + target.apogee_radius_m)
    return goal - (0.5 * dot(state.velocity_m_s, state.velocity_m_s) - mu / norm(state.position_m))


def fly_by_hand(
    plan: FlightPlan, world: World, state: SimState, start_pitch_deg: float, close_s: float, tick_s: float = CYCLE_S
) -> SimState:
    """Fly to the exact instant of cutoff, or until the propellant is spent or the vehicle is back on the ground."""
    law = HandLaw(plan, plane_to_hold(plan, state), radians(start_pitch_deg), close_s, tick_s)
    for _ in range(int(3000.0 / tick_s)):
        stage = world.vehicle.stages[state.stage]
        if state.propellant_kg[state.stage] <= 0.0:
            if state.stage + 1 == len(world.vehicle.stages):
                return state
            state = step(state, Controls(separate_at_s=state.time_s), stage.drop_pause_s, world)
            state = replace(state, engine_on=True, thrust_from_s=state.time_s)
            continue
        direction = law.steer(state, world)
        after = step(state, Controls(pointing=direction), tick_s, world)
        if energy_left_m2_s2(plan, after) <= 0.0:
            return cut_inside(plan, world, state, direction, tick_s)
        if norm(after.position_m) < plan.body.radius_m:
            return after
        state = after
    return state


def cut_inside(plan: FlightPlan, world: World, state: SimState, direction: Vec, tick_s: float) -> SimState:
    """The state at the instant inside this tick at which the energy is reached (bisection)."""
    low, high = 0.0, tick_s
    for _ in range(50):
        middle = 0.5 * (low + high)
        if energy_left_m2_s2(plan, step(state, Controls(pointing=direction), middle, world)) > 0.0:
            low = middle
        else:
            high = middle
    return step(state, Controls(pointing=direction), high, world)


START_PITCHES_DEG = tuple(range(0, 61, 10))
CLOSINGS_S = (8.0, 15.0, 25.0)
GOOD_ENOUGH_M = 1000.0  # of perigee plus apogee; among flights so good the author keeps the cheapest


@dataclass(frozen=True)
class Tuning:
    """What the author found by trying."""

    start_pitch_deg: float
    close_s: float


def tuned(plan: FlightPlan, world: World, start: SimState) -> Tuning:
    """The tuning that suits this vehicle and target best, tried out with a coarse clock."""
    target, mu = wanted(plan), plan.body.mu_m3_s2
    coarse = replace(world, step_s=0.1)

    def badness(tuning: Tuning) -> tuple[float, float]:
        end = fly_by_hand(plan, coarse, start, tuning.start_pitch_deg, tuning.close_s, 0.1)
        if energy_left_m2_s2(plan, end) > 1e3:
            return (inf, 0.0)  # never reached the energy
        low, high = apsides(end.position_m, end.velocity_m_s, mu)
        miss = abs(low - target.perigee_radius_m) + abs(high - target.apogee_radius_m)
        return (max(miss, GOOD_ENOUGH_M), -sum(end.propellant_kg))

    return min((Tuning(p, c) for p in START_PITCHES_DEG for c in CLOSINGS_S), key=badness)


def best_by_hand(plan: FlightPlan, world: World, start: SimState) -> SimState:
    """The end of the flight with the author's best tuning, at 50 Hz."""
    tuning = tuned(plan, world, start)
    return fly_by_hand(plan, world, start, tuning.start_pitch_deg, tuning.close_s)
