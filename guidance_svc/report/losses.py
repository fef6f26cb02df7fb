"""Where the ideal velocity of each burn went: speed gained, gravity, drag, steering, out of plane, back pressure.

Per unit mass along the unit velocity v, with unit thrust axis u, and the thrust F being the vacuum thrust F0 less the
back pressure p A (p ambient pressure, A nozzle exit area):

    d|v|/dt = v.g + v.D/m + (F/m) v.u

so that the ideal velocity, the integral of F0/m, is the sum, each an integral over time, of

    speed gained     d|v|
    gravity          -v.g
    drag             -v.D/m
    out of plane     (F/m) (1 - cos b), b the angle between u and the plane of r and v
    steering         (F/m) (cos b - v.u)
    back pressure    p A/m
    held down        (F/m) while the vehicle cannot move

An ascent is counted with the velocity over ground (g then holds the centrifugal part; the Coriolis part does no
work), as air and pad turn with the body; a burn that begins in orbit with the inertial velocity; one that brakes a
fall with the velocity over ground reversed, so that what it gains is speed taken off, and drag is a gain.
Source: Sutton and Biblarz, Rocket Propulsion Elements, chapter 4 (forces along the flight path: F cos, D, W sin);
rocket equation, the same book, chapter 2 (both from memory). The split of the steering term into in plane and out of
plane is this module's definition, exact by construction.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Literal

import numpy as np

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.frames import altitude_m
from guidance_svc.core.gravity import acceleration
from guidance_svc.domain import Stage, Vehicle
from guidance_svc.report.track import LONGEST_GAP_S, NOISE_SIGMAS, Bools, Floats, Track, mass_dropped, vec

AT_REST_M_S = 0.01  # over ground: a vehicle held down; more with noise
HIDDEN_BURN_FRAC = 1e-4  # of the mass, gone between two states with the engine off at both: a burn in between
NEARLY_VACUUM_FRAC = 1e-4  # back pressure over thrust below which drag bends no path
STEADY_FRAC = 0.01  # between two states: thrust that changes less serves for the exhaust velocity
Counted = Literal["over ground", "inertial", "braking"]  # braking: over ground, each share with the sign of a stop


@dataclass(frozen=True, slots=True)
class Losses:
    """Shares of an ideal velocity, m/s; see the module."""

    ideal_m_s: float
    gained_m_s: float
    gravity_m_s: float
    drag_m_s: float
    steering_m_s: float
    out_of_plane_m_s: float
    back_pressure_m_s: float
    held_m_s: float

    @property
    def rest_m_s(self) -> float:
        """What the shares leave of the ideal velocity: errors of data, engine or drag figures."""
        return 2.0 * self.ideal_m_s - sum(float(getattr(self, f.name)) for f in fields(self))

    def __add__(self, other: Losses) -> Losses:
        return Losses(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


NOTHING = Losses(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Budget:
    """The integrands of one flight, summed between neighbouring states.

    Args:
        track: of the flight.
        vehicle: drag, nozzle exit areas, and the engines where thrust was not told.
        off_at_s: between two states, n - 1: vehicle time at which the engine is known to have stopped; NaN for none.
    """

    track: Track
    vehicle: Vehicle
    off_at_s: Floats

    def stage(self, index: int) -> Stage:
        """The stage of that index; the last one where the plan has fewer."""
        return self.vehicle.stages[min(max(index, 0), len(self.vehicle.stages) - 1)]

    @cached_property
    def dropped(self) -> Bools:
        """Whether a stage or a cover went between two states, n - 1."""
        track = self.track
        parted: Bools = np.diff(track.stage) != 0
        return parted | mass_dropped(track.masses_kg, track.gaps_s)

    @cached_property
    def burning(self) -> Bools:
        """Whether the engine burns between two states, in part at least, n - 1."""
        on, masses = self.track.engine_on, self.track.masses_kg
        hidden: Bools = ~self.dropped & (-np.diff(masses) > HIDDEN_BURN_FRAC * masses[:-1])
        on_or_lit: Bools = on[:-1] | (on[1:] & ~self.dropped)
        return on_or_lit | hidden

    @cached_property
    def gap(self) -> Bools:
        """Whether two states are too far apart to integrate between: gravity's share is then what closes the sum."""
        return np.asarray(self.track.gaps_s > LONGEST_GAP_S)

    @cached_property
    def burnt_kg(self) -> Floats:
        """Propellant between two states, n - 1: the loss of mass; flow times time where something was dropped."""
        track, burnt = self.track, -np.diff(self.track.masses_kg)
        flow = 0.0
        for i, gap_s in enumerate(track.gaps_s):
            if self.dropped[i]:
                burnt[i] = flow * np.fmin(gap_s, self.off_at_s[i] - track.times_s[i]) if track.engine_on[i] else 0.0
            elif track.engine_on[i] and gap_s > 0.0:
                flow = burnt[i] / gap_s
        return np.where(self.burning, np.maximum(burnt, 0.0), 0.0)

    @cached_property
    def exhaust_velocity_m_s(self) -> dict[int, tuple[float, bool]]:
        """By stage: exhaust velocity in vacuum, and whether it is from told thrust (else the plan's)."""
        found: dict[int, tuple[float, bool]] = {}
        for index in sorted({int(s) for s in self.track.stage}):
            stage = self.stage(index)
            vacuum = self.track.thrust_n + stage.exit_area_m2 * self.track.lit_frac * self.track.air[:, 1]
            steady = np.abs(np.diff(vacuum)) < STEADY_FRAC * vacuum[:-1]
            use = steady & self.burning & ~self.dropped & (self.track.stage[:-1] == index) & (self.burnt_kg > 0.0)
            use &= (self.track.thrust_n[:-1] > 0.0) & (self.track.thrust_n[1:] > 0.0)
            burnt = float(np.sum(self.burnt_kg[use]))
            impulse = float(np.sum((0.5 * (vacuum[1:] + vacuum[:-1]) * self.track.gaps_s)[use]))
            found[index] = (impulse / burnt, True) if burnt > 0.0 else (stage.exhaust_velocity_m_s, False)
        return found

    @cached_property
    def ideal(self) -> Floats:
        """Ideal velocity between two states, by the rocket equation, m/s."""
        speeds = np.array([self.exhaust_velocity_m_s[int(s)][0] for s in self.track.stage[:-1]])
        return np.asarray(-speeds * np.log1p(-self.burnt_kg / self.track.masses_kg[:-1]))

    @cached_property
    def back_pressure_frac(self) -> Floats:
        """Back pressure over vacuum thrust, between two states."""
        track = self.track
        areas = self.track.lit_frac * np.array([self.stage(int(s)).exit_area_m2 for s in track.stage])
        engines = self.track.lit_frac * np.array([self.stage(int(s)).thrust_n for s in track.stage])
        planned = engines * np.maximum(track.throttle_frac, 1e-3)
        pressure = areas * track.air[:, 1]
        told = np.where(track.thrust_n > 0.0, track.thrust_n + pressure, np.nan)
        vacuum = np.where(np.isnan(track.thrust_n), planned, told)
        share = np.divide(pressure, vacuum, out=np.full_like(pressure, np.nan), where=vacuum > 0.0)
        return np.minimum(np.nan_to_num(ends_mean(share)), 1.0)

    @cached_property
    def axis(self) -> Floats:
        """Thrust axis between two states, (n - 1, 3): `turned_frac` of the way from the first told to the second."""
        first, last = self.track.pointing[:-1], self.track.pointing[1:]
        axis = first + self.turned_frac * (last - first)
        return np.where(np.isnan(axis), np.where(np.isnan(first), last, first), axis)

    @cached_property
    def turned_frac(self) -> float:
        """How much of the turn between two told attitudes the mean thrust in between has made.

        0.5 for a vehicle that turns evenly, 1 for one that takes each command at once; fitted to the velocities where
        they are good enough for that (0.1, one sigma), else 0.5.
        """
        track, use = self.track, self.burning & ~self.dropped & (self.track.gaps_s <= LONGEST_GAP_S)
        use &= (self.back_pressure_frac < NEARLY_VACUUM_FRAC) & track.engine_on[:-1] & track.engine_on[1:]
        turn = np.diff(track.pointing, axis=0)
        push = np.diff(track.velocities_m_s, axis=0) - track.gaps_s[:, None] * ends_mean(track.gravity_m_s2)
        off = unit_rows(push) - track.pointing[:-1]
        use &= np.isfinite(turn).all(axis=1) & np.isfinite(off).all(axis=1)
        turn, off = turn[use], off[use]
        total = float(np.sum(turn**2))
        if total == 0.0:
            return 0.5
        frac = float(np.sum(off * turn)) / total
        sigma = float(np.std(off - frac * turn)) / np.sqrt(total)
        return min(1.0, max(0.0, frac)) if sigma < 0.1 else 0.5

    def shares(self, counted: Counted) -> dict[str, Floats]:
        """Each term of the sum between two states, m/s, n - 1; the keys are the fields of `Losses` without unit."""
        track, ground, sign = self.track, counted != "inertial", -1.0 if counted == "braking" else 1.0
        rate, speeds = (track.body.rotation_rad_s, track.wind_m_s) if ground else (0.0, track.velocities_m_s)
        size: Floats = np.linalg.norm(speeds, axis=1)
        gained, thrust = sign * np.diff(size), self.ideal * (1.0 - self.back_pressure_frac)
        straight = sign * np.einsum("ij,ij->i", ends_mean(unit_rows(speeds)), self.axis)
        sine = np.einsum("ij,ij->i", ends_mean(unit_rows(np.cross(track.positions_m, speeds))), self.axis)
        level = np.sqrt(1.0 - np.minimum(np.nan_to_num(sine) ** 2, 1.0))
        straight = np.where(np.isnan(straight), level, straight)
        free = self.free_frac(gained) if ground else np.ones_like(gained)
        gravity, drag = (sign * share for share in self.along(rate))
        drag = np.where(self.gap, 0.0, drag)
        gravity = np.where(self.gap, thrust * straight - gained, gravity)
        return {
            "ideal": self.ideal, "gained": gained, "gravity": free * gravity, "drag": free * drag,
            "steering": free * thrust * (level - straight), "out_of_plane": free * thrust * (1.0 - level),
            "back_pressure": self.ideal - thrust, "held": (1.0 - free) * thrust,
        }  # fmt: skip

    def free_frac(self, gained: Floats) -> Floats:
        """Part of each stretch in which the vehicle is free to move; less than 1 only where it starts from rest."""
        size: Floats = np.linalg.norm(self.track.wind_m_s, axis=1)
        rest = size < max(AT_REST_M_S, NOISE_SIGMAS * self.track.quick_noise_m_s)
        free = np.ones_like(gained)
        free[rest[:-1] & rest[1:]] = 0.0
        for i in np.flatnonzero(rest[:-1] & ~rest[1:]):
            pull = float(np.linalg.norm(self.track.gravity_m_s2[i]))
            push = self.ideal[i] * (1.0 - self.back_pressure_frac[i])
            net = push - pull * self.track.gaps_s[i]
            free[i] = min(1.0, max(0.0, gained[i] / net)) if net > 0.0 else 1.0
        return free

    def along(self, rate_rad_s: float) -> tuple[Floats, Floats]:
        """Gravity and drag shares between two states, by Simpson's rule with a cubic midpoint.

        Args:
            rate_rad_s: of the turning axes in which speed is counted; 0 for inertial ones.
        """
        track = self.track
        r, v, h = track.positions_m, track.velocities_m_s, track.gaps_s[:, None]
        middle, speed = 0.5 * (r[1:] + r[:-1]) + h / 8.0 * (v[:-1] - v[1:]), 0.5 * (v[1:] + v[:-1])
        masses = 0.5 * (track.masses_kg[1:] + track.masses_kg[:-1])
        ends, between = self.pulls(r, v, track.masses_kg, rate_rad_s), self.pulls(middle, speed, masses, rate_rad_s)
        gravity, drag = (simpson(e, m, track.gaps_s) for e, m in zip(ends, between, strict=True))
        return gravity, drag

    def pulls(self, r: Floats, v: Floats, mass: Floats, rate_rad_s: float) -> tuple[Floats, Floats]:
        """Deceleration along the path by gravity and by drag at some points, m/s2."""
        body = self.track.body
        spin = np.column_stack([-r[:, 1], r[:, 0], np.zeros(len(r))])
        wind = v - body.rotation_rad_s * spin
        path = unit_rows(v - rate_rad_s * spin)
        g = np.array([acceleration(vec(p), body.mu_m3_s2, body.radius_m, body.j2) for p in r])
        g[:, :2] += rate_rad_s**2 * r[:, :2]
        gravity = -np.einsum("ij,ij->i", path, g)
        if body.atmosphere == "none" or self.vehicle.drag_area_m2 == 0.0:
            return gravity, np.zeros(len(r))
        density, _, sound = np.array([air_of(body, altitude_m(vec(p), body, "ellipsoid"))[:3] for p in r]).T
        size: Floats = np.linalg.norm(wind, axis=1)
        machs, coefficients = zip(*self.vehicle.drag_curve, strict=True)
        area = self.vehicle.drag_area_m2 * np.interp(size / sound, machs, coefficients)
        return gravity, 0.5 * density * size * area * np.einsum("ij,ij->i", path, wind) / mass

    def losses(self, first: int, last: int, counted: Counted) -> Losses:
        """The sums from state `first` to state `last`."""
        shares = self.inertial if counted == "inertial" else self.braked if counted == "braking" else self.over_ground
        return Losses(*(float(np.sum(shares[f.name[:-4]][first:last])) for f in fields(Losses)))

    @cached_property
    def over_ground(self) -> dict[str, Floats]:
        """`shares` with the velocity over ground."""
        return self.shares("over ground")

    @cached_property
    def braked(self) -> dict[str, Floats]:
        """`shares` of a stop."""
        return self.shares("braking")

    def along_way(self, first: int, last: int) -> float:
        """Cosine between thrust and the way over ground from state `first` to `last`, the ideal velocity's mean."""
        cosine = np.einsum("ij,ij->i", ends_mean(unit_rows(self.track.wind_m_s)), self.axis)[first:last]
        ideal = self.ideal[first:last]
        return float(np.nansum(ideal * cosine) / max(np.sum(ideal), 1e-9))

    def pushed_m_s(self, first: int, last: int) -> float:
        """Size of the velocity that the thrust gave from state `first` to `last`, back pressure taken off."""
        given = (self.ideal * (1.0 - self.back_pressure_frac))[first:last, None] * self.axis[first:last]
        return float(np.linalg.norm(np.nansum(given, axis=0)))

    @cached_property
    def inertial(self) -> dict[str, Floats]:
        """`shares` with the inertial velocity."""
        return self.shares("inertial")


def simpson(ends: Floats, between: Floats, gaps_s: Floats) -> Floats:
    """Integral over each stretch from its two ends and its middle; an end without value (at rest) is left out."""
    first, last = (np.where(np.isnan(end), between, end) for end in (ends[:-1], ends[1:]))
    return np.nan_to_num(gaps_s / 6.0 * (first + last + 4.0 * between))


def ends_mean(values: Floats) -> Floats:
    """Mean of both ends of each stretch; where one end has no value, the other's."""
    a, b = values[:-1], values[1:]
    return np.asarray(0.5 * (np.where(np.isnan(a), b, a) + np.where(np.isnan(b), a, b)))


def unit_rows(vectors: Floats) -> Floats:
    """Rows made unit; NaN for those without direction."""
    size = np.linalg.norm(vectors, axis=1, keepdims=True)
    units: Floats = np.divide(vectors, size, out=np.full_like(vectors, np.nan), where=size > AT_REST_M_S)
    return units
