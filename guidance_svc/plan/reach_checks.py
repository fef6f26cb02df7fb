"""Plans that no flying can save: too little propellant, stages the wrong way round, thrust below weight."""

from __future__ import annotations

from math import cos, sqrt
from typing import Final

from guidance_svc.core.rocket import speed_gain_m_s
from guidance_svc.domain import Body, Boost, Circularize, FlightPlan, Hold, Insertion, Site, Target, Vehicle
from guidance_svc.errors import ConfigError

SWAPPED_RATIO: Final = 2.0  # in both thrust and mass; stages that burn later are smaller (common practice, no source)
ALLOWANCE: Final = 0.99  # of the bound: J2 and a site above the equatorial radius are not in it


def check_reach(plan: FlightPlan) -> None:
    """Refuse a plan that is impossible before it begins.

    Raises:
        ConfigError: with the key, what would work, and what stands there.
    """
    _check_stage_order(plan.vehicle)
    _check_weight(plan)
    _check_propellant(plan)


def ideal_gain_m_s(vehicle: Vehicle) -> float:
    """Speed gain of all stages one after the other without any loss, their reserves kept, the cover never carried."""
    gain = 0.0
    for i, stage in enumerate(vehicle.stages):
        mass_kg = vehicle.mass_at_ignition_kg(i) - vehicle.cover_mass_kg
        gain += speed_gain_m_s(mass_kg, stage.propellant_kg - stage.reserve_kg, stage.exhaust_velocity_m_s)
    return gain


def least_gain_m_s(body: Body, semi_axis_m: float, start_speed_m_s: float) -> float:
    """A speed gain below which no path from the surface reaches an orbit of this semi-major axis.

    Thrust acceleration a raises the energy E at most at the rate a v, and v is at most w = sqrt(2 (E + mu / R))
    anywhere above the surface R; so w grows at most by the speed gain. Losses and turns only add to it.
    Source: derived here from the energy integral; Bate, Mueller and White, section 1.4.

    >>> earth = Body("earth", 3.986004418e14, 6378137.0)
    >>> round(least_gain_m_s(earth, 6378137.0 + 200e3, 400.0))
    7625
    """
    energy = -0.5 * body.mu_m3_s2 / semi_axis_m
    return sqrt(2.0 * (energy + body.mu_m3_s2 / body.radius_m)) - start_speed_m_s


def _check_stage_order(vehicle: Vehicle) -> None:
    for i, below in enumerate(vehicle.stages):
        for above in vehicle.stages[i + 1 :]:
            stronger = above.thrust_n > SWAPPED_RATIO * below.thrust_n
            loaded_kg = above.dry_mass_kg + above.propellant_kg
            heavier = loaded_kg > SWAPPED_RATIO * (below.dry_mass_kg + below.propellant_kg)
            if stronger and heavier:
                expected = f"the stage that burns first to stand first: {above.name}, heavier and stronger, before it"
                raise ConfigError("stages_swapped", f"vehicle.stages.{i}", expected, below.name)


def _check_weight(plan: FlightPlan) -> None:
    """Boost's lift-off is checked elsewhere; this is a lift-off straight into the closed loop."""
    boosted = any(isinstance(phase, Boost) for phase in plan.phases)
    if boosted or not any(isinstance(phase, Hold) for phase in plan.phases):
        return
    for phase in plan.phases:
        if isinstance(phase, Insertion):
            i = phase.first_stage
            weight_n = plan.vehicle.mass_at_ignition_kg(i) * plan.body.mu_m3_s2 / plan.body.radius_m**2
            thrust_n = plan.vehicle.stages[i].thrust_n
            if thrust_n <= weight_n:
                expected = f"more than the weight at lift-off, {weight_n:.0f} N"
                raise ConfigError("cannot_lift_off", f"vehicle.stages.{i}.thrust_n", expected, f"{thrust_n:.0f} N")


def _check_propellant(plan: FlightPlan) -> None:
    """From a site only: a plan without one may begin in orbit for all it says."""
    on_ground = any(phase.from_ground for phase in plan.phases)
    if plan.site is None or plan.target is None or not on_ground:
        return
    if not any(isinstance(phase, Insertion) for phase in plan.phases):
        return
    start = _ground_speed_m_s(plan.body, plan.site)
    semi_axis_m = _last_semi_axis_m(plan.target, any(isinstance(phase, Circularize) for phase in plan.phases))
    least = ALLOWANCE * least_gain_m_s(plan.body, semi_axis_m, start)
    gain = ideal_gain_m_s(plan.vehicle)
    if gain >= least:
        return
    expected = f"{_within_reach(plan.body, gain + start)}; or stages that gain at least {least:.0f} m/s without losses"
    altitude_km = (plan.target.apogee_radius_m - plan.body.radius_m) / 1e3
    got = f"{altitude_km:g} km, with stages that gain {gain:.0f} m/s"
    raise ConfigError("short_of_propellant", "target.apogee_altitude_km", expected, got)


def _ground_speed_m_s(body: Body, site: Site) -> float:
    return abs(body.rotation_rad_s) * (body.radius_m + max(site.altitude_m, 0.0)) * cos(site.latitude_rad)


def _last_semi_axis_m(target: Target, circular: bool) -> float:
    return target.apogee_radius_m if circular else 0.5 * (target.perigee_radius_m + target.apogee_radius_m)


def _within_reach(body: Body, speed_m_s: float) -> str:
    """The highest circular orbit whose energy a speed at the surface has."""
    energy = 0.5 * speed_m_s * speed_m_s - body.mu_m3_s2 / body.radius_m
    height_km = (-0.5 * body.mu_m3_s2 / energy - body.radius_m) / 1e3
    return f"below {height_km:.0f} km" if height_km > 1.0 else f"no orbit of {body.name}: they reach none"
