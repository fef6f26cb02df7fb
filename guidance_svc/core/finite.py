"""The one list of numbers in a command that must be finite: the session checks it before a state is taken in."""

from __future__ import annotations

from math import isfinite

from guidance_svc.domain import Arrival, Command, OrbitReport


def numbers_of(command: Command) -> list[tuple[str, float]]:
    """Name and value of every number that goes out and is never null for want of a finite one; see also `total_of`."""
    c = command
    found = [
        ("pitch_rad", c.pitch_rad), ("heading_rad", c.heading_rad), ("pitch_rate_rad_s", c.pitch_rate_rad_s),
        ("heading_rate_rad_s", c.heading_rate_rad_s), ("throttle_frac", c.throttle_frac), ("time_s", c.time_s),
        ("next_contact_s", c.next_contact_s),
    ]  # fmt: skip
    found += [("direction", x) for x in c.direction]
    found += [("pointing_script", x) for x in c.pointing_script]
    if c.cutoff_at_s is not None:
        found.append(("cutoff_at_s", c.cutoff_at_s))
    if c.latest_off_at_s is not None:
        found.append(("latest_off_at_s", c.latest_off_at_s))
    if c.time_to_cutoff_s is not None:
        found.append(("time_to_cutoff_s", c.time_to_cutoff_s))
    if c.decide_at_s is not None:
        found.append(("decide_at_s", c.decide_at_s))
    if c.event is not None:
        found.append(("event.at_s", c.event.at_s))
    if c.throttle_down is not None:
        down = c.throttle_down
        found += [("throttle_down.at_s", down.at_s), ("throttle_down.throttle_frac", down.throttle_frac)]
    if c.detail is not None:
        found += orbit_numbers("present_orbit", c.detail.present_orbit)
        found += orbit_numbers("predicted_orbit", c.detail.predicted_orbit)
        if c.detail.landing is not None:
            found += [("landing", number) for number in c.detail.landing]
        if c.detail.reach is not None:
            found += [("reach", number) for number in c.detail.reach]
        for report in c.detail.divert:
            found += [("divert", report.decide_at_s or 0.0), ("divert", report.extra_kg or 0.0)]
    return found + arrival_numbers(c.arrivals or ())


def arrival_numbers(arrivals: tuple[Arrival, ...]) -> list[tuple[str, float]]:
    """Those of a tower's arrivals."""
    return [
        (f"arrivals.{k}", number)
        for k, a in enumerate(arrivals)
        for number in (a.time_s, a.at_s, a.at_sigma_s or 0.0, *a.position_script_m, a.speed_m_s, a.miss_m,
                       a.miss_sigma_m or 0.0)
    ]


def orbit_numbers(name: str, orbit: OrbitReport | None) -> list[tuple[str, float]]:
    """Those of an orbit that every path has; the others are null on an escape path."""
    if orbit is None:
        return []
    return [
        (f"{name}.perigee_altitude_m", orbit.perigee_altitude_m), (f"{name}.inclination_rad", orbit.inclination_rad),
        (f"{name}.node_rad", orbit.node_rad),
    ]  # fmt: skip


def total_of(command: Command) -> float:
    """The sum of the same numbers: as long as it is finite, so are they all. A fifth of the cost of the list."""
    (_, time_s, _, direction, pointing, pitch, heading, pitch_rate, heading_rate, throttle, _, cutoff, to_cutoff,
     event, contact, _, _, detail, down, latest_off, _, _, arrivals, _, decide) = command  # fmt: skip
    total = pitch + heading + pitch_rate + heading_rate + throttle + time_s + contact
    total += sum(direction) + (0.0 if pointing is direction else sum(pointing))
    total += (cutoff or 0.0) + (latest_off or 0.0) + (to_cutoff or 0.0) + (decide or 0.0)
    if event is not None:
        total += event.at_s
    if down is not None:
        total += sum(down)
    if detail is not None:
        for orbit in (detail.present_orbit, detail.predicted_orbit):
            total += sum(number for _, number in orbit_numbers("", orbit))
        total += sum(detail.landing or ()) + sum(detail.reach or ())
        total += sum((report.decide_at_s or 0.0) + (report.extra_kg or 0.0) for report in detail.divert)
    if arrivals is not None:
        total += sum(number for _, number in arrival_numbers(arrivals))
    return total


def first_not_finite(command: Command) -> tuple[str, float] | None:
    """The first number of the list that is infinite or none, and its name; None where the sum alone is too large."""
    return next(((name, value) for name, value in numbers_of(command) if not isfinite(value)), None)
