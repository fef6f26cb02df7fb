"""Simulated flights with known engines, as the tracks that calibration reads. All vehicles are invented."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, nan, sin

import numpy as np

from guidance_svc.core.frames import triad
from guidance_svc.core.vectors import norm, unit
from guidance_svc.domain import Body, Frame, Site, Stage, Vec, Vehicle
from guidance_svc.report.track import Track
from guidance_svc.sim.state import Controls, SimState, World, burning_frac, full_tanks, mass_kg, on_pad
from guidance_svc.sim.step import step
from guidance_svc.sim.telemetry import telemetry

# WGS-84 and EGM96, as in configs/bodies/earth.toml
EARTH = Body("Earth", 3.986004418e14, 6378137.0, 3.3528106647474805e-3, 1.0826266835531513e-3, 7.292115e-5)
AIRY = replace(EARTH, atmosphere="us1976")
CURVE = ((0.0, 0.30), (0.8, 0.34), (1.05, 0.55), (1.3, 0.50), (2.0, 0.42), (4.0, 0.30), (8.0, 0.25))

UPPER = Stage("upper", 4000.0, 60000.0, 7.1e5, 3333.0, throttle_min_frac=0.3, tail_off_impulse_n_s=0.15 * 7.1e5)
KNOWN_UPPER = Vehicle(  # the file: engine wrong by 5 %
    "upper", (replace(UPPER, thrust_n=7.5e5, exhaust_velocity_m_s=3200.0, tail_off_impulse_n_s=0.0),), 6000.0
)
LOWER = Stage("lower", 25000.0, 390000.0, 7.7e6, 3010.0, exit_area_m2=7.2, throttle_min_frac=0.5)
BOOSTER = Vehicle("booster", (LOWER,), 120000.0, drag_area_m2=11.0, drag_curve=CURVE)
KNOWN_BOOSTER = replace(  # the file: everything wrong, drag by half
    BOOSTER, drag_area_m2=16.5, stages=(replace(LOWER, thrust_n=8.1e6, exhaust_velocity_m_s=3150.0, exit_area_m2=5.0),)
)
IGNITE_S, DELAY_S = 4.013, 0.62


@dataclass(frozen=True)
class Plan:
    """Throttle over time and the instants of an open-loop burn.

    Args:
        throttles: (from this time, throttle).
        cutoff_told: whether the script was told the cutoff's instant.
    """

    cutoff_s: float
    throttles: tuple[tuple[float, float], ...] = ((-1e9, 1.0),)
    cutoff_told: bool = True
    end_s: float = 1e9
    tick_s: float = 0.05
    tell_thrust: bool = False


def track_of(
    states: list[SimState], world: World, cutoffs: list[float], ignitions: list[float], tell_thrust: bool = False
) -> Track:
    """What a script would have told of these states."""
    told = [telemetry(s, world, Frame(), i) for i, s in enumerate(states)]
    return Track(
        np.array([s.time_s for s in states]), np.array([s.position_m for s in states]),
        np.array([s.velocity_m_s for s in states]), np.array([mass_kg(s, world) for s in states]),
        np.array([s.pointing for s in states]), np.array([burning_frac(s, world) or s.throttle_frac for s in states]),
        np.array([s.engine_on for s in states]), np.array([s.stage for s in states]),
        np.array([t.thrust_n if tell_thrust else nan for t in told]), np.array(cutoffs), np.array(ignitions),
        np.ones(len(states)), np.full(len(states), nan), world.body,
    )  # fmt: skip


def fly(world: World, state: SimState, plan: Plan, steer: str) -> Track:
    """An open-loop burn: ignition at IGNITE_S, cutoff as planned, 6 s of coast."""
    states, cutoffs, ignitions = [state], [], []
    while state.time_s < min(plan.cutoff_s + 6.0, plan.end_s):
        told = plan.cutoff_s if plan.cutoff_told and state.time_s < plan.cutoff_s else nan
        cutoffs.append(told)
        ignitions.append(IGNITE_S if state.time_s < IGNITE_S else nan)
        throttle = [t for since, t in plan.throttles if since <= state.time_s + 1e-9][-1]
        controls = Controls(
            pointing=pointing(state, world, steer), throttle_frac=throttle, cutoff_at_s=plan.cutoff_s,
            ignite_at_s=IGNITE_S, release_at_s=IGNITE_S + 2.0,
        )  # fmt: skip
        state = step(state, controls, plan.tick_s, world)
        states.append(state)
    return track_of(states, world, [*cutoffs, nan], [*ignitions, nan], plan.tell_thrust)


def pointing(state: SimState, world: World, steer: str) -> Vec:
    """Vacuum: turning slowly in a plane. Air: up, tip over by 3 deg, then along the airflow."""
    local = triad(state.position_m, "geocentric", world.body)
    if steer == "vacuum":
        pitch = 0.6 - 0.006 * state.time_s
        return unit(tuple(sin(pitch) * u + cos(pitch) * e for u, e in zip(local.up, local.east, strict=True)))  # type: ignore[arg-type]
    since = state.time_s - IGNITE_S - 2.0
    if since < 22.0:
        tip = 0.06 * min(max(0.0, (since - 12.0) / 4.0), 1.0)
        return unit(tuple(cos(tip) * u + sin(tip) * e for u, e in zip(local.up, local.east, strict=True)))  # type: ignore[arg-type]
    r, v, w = state.position_m, state.velocity_m_s, world.body.rotation_rad_s
    wind = (v[0] + w * r[1], v[1] - w * r[0], v[2])
    return unit(wind) if norm(wind) > 1.0 else local.up


def vacuum_burn(plan: Plan, stage: Stage = UPPER, body: Body = EARTH, height_m: float = 150e3) -> Track:
    """A burn from this height, 5200 m/s level."""
    world = World(body, Vehicle("upper", (stage,), 6000.0), ignition_delay_s=DELAY_S)
    place, speed = (body.radius_m + height_m, 0.0, 0.0), (300.0, 5000.0, 1500.0)
    start = SimState(0.0, place, speed, (1.0, 0.0, 0.0), full_tanks(world.vehicle))
    return fly(world, start, plan, "vacuum")


def boost(cutoff_s: float = 140.0, tick_s: float = 0.1, drag: float = 1.0) -> Track:
    """From a pad through the air at full throttle, with so many times the booster's drag."""
    world = World(AIRY, replace(BOOSTER, drag_area_m2=drag * BOOSTER.drag_area_m2), ignition_delay_s=DELAY_S)
    start = on_pad(Site("Saltmarsh Point", 0.49, -0.61, 5.0), world)
    return fly(world, start, Plan(cutoff_s, tick_s=tick_s), "air")


