"""Panels of a whole flight, and of all vehicles on one clock."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from guidance_svc.core.frames import altitude_m
from guidance_svc.report.burns import LONGEST_COAST_S, Burns
from guidance_svc.report.flown import Flown
from guidance_svc.report.landing_panels import landing_groups
from guidance_svc.report.odm import fill
from guidance_svc.report.panels import Curve, Ink, Panel, View, Window, panels, span, thin_points, windows
from guidance_svc.report.track import LONGEST_GAP_S, Floats, vec

COAST_STEP_S = 30.0  # between computed points of a coast without states
VEHICLE_INKS: tuple[Ink, ...] = ("flown", "asked", "second", "third")


def panel_groups(flown: Flown, burns: Burns) -> list[tuple[str, list[Panel]]]:
    """Headings and their panels, in reading order; those without anything to show left out."""
    groups = [("The whole flight", whole_flight(flown, burns))]
    groups += [(window.title, panels(View(flown, burns, window))) for window in windows(flown, burns)]
    groups += landing_groups(flown, burns)
    return [(title, made) for title, made in groups if made]


def whole_flight(flown: Flown, burns: Burns) -> list[Panel]:
    """Altitude over time and the ground track, coasts filled in with computed points."""
    times, places = fill_coasts(flown)
    heights = np.array([altitude_m(vec(p), flown.plan.body, "ellipsoid") for p in places]) / 1e3
    bands = tuple((b.start_s, b.end_s) for b in burns.list)
    keep = thin_points(times, heights)
    height = Panel(f"Altitude above the ellipsoid, {span(heights, 'km')}", "km",
                   (Curve("altitude", "flown", times[keep], heights[keep]),), bands)  # fmt: skip
    ground = np.array([flown.ground_point_deg(float(t), p) for t, p in zip(times[keep], places[keep], strict=True)])
    x, y = without_wraps(ground[:, 0], ground[:, 1])
    title, unit, east = "Ground track, from the dot", "latitude, deg north", "longitude, deg east"
    return [height, Panel(title, unit, (Curve("", "flown", x, y),), x_label=east, map=True)]


def together(flights: Sequence[tuple[Flown, Burns]]) -> list[Panel]:
    """Altitude and speed of two to four vehicles on their clocks, until the last of them is in orbit."""
    if not 1 < len(flights) <= len(VEHICLE_INKS):
        return []
    ends = [w.end_s for flown, burns in flights for w in windows(flown, burns)[:1]]
    found = []
    for title, unit in (("Altitude above the ellipsoid, all vehicles", "km"), ("Inertial speed, all vehicles", "km/s")):
        curves = []
        for ink, (flown, burns) in zip(VEHICLE_INKS, flights, strict=False):
            view = View(flown, burns, Window("", -np.inf, max(ends), len(flown.seqs)))
            curves.append(view.curve(flown.name, ink, (flown.height_m if unit == "km" else flown.speed_m_s) / 1e3))
        found.append(Panel(title, unit, tuple(curves)))
    return found


def fill_coasts(flown: Flown) -> tuple[Floats, Floats]:
    """Times and positions, with points computed where the vehicle coasted without telling its state."""
    track = flown.track
    times: list[float] = []
    places: list[Floats] = []
    for i, (t, p) in enumerate(zip(track.times_s, track.positions_m, strict=True)):
        times.append(float(t))
        places.append(p)
        if i < len(track.gaps_s) and not track.engine_on[i] and LONGEST_GAP_S < track.gaps_s[i] < LONGEST_COAST_S:
            start = (float(t), vec(p), vec(track.velocities_m_s[i]))
            for when, place, _ in fill(start, float(track.times_s[i + 1]), flown.plan.body, COAST_STEP_S):
                times.append(when)
                places.append(np.array(place))
    return np.array(times), np.array(places)


def without_wraps(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Longitudes with a gap where they jump by a turn."""
    jumps = np.flatnonzero(np.abs(np.diff(x)) > 180.0) + 1
    return np.insert(x, jumps, np.nan), np.insert(y, jumps, np.nan)
