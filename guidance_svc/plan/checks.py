"""What a flight plan must satisfy as a whole before it is flown; each refusal says what would work."""

from __future__ import annotations

from math import atan, degrees, pi, tan
from typing import Final

from guidance_svc.core.atmosphere import air_of
from guidance_svc.domain import Body, Boost, FlightPlan, Insertion, Site
from guidance_svc.errors import ConfigError
from guidance_svc.plan.reach_checks import check_reach

LATITUDE_TOLERANCE_RAD: Final = 1e-6  # 6 m on the ground: "the site's latitude" typed with 4 decimals of a degree


def check_plan(plan: FlightPlan) -> None:
    """Refuse a plan whose parts contradict each other; the phases are checked by `laws.plan_rules`.

    Raises:
        ConfigError: with the key, what would work, and what stands there.
    """
    _check_stages(plan)
    _check_target(plan)
    check_reach(plan)
    _check_lift_off(plan)
    _check_cover(plan)
    _check_landing(plan)


def _check_landing(plan: FlightPlan) -> None:
    landing, start = plan.landing, plan.start
    if landing is not None and not any(phase.aims == "landing" for phase in plan.phases):
        raise ConfigError("limits_contradict", "landing", "no such table, because no phase lands", landing.site.name)
    if start is None:
        return
    if landing is None or plan.site is not None:
        why = "because no phase lands" if landing is None else "beside [site], where the flight begins"
        raise ConfigError("limits_contradict", "start", f"no such table, {why}", f"height_m = {start.height_m:g}")
    feet_m = plan.vehicle.legs_below_m
    if start.height_m <= feet_m:
        expected = f"above {feet_m:g} m (legs_below_m), so that the feet are not in the ground"
        raise ConfigError("below_ground", "start.height_m", expected, f"{start.height_m:g} m")
    holds_kg = plan.vehicle.stages[-1].propellant_kg
    if start.propellant_kg is not None and start.propellant_kg > holds_kg:
        expected = f"at most {holds_kg:g}, what {plan.vehicle.stages[-1].name} holds"
        raise ConfigError("bad_value", "start.propellant_kg", expected, start.propellant_kg)


def _check_stages(plan: FlightPlan) -> None:
    count = len(plan.vehicle.stages)
    for i, phase in enumerate(plan.phases):
        if not isinstance(phase, Insertion):
            continue
        key = f"phases.{i}.first_stage"
        if not 0 <= phase.first_stage < count:
            expected = f"0 to {count - 1}, because {plan.vehicle.name} has {count} stage{'s' if count > 1 else ''}"
            raise ConfigError("no_such_stage", key, expected, phase.first_stage)
        if phase.first_stage == 0 and any(isinstance(other, Boost) for other in plan.phases):
            raise ConfigError("no_such_stage", key, "1 or more, because boost burns stage 0", 0)


def _check_target(plan: FlightPlan) -> None:
    target = plan.target
    if target is None:
        if any(isinstance(phase, Insertion) for phase in plan.phases):
            raise ConfigError("missing_field", "target", "a [target] table, because the plan has insertion", "nothing")
        return
    if plan.site is None or target.plane == "free":
        return
    latitude_rad = abs(_geocentric_latitude_rad(plan.body, plan.site))
    least, most = latitude_rad - LATITUDE_TOLERANCE_RAD, pi - latitude_rad + LATITUDE_TOLERANCE_RAD
    if not least <= target.inclination_rad <= most:
        low, high = degrees(latitude_rad), degrees(pi - latitude_rad)
        expected = (
            f'{low:.4f} to {high:.4f} deg, what a launch from {plan.site.name} reaches; or plane = "free"; or no [site]'
        )
        got = f"{degrees(target.inclination_rad):.4f} deg"
        raise ConfigError("inclination_out_of_reach", "target.inclination_deg", expected, got)


def _check_lift_off(plan: FlightPlan) -> None:
    if not any(isinstance(phase, Boost) for phase in plan.phases):
        return
    stage = plan.vehicle.stages[0]
    pressure_pa = site_pressure_pa(plan)
    thrust_n = stage.thrust_n - pressure_pa * stage.exit_area_m2
    weight_n = plan.vehicle.mass_at_ignition_kg(0) * plan.body.mu_m3_s2 / plan.body.radius_m**2
    if thrust_n <= weight_n:
        loss = f" + {pressure_pa * stage.exit_area_m2:.0f} N for the air's pressure" if pressure_pa else ""
        expected = f"more than the weight at lift-off, {weight_n:.0f} N{loss}"
        raise ConfigError("cannot_lift_off", "vehicle.stages.0.thrust_n", expected, f"{stage.thrust_n:.0f} N")


def _check_cover(plan: FlightPlan) -> None:
    vehicle = plan.vehicle
    heated = vehicle.drop_cover_below_w_m2 > 0.0
    if vehicle.cover_mass_kg > 0.0 and heated and plan.body.atmosphere == "none":
        expected = f"drop_cover_above_km, because {plan.body.name} has no air that heats"
        raise ConfigError("limits_contradict", "vehicle.drop_cover_below_w_m2", expected, vehicle.drop_cover_below_w_m2)


def site_pressure_pa(plan: FlightPlan) -> float:
    """Pressure of the standard air at the plan's site, at height 0 without one; 0 on a body without air."""
    if plan.body.atmosphere == "none":
        return 0.0
    return air_of(plan.body, plan.site.altitude_m if plan.site else 0.0)[1]


def _geocentric_latitude_rad(body: Body, site: Site) -> float:
    """Of the vector from the body's centre to the site, whose plane the orbit contains.

    Source: Vallado, 4th ed., section 3.2, with the altitude left out (under 0.001 deg below 5 km).
    """
    if abs(site.latitude_rad) >= 0.5 * pi:
        return site.latitude_rad
    axis_ratio = 1.0 - body.flattening
    return atan(axis_ratio * axis_ratio * tan(site.latitude_rad))
