"""Vehicles and their stages."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
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
        engine_count: of equal engines that make up `thrust_n`, `exit_area_m2` and the mass flow.
        groups: how many of them may burn together, rising; empty: all of them only. A group of n is the engines
            0 to n - 1, counted from the middle.
        engine_lag_s: time constant with which the thrust follows ignition, throttle and engine count, first order; what
            comes after a cutoff is `tail_off_impulse_n_s` and nothing else.
        ignition_delay_s: from the command until an engine begins to give thrust; no flow before.
        ignitions: how many times engines can be lit, the first included; None for no limit. Lighting more engines
            beside those that burn counts as well.
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
    engine_count: int = 1
    groups: tuple[int, ...] = ()
    engine_lag_s: float = 0.0
    ignition_delay_s: float = 0.0
    ignitions: int | None = None

    @property
    def mass_flow_kg_s(self) -> float:
        """Mass flow at full throttle, all engines."""
        return self.thrust_n / self.exhaust_velocity_m_s

    def group_for(self, engines: int | None) -> int:
        """The group that burns when so many engines are asked for: the next larger one, else the largest; None asks for
        all.

        >>> nine = Stage("s", 1.0, 1.0, 1.0, 1.0, engine_count=9, groups=(1, 3, 9))
        >>> [nine.group_for(count) for count in (1, 2, 4, 12, None)]
        [1, 3, 9, 9, 9]
        """
        if not self.groups:
            return self.engine_count
        return next((group for group in self.groups if engines is not None and group >= engines), self.groups[-1])


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
        attitude_rate_limit_rad_s: how fast the attitude control can turn the vehicle, whatever guidance asks for; the
            lower of this and `turn_rate_limit_rad_s` counts.
        attitude_acceleration_limit_rad_s2: how fast its turning rate can change; inf: at once.
        percussion_m: how far above the centre of mass the centre of percussion lies (moment of inertia over mass times
            arm of the engines) of a vehicle that burning engines turn by gimballing; 0: turned by torque alone.
        fall_drag_curve: as `drag_curve`, flying engines first; empty: the same as `drag_curve`.
        fall_lift_curve: (Mach number, lift coefficient per radian of angle of attack) flying engines first; lift is
            against the side to which the thrust axis leans from straight against the motion. Empty: none.
        legs_below_m: how far the feet stand below the point whose position the vehicle tells.
        legs_radius_m: radius of the circle on which they stand.
        catch_point_m: how far above that same point the points are by which arms hold the vehicle; None: it cannot
            be caught.
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
    attitude_rate_limit_rad_s: float = inf
    attitude_acceleration_limit_rad_s2: float = inf
    percussion_m: float = 0.0
    fall_drag_curve: tuple[tuple[float, float], ...] = ()
    fall_lift_curve: tuple[tuple[float, float], ...] = ()
    legs_below_m: float = 0.0
    legs_radius_m: float = 0.0
    catch_point_m: float | None = None

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

    def keeping(self, reserve_kg: float | None) -> Vehicle:
        """The vehicle with another reserve of its first stage; None: as it is."""
        if reserve_kg is None:
            return self
        return replace(self, stages=(replace(self.stages[0], reserve_kg=reserve_kg), *self.stages[1:]))

    def mass_at_ignition_kg(self, stage: int) -> float:
        """Mass of the stack when stage number `stage` (from 0) lights, all its propellant and the cover on board."""
        return self.stack_kg[stage]
