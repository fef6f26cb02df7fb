"""Where a plan lands: the site and its alternates, what is refused of them, and what is said of them."""

from __future__ import annotations

from math import log

from guidance_svc.core.frames import on_ellipsoid
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Alternate, FlightPlan, Landing, Vec
from guidance_svc.errors import ConfigError


def landing_of(plan: FlightPlan) -> Landing:
    """The plan's landing.

    Raises:
        ConfigError: it has none.
    """
    if plan.landing is None:
        raise ConfigError("missing_field", "landing", "a [landing] table, because the plan has descent", "nothing")
    return plan.landing


def check_places(plan: FlightPlan) -> None:
    """Refuse a site or an alternate where the vehicle cannot stand or be held, or that is too far from the site.

    Raises:
        ConfigError: naming key and number.
    """
    landing = landing_of(plan)
    _check_place(plan, landing.places[0], "landing")
    names = {landing.site.name}
    farthest_m, gain_m_s = hop_reach_m(plan)
    for k, there in enumerate(landing.alternates):
        at = f"landing.alternates.{k}"
        _check_place(plan, there, at)
        if there.site.name in names:
            raise ConfigError("bad_value", f"{at}.name", "a name of its own", there.site.name)
        names.add(there.site.name)
        away_m = distance_m(plan, there)
        if away_m > farthest_m:
            expected = (
                f"within {farthest_m:.0f} m of {landing.site.name}, what a hop from there reaches with all the "
                f"propellant above the reserve ({gain_m_s:.0f} m/s)"
            )
            raise ConfigError("out_of_reach", at, expected, f"{there.site.name}, {away_m:.0f} m away")
    _check_answer(plan, landing)


def _check_place(plan: FlightPlan, there: Alternate, at: str) -> None:
    vehicle, height_m = plan.vehicle, there.catch_height_m
    if there.bears == "legs" and height_m > 0.0:
        expected = '0, or bears = "arms": legs stand on the ground'
        raise ConfigError("limits_contradict", f"{at}.catch_height_m", expected, height_m)
    if there.bears == "legs":
        return
    if vehicle.catch_point_m is None:
        raise ConfigError("missing_field", "vehicle.catch_point_m", "a height, because arms catch it", "nothing")
    least_m = vehicle.catch_point_m + vehicle.legs_below_m
    if height_m < least_m:
        expected = f"at least {least_m:g} m, so that the legs of the vehicle in the arms are not below the ground"
        raise ConfigError("limits_contradict", f"{at}.catch_height_m", expected, f"{height_m:g} m")


def _check_answer(plan: FlightPlan, landing: Landing) -> None:
    if landing.without_answer == "divert" and not landing.alternates:
        expected = '"land", or alternates to divert to'
        raise ConfigError("limits_contradict", "landing.without_answer", expected, "divert")
    if landing.without_answer == "hold":
        stage, weight_n = plan.vehicle.stages[-1], least_weight_n(plan)
        part = min(stage.groups or (stage.engine_count,)) / stage.engine_count
        over = part * stage.throttle_min_frac * stage.thrust_n / weight_n
        why = "to wait over the site is not flown yet"
        if over > 1.0:
            why = f"the lowest thrust of {stage.name} is {over:.2f} times the weight of the empty vehicle"
        raise ConfigError("bad_value", "landing.without_answer", f'"divert" or "land": {why}', "hold")


def least_weight_n(plan: FlightPlan) -> float:
    """Weight of the empty vehicle on the ground."""
    return plan.vehicle.burnout_kg[-1] * plan.body.mu_m3_s2 / plan.body.radius_m**2


def hop_reach_m(plan: FlightPlan) -> tuple[float, float]:
    """How far a hop from standstill to standstill can go without losses, and the ideal speed that it takes, m/s.

    Half of the ideal speed is for leaving, half for stopping: the range is its square over gravity (flat ground).
    """
    vehicle, body = plan.vehicle, plan.body
    empty_kg = vehicle.burnout_kg[-1]
    full_kg = vehicle.mass_at_ignition_kg(len(vehicle.stages) - 1)
    gain_m_s = vehicle.stages[-1].exhaust_velocity_m_s * log(full_kg / empty_kg)
    return 0.25 * gain_m_s * gain_m_s * body.radius_m**2 / body.mu_m3_s2, gain_m_s


def distance_m(plan: FlightPlan, there: Alternate) -> float:
    """From the site to an alternate, straight."""
    return norm(sub(_ground_m(plan, there), _ground_m(plan, landing_of(plan).places[0])))


def _ground_m(plan: FlightPlan, there: Alternate) -> Vec:
    site, body = there.site, plan.body
    return on_ellipsoid(site.latitude_rad, site.longitude_rad, site.altitude_m, body.radius_m, body.flattening)


def where(there: Alternate) -> str:
    """A place to land, in words."""
    return f"the arms at {there.site.name}, {there.catch_height_m:g} m up" if there.bears == "arms" else there.site.name


def divert_words(plan: FlightPlan) -> str:
    """What follows without a tower's answer, and where the alternates are."""
    landing = landing_of(plan)
    places = ", ".join(f"{where(there)} ({distance_m(plan, there):.0f} m away)" for there in landing.alternates)
    if landing.without_answer == "divert":
        to = f"the one of {places} that costs least" if len(landing.alternates) > 1 else places
        return f"; to {to}, if a tower is not ready when it must be decided"
    also = f"; to {places}, if it cannot be reached" if places else ""
    return f"{also}; whatever a tower answers" if places else ""
