"""Orbit Parameter and Orbit Ephemeris Messages in key-value form, of a flown vehicle.

Source: CCSDS 502.0-B-2, Orbit Data Messages, sections 3 (OPM) and 5 (OEM; numbers from memory): km, km/s, kg, degrees;
epochs as calendar dates in UTC. Positions carry 9 places (1 micrometre), velocities 12, epochs a microsecond.
The vehicle's clock starts anywhere: `epoch` says which UTC its 0 is. Leap seconds are not counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from math import degrees

import numpy as np

from guidance_svc.constants import CAUTION
from guidance_svc.core.kepler import elements
from guidance_svc.core.vectors import cross, norm
from guidance_svc.domain import Body, Vec
from guidance_svc.errors import ConfigError
from guidance_svc.report.burns import LONGEST_COAST_S, follow_orbit
from guidance_svc.report.flown import Flown
from guidance_svc.report.track import LONGEST_GAP_S, vec

INVENTED_EPOCH = "2026-01-01T00:00:00"  # of vehicle time 0, where none is given
ORIGINATOR = "GUIDANCE-SVC"
FRAME = "EME2000"  # the standard's name for axes of an equator and an equinox; see FRAME_COMMENTS
FRAME_COMMENTS = (
    "Axes are those of the flight plan, not of any almanac: origin at the body's centre, z along its pole,",
    "x where nodes are counted from, right-handed, inertial. REF_FRAME names the nearest of the standard's frames.",
)
FILL_STEP_S = 60.0  # between computed points of an unpowered stretch without states: 3.9 deg of a low orbit
WIDTH = 240  # a comment longer than this is cut; the standard's lines have at most 254 characters


def parse_epoch(text: str, option: str = "--epoch") -> datetime:
    """A UTC date without zone, or with Z.

    Raises:
        ConfigError: no such date.
    """
    try:
        found = datetime.fromisoformat(text)
        if found.utcoffset():
            raise ValueError(text)
        return found.replace(tzinfo=None)
    except ValueError:
        raise ConfigError("bad_value", option, f"a date in UTC such as {INVENTED_EPOCH}", text) from None


def calendar(epoch: datetime, time_s: float) -> str:
    """UTC of a vehicle time, to the microsecond.

    Raises:
        ConfigError: the date is beyond the years 1 to 9999.
    """
    try:
        return (epoch + timedelta(seconds=time_s)).isoformat(timespec="microseconds")
    except OverflowError:
        expected = "an epoch that keeps all states within the years 1 to 9999"
        raise ConfigError("bad_value", "--epoch", expected, f"vehicle time {time_s:g} s") from None


def orbit_parameters(flown: Flown, epoch: datetime, created: datetime) -> str:
    """The OPM of a flight's last state, with its osculating elements where the orbit is closed."""
    track, body = flown.track, flown.plan.body
    position, velocity = vec(track.positions_m[-1]), vec(track.velocities_m_s[-1])
    lines = [*header("OPM", flown, epoch, created), "", *metadata(flown, body), ""]
    lines += ["COMMENT the vehicle's last recorded state", f"EPOCH = {calendar(epoch, float(track.times_s[-1]))}"]
    lines += [f"{axis} = {1e-3 * x:z.9f}" for axis, x in zip("XYZ", position, strict=True)]
    lines += [f"{axis}_DOT = {1e-3 * x:z.12f}" for axis, x in zip("XYZ", velocity, strict=True)]
    lines += keplerian(position, velocity, body)
    lines += ["", f"MASS = {float(track.masses_kg[-1]):z.6f}"]
    return "\n".join(lines) + "\n"


def keplerian(position_m: Vec, velocity_m_s: Vec, body: Body) -> list[str]:
    """The block of osculating elements; empty on an open path or straight up and down, where they say nothing."""
    if norm(cross(position_m, velocity_m_s)) < 1e-6 * norm(position_m) * norm(velocity_m_s):
        return []
    found = elements(position_m, velocity_m_s, body.mu_m3_s2)
    if not found.eccentricity < 1.0:
        return []
    return [
        "",
        "COMMENT osculating elements",
        f"SEMI_MAJOR_AXIS = {1e-3 * found.semi_major_axis_m:z.9f}",
        f"ECCENTRICITY = {found.eccentricity:z.12f}",
        f"INCLINATION = {degrees(found.inclination_rad):z.10f}",
        f"RA_OF_ASC_NODE = {degrees(found.node_rad):z.10f}",
        f"ARG_OF_PERICENTER = {degrees(found.argument_of_perigee_rad):z.10f}",
        f"TRUE_ANOMALY = {degrees(found.true_anomaly_rad):z.10f}",
        f"GM = {1e-9 * body.mu_m3_s2:z.9f}",
    ]