def noisy(track: Track, sigma_m_s: float, seed: int, sigma_m: float = 0.0, sigma_kg: float = 0.0) -> Track:
    """White noise on what was told."""
    draw = np.random.default_rng(seed)
    n = len(track.times_s)
    return replace(
        track,
        velocities_m_s=track.velocities_m_s + sigma_m_s * draw.standard_normal((n, 3)),
        positions_m=track.positions_m + sigma_m * draw.standard_normal((n, 3)),
        masses_kg=track.masses_kg + sigma_kg * draw.standard_normal(n),
    )


def drifting(track: Track, sigma_m_s: float, memory_s: float, seed: int) -> Track:
    """Noise on the velocity that forgets itself over some seconds (first-order Markov)."""
    draw, rows = np.random.default_rng(seed), np.zeros((len(track.times_s), 3))
    rows[0] = sigma_m_s * draw.standard_normal(3)
    for i, gap_s in enumerate(track.gaps_s, start=1):
        kept = np.exp(-gap_s / memory_s)
        rows[i] = kept * rows[i - 1] + sigma_m_s * np.sqrt(1.0 - kept**2) * draw.standard_normal(3)
    return replace(track, velocities_m_s=track.velocities_m_s + rows)


def thinned(track: Track, keep: np.ndarray) -> Track:
    """Only some of the states."""
    fields = {name: getattr(track, name)[keep] for name in track.__dataclass_fields__ if name != "body"}
    return Track(**fields, body=track.body)


