"""From opportunities to launches: corrected by a flown ascent, with target, release, window, cost and phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, pi

from guidance_svc.core.kepler import inclination_rad, node_rad
from guidance_svc.orbits.mean_elements import osculating_of_mean
from guidance_svc.orbits.values import Field, MeanOrbit
from guidance_svc.planning.windows.opportunities import (
    Opportunity,
    PlaneTarget,
    open_close,
    phase_angle_rad,
    phasing_time_s,
    plane_error_cost,
)

SLIP_S = 300.0  # the table's example of a late release


@dataclass(frozen=True, slots=True)
class Ascent:
    """What flights of one direction, northwards or southwards, came to; the same for every day.

    Args:
        ascending: which direction.
        azimuth_rad: heading over ground at lift-off.
        release_shift_s: release less the in-plane time of an impulsive launch.
        cutoff_after_s: from release to cutoff.
        cutoff: mean orbit at cutoff of the flight steered into the plane.
        mass_kg: at cutoff.
        exhaust_velocity_m_s: of the last stage.
        margin_kg: left above the reserve.
        plane_angle_rad: between its mean plane at cutoff and the target's.
        flights: how many were flown to find it.
    """

    ascending: bool
    azimuth_rad: float
    release_shift_s: float
    cutoff_after_s: float
    cutoff: MeanOrbit
    mass_kg: float
    exhaust_velocity_m_s: float
    margin_kg: float
    plane_angle_rad: float
    flights: int


@dataclass(frozen=True, slots=True)
class Margin:
    """What may be spent on the plane at the edges of a window: m/s or kg, one of them."""

    speed_m_s: float | None = None
    propellant_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Launch:
    """One launch of the calendar.

    Args:
        opportunity: of an impulsive launch.
        release_s, opens_s, closes_s: on the simulator's clock.
        azimuth_rad: over ground, as flown, or impulsive where nothing was flown.
        inclination_rad, node_rad: to aim for, osculating at cutoff.
        late: angle (rad), speed (m/s) and propellant (kg) of a release `SLIP_S` late; `early` the same before.
        phase_rad: how far the target is ahead at cutoff; None without a target's place.
        phasing_s: in the waiting orbit; None without one.
    """

    opportunity: Opportunity
    release_s: float
    opens_s: float
    closes_s: float
    azimuth_rad: float
    inclination_rad: float
    node_rad: float
    early: tuple[float, float, float]
    late: tuple[float, float, float]
    phase_rad: float | None = None
    phasing_s: float | None = None


def osculating_plane(mean: MeanOrbit, plane: tuple[float, float], field: Field) -> tuple[float, float]:
    """Inclination and node (rad) that an orbit must have at its epoch for its mean plane to be the one given.

    Args:
        mean: the orbit's shape and place along itself; its own plane does not count.
        plane: mean inclination and node, rad.
    """
    state = osculating_of_mean(replace(mean, inclination_rad=plane[0], node_rad=plane[1]), field)
    return inclination_rad(state.position_m, state.velocity_m_s), node_rad(state.position_m, state.velocity_m_s)


def launches(
    found: Sequence[Opportunity],
    plane: PlaneTarget,
    ascents: Sequence[Ascent],
    margin: Margin,
    field: Field,
    target: MeanOrbit | None = None,
    waiting: MeanOrbit | None = None,
) -> list[Launch]:
    """The launches of a calendar.

    Args:
        ascents: at most one of each direction; without one a launch is impulsive.
        target: the orbit of the vehicle to meet, for the phase.
        waiting: where the vehicle waits until it has drawn level.
    """
    by_side = {ascent.ascending: ascent for ascent in ascents}
    return [launch(one, plane, by_side.get(one.ascending), margin, field, target, waiting) for one in found]


def launch(
    one: Opportunity, plane: PlaneTarget, ascent: Ascent | None, margin: Margin, field: Field,
    target: MeanOrbit | None, waiting: MeanOrbit | None,
) -> Launch:  # fmt: skip
    """One launch of the calendar."""
    mass, speed = (ascent.mass_kg, ascent.exhaust_velocity_m_s) if ascent else (0.0, inf)
    opens, closes = open_close(one, margin.speed_m_s, margin.propellant_kg, mass, speed)
    shift = ascent.release_shift_s if ascent else 0.0
    release = one.time_s + shift
    cutoff_s = release + (ascent.cutoff_after_s if ascent else 0.0)
    aim, argument = plane.at(cutoff_s), one.argument_rad
    if ascent is not None:
        aim = osculating_plane(ascent.cutoff, aim, field)
        argument = ascent.cutoff.perigee_rad + ascent.cutoff.mean_anomaly_rad
    phase = None if target is None else phase_angle_rad(target, field, cutoff_s, argument)
    phasing = None
    if phase is not None and target is not None and waiting is not None:
        phasing = phasing_time_s(phase, waiting, target, field)
    return Launch(
        one, release, opens + shift, closes + shift, ascent.azimuth_rad if ascent else one.azimuth_ground_rad, *aim,
        plane_error_cost(one, -SLIP_S, mass, speed), plane_error_cost(one, SLIP_S, mass, speed), phase, phasing,
    )  # fmt: skip


def curve(one: Opportunity, around_s: float, count: int = 121) -> list[tuple[float, float, float]]:
    """(offset s, angle rad, speed m/s) around an in-plane time, for a plot."""
    half = min(around_s, pi / abs(one.turn_rate_rad_s))
    offsets = [half * (2.0 * k / (count - 1) - 1.0) for k in range(count)]
    return [(offset, *plane_error_cost(one, offset)[:2]) for offset in offsets]
