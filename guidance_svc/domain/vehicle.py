"""Vehicles and their stages."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage, in the order in which stages burn.

    Args:
        dry_mass_kg: dropped at the stage's end, without propellant.
        propellant_kg: loaded.
        thrust_n: in vacuum at full throttle.
        exhaust_velocity_m_s: in vacuum; thrust over mass flow.
        exit_area_m2: nozzle exit; thrust falls by ambient pressure times this.
        throttle_min_frac: lowest steady throttle; 1 for an engine that does not throttle.
        reserve_kg: propellant that must not be spent on the ascent (return, or margin).
        drop_pause_s: seconds without thrust between this stage's end and the next one's ignition.
        tail_off_impulse_n_s: impulse delivered after a cutoff command at full throttle; less in proportion below it.
        acceleration_limit_m_s2: thrust acceleration that must not be exceeded; held by throttling.
    """

    name: str
    dry_mass_kg: float
    propellant_kg: float
    thrust_n: float
    exhaust_velocity_m_s: float
    exit_area_m2: float = 0.0
    throttle_min_frac: float = 1.0
    reserve_kg: float = 0.0
    drop_pause_s: float = 0.0
    tail_off_impulse_n_s: float = 0.0
    acceleration_limit_m_s2: float = inf

    @property
    def mass_flow_kg_s(self) -> float:
        """Mass flow at full throttle."""
        return self.thrust_n / self.exhaust_velocity_m_s


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A stack of stages under a payload.

    Args:
        stages: first to burn first.
        payload_kg: carried above the last stage.
        drag_area_m2: reference area for the drag coefficient.
        drag_curve: (Mach number, drag coefficient) pairs, Mach rising; linear between, flat outside.
        turn_rate_limit_rad_s: how fast the vehicle can turn.
        cutoff_tick_s: the engine can be cut only on ticks of the vehicle's clock, so far apart and one at each
            state; 0 for an engine that is cut at any instant.
        cover_mass_kg: of the cover over the payload, dropped on the way up.
        drop_cover_above_m: height above the ellipsoid at which it is dropped; inf for none.
        drop_cover_below_w_m2: heating rate 0.5 rho v^3 below which it is dropped on the way up; 0 for none.
            Where both are given, both must hold.
    """

    name: str
    stages: tuple[Stage, ...]
    payload_kg: float = 0.0
    drag_area_m2: float = 0.0
    drag_curve: tuple[tuple[float, float], ...] = ((0.0, 0.3),)
    turn_rate_limit_rad_s: float = inf
    cutoff_tick_s: float = 0.0
    cover_mass_kg: float = 0.0
    drop_cover_above_m: float = inf
    drop_cover_below_w_m2: float = 0.0

    stack_kg: tuple[float, ...] = field(init=False, repr=False, compare=False)
    burnout_kg: tuple[float, ...] = field(init=False, repr=False, compare=False)
    lightest_stage_kg: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Add the stack up once: mass at each ignition, above the last stage, and when each has burnt all it may."""
        masses = [self.payload_kg + self.cover_mass_kg]
        for stage in reversed(self.stages):
            masses.append(masses[-1] + stage.dry_mass_kg + stage.propellant_kg)
        stack = tuple(reversed(masses))
        burnout = tuple(stack[i + 1] + stage.dry_mass_kg + stage.reserve_kg for i, stage in enumerate(self.stages))
        object.__setattr__(self, "stack_kg", stack)
        object.__setattr__(self, "burnout_kg", burnout)
        object.__setattr__(self, "lightest_stage_kg", min((s.dry_mass_kg for s in self.stages), default=0.0))

    def mass_at_ignition_kg(self, stage: int) -> float:
        """Mass of the stack when stage number `stage` (from 0) lights, all its propellant and the cover on board."""
        return self.stack_kg[stage]
