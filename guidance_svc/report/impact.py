"""Where many falls end: without thrust, with drag, over a turning body, all at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from guidance_svc.core.atmosphere import air_of
from guidance_svc.domain import Body
from guidance_svc.report.track import Bools, Floats

STEP_S: Final = 0.5  # of classical Runge-Kutta; from 60 km within 5 m of a step a fifth as long
MOST_STEPS: Final = 4000  # half an hour of falling; what still flies then has no impact point
AIR_STEP_M: Final = 250.0  # of the table of density and sound
AIR_TOP_M: Final = 120e3
DRAG_LIMIT: Final = 0.9  # of the speed lost in a step at most: thick air at high speed stays stable

Drag = tuple[float, Sequence[tuple[float, float]]]


def fall_to_height(
    places_m: Floats, speeds_m_s: Floats, masses_kg: Floats, body: Body, drag: Drag, radius_m: float
) -> tuple[Floats, Bools]:
    """Fall from each place until as far from the body's centre as the contact point is.

    Args:
        places_m, speeds_m_s: (n, 3), body-fixed axes, speed over ground.
        drag: reference area (m2) and the curve of Mach and coefficient; area 0 for none.
        radius_m: of the contact point.

    Returns:
        Where each comes down, body-fixed, and whether it does.

    Source: equations of motion in turning axes (centrifugal and Coriolis terms); J2 as core.gravity.
    """
    r, v, down = places_m.copy(), speeds_m_s.copy(), np.zeros(len(places_m), dtype=bool)
    fall = Fall(masses_kg, body, drag)
    for _ in range(MOST_STEPS):
        if down.all():
            break
        new_r, new_v = fall.step(r, v, STEP_S)
        lands = ~down & (np.linalg.norm(new_r, axis=1) <= radius_m)
        if lands.any():
            before, after = (np.linalg.norm(where, axis=1)[:, None] for where in (r, new_r))
            part = np.clip((before - radius_m) / np.maximum(before - after, 1e-9), 0.0, 1.0)
            new_r = np.where(lands[:, None], r + part * (new_r - r), new_r)
        r, v = np.where(down[:, None], r, new_r), np.where(down[:, None], v, new_v)
        down |= lands
    return r, down


class Fall:
    """The equations of motion of many falling vehicles in body-fixed axes."""

    def __init__(self, masses_kg: Floats, body: Body, drag: Drag) -> None:
        self.masses_kg, self.body, (self.area_m2, curve) = masses_kg, body, drag
        self.curve: Floats = np.array(curve or [(0.0, 0.0)], dtype=float)
        self.heights_m = np.arange(0.0, AIR_TOP_M + AIR_STEP_M, AIR_STEP_M)
        aired = body.atmosphere != "none" and self.area_m2 > 0.0
        rows = [air_of(body, float(h)) for h in self.heights_m] if aired else []
        self.air = np.array([(row[0], row[2]) for row in rows]) if rows else None

    def step(self, r: Floats, v: Floats, step_s: float) -> tuple[Floats, Floats]:
        """One step of the classical Runge-Kutta method."""
        a = self.pull(r, v)
        b = self.pull(r + 0.5 * step_s * v, v + 0.5 * step_s * a)
        c = self.pull(r + 0.5 * step_s * (v + 0.5 * step_s * a), v + 0.5 * step_s * b)
        d = self.pull(r + step_s * (v + 0.5 * step_s * b), v + step_s * c)
        return r + step_s * v + step_s * step_s / 6.0 * (a + b + c), v + step_s / 6.0 * (a + 2.0 * b + 2.0 * c + d)

    def pull(self, r: Floats, v: Floats) -> Floats:
        """Acceleration in the turning axes."""
        body, spin = self.body, self.body.rotation_rad_s
        size = np.linalg.norm(r, axis=1)[:, None]
        flat = 5.0 * (r[:, 2:] / size) ** 2
        oblate = 1.5 * body.j2 * (body.radius_m / size) ** 2
        a: Floats = -body.mu_m3_s2 / size**3 * r * (1.0 + oblate * (np.array([1.0, 1.0, 3.0]) - flat))
        a[:, :2] += spin * spin * r[:, :2] + 2.0 * spin * np.column_stack([v[:, 1], -v[:, 0]])
        return a if self.air is None else a - self.braking(r, v)

    def braking(self, r: Floats, v: Floats) -> Floats:
        """Deceleration by drag; the air ends at AIR_TOP_M."""
        assert self.air is not None
        size, speed = np.linalg.norm(r, axis=1), np.linalg.norm(v, axis=1)
        radius = self.body.radius_m * (1.0 - self.body.flattening * (r[:, 2] / size) ** 2)
        height = size - radius
        log_density = np.interp(height, self.heights_m, np.log(np.maximum(self.air[:, 0], 1e-300)))
        density = np.where(height > AIR_TOP_M, 0.0, np.exp(log_density))
        sound = np.interp(height, self.heights_m, self.air[:, 1])
        coefficient = np.interp(speed / sound, *self.curve.T)
        rate = np.minimum(0.5 * density * speed * coefficient * self.area_m2 / self.masses_kg, DRAG_LIMIT / STEP_S)
        return np.asarray(rate[:, None] * v)
