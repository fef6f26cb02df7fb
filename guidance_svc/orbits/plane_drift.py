"""How a plane drifts over a span, by integration of the orbit that lies in it; what an even drift leaves out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, remainder

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.orbits.integrator import integrate_orbit
from guidance_svc.orbits.mean_elements import advance_orbit, mean_of, osculating_of_mean, rates
from guidance_svc.orbits.values import Field, MeanOrbit, OrbitState

LONGEST_S = 30.0 * SECONDS_PER_DAY  # integrated on each side of the epoch: 1 s of computing; beyond, the rate stands
EVEN_S = 10.0 * SECONDS_PER_DAY  # likewise where J2 stands alone, under which the node drifts evenly
SAMPLES = 6  # on each side
SAME_MEAN_ROUNDS = 3  # each leaves J2 of the difference


@dataclass(frozen=True, slots=True)
class PlaneDrift:
    """An even drift fitted to an integrated one.

    Args:
        node_rate_rad_s: that the integration shows on average.
        theory_rad_s: by the secular rates alone.
        node_off_rad, tilt_off_rad, place_off_rad: greatest difference within the span between the integration and the
            even node, the constant inclination, and the theory's place along the orbit.
        flown_s: how much of the span was integrated.
    """

    node_rate_rad_s: float
    theory_rad_s: float
    node_off_rad: float = 0.0
    tilt_off_rad: float = 0.0
    place_off_rad: float = 0.0
    flown_s: float = 0.0


def plane_drift(orbit: MeanOrbit, from_s: float, to_s: float, field: Field) -> PlaneDrift:
    """The drift from a time to another, one of which may lie before the orbit's epoch.

    Raises:
        NotConverged: a body too flat for mean elements, or an orbit that meets its centre.

    Accuracy: that of the integrator, 1 m in ten days (tests/plan/test_plane_drift.py, against DOP853).
    """
    theory = rates(orbit, field)[0]
    longest = LONGEST_S if any(field.zonals[1:]) else EVEN_S
    ends = [max(min(end - orbit.epoch_s, longest), -longest) for end in (from_s, to_s)]
    spans = {min(ends[0], 0.0), max(ends[1], 0.0)} - {0.0}
    rows = [row for span in spans for row in flown_rows(orbit, span, field)]
    if not rows or not any(field.zonals):
        return PlaneDrift(theory, theory)
    rate = sum(t * node for t, node, _, _ in rows) / sum(t * t for t, _, _, _ in rows)
    return PlaneDrift(
        rate, theory, max(abs(node - rate * t) for t, node, _, _ in rows), max(abs(tilt) for _, _, tilt, _ in rows),
        max(abs(place) for _, _, _, place in rows), sum(abs(span) for span in spans),
    )  # fmt: skip


def flown_rows(orbit: MeanOrbit, span_s: float, field: Field) -> list[tuple[float, float, float, float]]:
    """At even times from the epoch: time, node and inclination gained, place gained on the theory's; s, rad."""
    state = state_with_mean(orbit, field)
    theory, node, rows = rates(orbit, field)[0], 0.0, []
    for k in range(1, SAMPLES + 1):
        time_s = span_s * k / SAMPLES
        state = integrate_orbit(state, orbit.epoch_s + time_s, field)
        mean, told = mean_of(state, field), advance_orbit(orbit, orbit.epoch_s + time_s, field)
        node += theory * span_s / SAMPLES
        node += remainder(mean.node_rad - orbit.node_rad - node, 2.0 * pi)
        place = remainder(place_rad(mean) - place_rad(told), 2.0 * pi)
        rows.append((time_s, node, mean.inclination_rad - orbit.inclination_rad, place))
    return rows


def place_rad(orbit: MeanOrbit) -> float:
    """Mean argument of latitude, rad."""
    return orbit.perigee_rad + orbit.mean_anomaly_rad


def state_with_mean(orbit: MeanOrbit, field: Field) -> OrbitState:
    """The osculating state whose mean elements, as `mean_of` finds them, have this semi-major axis.

    The first-order theory alone misses it by J2 squared of the radius: 10 m for the Earth, 1 km at ten times its J2.
    """
    tried = orbit
    for _ in range(SAME_MEAN_ROUNDS):
        found = mean_of(osculating_of_mean(tried, field), field)
        tried = replace(tried, semi_major_m=tried.semi_major_m + orbit.semi_major_m - found.semi_major_m)
    return osculating_of_mean(tried, field)