def ephemeris(flown: Flown, epoch: datetime, created: datetime) -> str:
    """The OEM of a flight: one segment from one change of thrust or stage to the next.

    Stretches without thrust and without states are filled with points computed in the flight plan's gravity, which a
    comment of their segment says. Where two states round to the same microsecond the later one is left out.
    """
    lines = header("OEM", flown, epoch, created)
    for first, last in segments(flown):
        lines += ["", *segment(flown, first, last, epoch)]
    return "\n".join(lines) + "\n"


def segments(flown: Flown) -> list[tuple[int, int]]:
    """First and last state of each stretch in which engine and stage stay as they are; neighbours share a state."""
    track = flown.track
    change = (track.engine_on[1:] != track.engine_on[:-1]) | (np.diff(track.stage) != 0)
    cuts = [0, *(int(i) + 1 for i in np.flatnonzero(change)), len(track.times_s) - 1]
    return [(a, b) for a, b in pairwise(cuts) if b > a]


def segment(flown: Flown, first: int, last: int, epoch: datetime) -> list[str]:
    """One segment with its metadata."""
    rows, computed = points(flown, first, last)
    lines = [(calendar(epoch, t), r, v) for t, r, v in rows]
    kept = [line for i, line in enumerate(lines) if i == 0 or line[0] > lines[i - 1][0]]
    times = (f"START_TIME = {kept[0][0]}", f"STOP_TIME = {kept[-1][0]}")
    text = ["META_START", *metadata(flown, flown.plan.body), *times, "META_STOP"]
    engine = "engine on" if flown.track.engine_on[first] else "engine off"
    text += ["", f"COMMENT {engine}, stage {int(flown.track.stage[first]) + 1}; {len(kept)} states"]
    if computed:
        text.append(f"COMMENT {computed} of them are computed, where the vehicle coasted without telling its state")
    for when, r, v in kept:
        text.append(" ".join([when, *(f"{1e-3 * x:z.9f}" for x in r), *(f"{1e-3 * x:z.12f}" for x in v)]))
    return text


def points(flown: Flown, first: int, last: int) -> tuple[list[tuple[float, Vec, Vec]], int]:
    """(vehicle time, position, velocity) of a stretch, coasts filled, and how many of them were computed."""
    track, rows, computed = flown.track, [], 0
    for i in range(first, last + 1):
        rows.append((float(track.times_s[i]), vec(track.positions_m[i]), vec(track.velocities_m_s[i])))
        if i < last and not track.engine_on[i] and LONGEST_GAP_S < track.gaps_s[i] < LONGEST_COAST_S:
            between = list(fill(rows[-1], float(track.times_s[i + 1]), flown.plan.body))
            rows += between
            computed += len(between)
    return rows, computed


def fill(
    start: tuple[float, Vec, Vec], until_s: float, body: Body, step_s: float = FILL_STEP_S
) -> Iterator[tuple[float, Vec, Vec]]:
    """Points of a coast, evenly between a state and a later time, both excluded; at most 2000."""
    time_s, position, velocity = start
    count = min(2000, int(np.ceil((until_s - time_s) / step_s)))
    span_s = (until_s - time_s) / max(count, 1)
    for k in range(1, count):
        position, velocity = follow_orbit(position, velocity, span_s, body)
        yield time_s + k * span_s, position, velocity


def header(kind: str, flown: Flown, epoch: datetime, created: datetime) -> list[str]:
    """Version, comments, creation date, originator."""
    zero = f"Vehicle time 0 is {epoch.isoformat()} UTC."
    texts = [f"Flight of {flown.name}, flight plan {flown.plan.name}.", zero, *FRAME_COMMENTS, CAUTION]
    return [
        f"CCSDS_{kind}_VERS = 2.0",
        *(f"COMMENT {plain(text)}" for text in texts),
        f"CREATION_DATE = {created.isoformat(timespec='seconds')}",
        f"ORIGINATOR = {ORIGINATOR}",
    ]


def metadata(flown: Flown, body: Body) -> Sequence[str]:
    """The object, its centre, frame and time system."""
    return (
        f"OBJECT_NAME = {plain(flown.name)}",
        f"OBJECT_ID = {plain(flown.vehicle)}",
        f"CENTER_NAME = {plain(body.name).upper()}",
        f"REF_FRAME = {FRAME}",
        "TIME_SYSTEM = UTC",
    )


def plain(text: str) -> str:
    """Text on one line in the standard's printable ASCII; anything else becomes a question mark."""
    return "".join(c if " " <= c <= "~" else "?" for c in text)[:WIDTH]
