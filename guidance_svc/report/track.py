"""One vehicle's recorded states as arrays, with what gravity and air did to them: what calibration works on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.frames import altitude_m
from guidance_svc.core.gravity import acceleration
from guidance_svc.domain import Body, Vec

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LONGEST_GAP_S = 5.0  # between states that are still integrated over: gravity turns by 0.3 deg in a low orbit
THROTTLE_STEP = 0.02  # a larger change between two states happened at an unknown instant between them
TURN_STEP_RAD = 0.1  # the same for the attitude
MASS_STEP_FRAC = 0.02  # a larger loss of mass, beyond three times the usual, is a stage or a cover dropped
LEAST_MOVE_M_S = 1.0  # over ground; slower is standing on the pad
NOISE_SIGMAS = 6.0


@dataclass(frozen=True)
class Track:
    """States in the order in which they were sent, all arrays of equal length n.

    Args:
        times_s: vehicle time.
        positions_m, velocities_m_s: (n, 3), BCI.
        masses_kg: as told.
        pointing: (n, 3) unit, BCI; NaN where neither told nor commanded.
        throttle_frac: as told, else as commanded; `throttle_as_set` of it.
        engine_on: as told, else as commanded.
        stage: index of the burning stage.
        thrust_n: as told; NaN where it was not.
        cutoff_at_s: what the reply to this state said; NaN for none.
        ignite_at_s: of the ignition event in the reply to this state; NaN for none.
        lit_frac: part of the stage's engines that burn, as told, else as commanded.
        bears: whether legs or arms bear, as told: 1, 0, NaN where it was not.
        body: with the gravity that the flight plan asks for.
    """

    times_s: Floats
    positions_m: Floats
    velocities_m_s: Floats
    masses_kg: Floats
    pointing: Floats
    throttle_frac: Floats
    engine_on: Bools
    stage: Ints
    thrust_n: Floats
    cutoff_at_s: Floats
    ignite_at_s: Floats
    lit_frac: Floats
    bears: Floats
    body: Body

    @cached_property
    def gaps_s(self) -> Floats:
        """From each state to the next, n - 1."""
        return np.diff(self.times_s)

    @cached_property
    def wind_m_s(self) -> Floats:
        """Velocity relative to air that turns with the body, (n, 3), BCI."""
        x, y = self.positions_m[:, 0], self.positions_m[:, 1]
        ground = self.body.rotation_rad_s * np.column_stack([-y, x, np.zeros_like(x)])
        return self.velocities_m_s - ground

    @cached_property
    def air(self) -> Floats:
        """Density (kg/m3), pressure (Pa) and speed of sound (m/s), (n, 3); zeros without an atmosphere."""
        if self.body.atmosphere == "none":
            return np.tile([0.0, 0.0, 1.0], (len(self.times_s), 1))
        rows = [air_of(self.body, altitude_m(vec(p), self.body, "ellipsoid"))[:3] for p in self.positions_m]
        return np.array(rows, dtype=float)

    @cached_property
    def mach(self) -> Floats:
        """Mach number against the air of the body's atmosphere; shape (n,)."""
        speed: Floats = np.linalg.norm(self.wind_m_s, axis=1)
        return speed / self.air[:, 2]

    @cached_property
    def gravity_m_s2(self) -> Floats:
        """Gravity at each state, BCI, shape (n, 3)."""
        b = self.body
        return np.array([acceleration(vec(p), b.mu_m3_s2, b.radius_m, b.j2) for p in self.positions_m])

    @cached_property
    def quick_noise_m_s(self) -> float:
        """Velocity noise, one sigma per axis, from third differences of neighbouring states; robust to jumps.

        Source: the third difference of white noise has 20 times its variance (1 + 9 + 9 + 1).
        """
        if len(self.times_s) < 5:
            return 0.0
        even = np.ptp(np.column_stack([self.gaps_s[i : len(self.gaps_s) - 2 + i] for i in range(3)]), axis=1) < 1e-3
        third = np.diff(self.velocities_m_s, n=3, axis=0)[even]
        return float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0)) if third.size else 0.0

    @cached_property
    def standing(self) -> Bools:
        """Whether the vehicle stands on the ground."""
        speed: Floats = np.linalg.norm(self.wind_m_s, axis=1)
        return np.asarray(speed < max(LEAST_MOVE_M_S, NOISE_SIGMAS * self.quick_noise_m_s))

    @cached_property
    def down(self) -> Bools:
        """Whether the vehicle stands or hangs: by its word, else engine off and no motion over ground."""
        still = self.standing & ~self.engine_on
        return np.where(np.isnan(self.bears), still, self.bears == 1.0)

    @cached_property
    def runs(self) -> Ints:
        """Number of the stretch without gaps that a state belongs to."""
        whole = (self.gaps_s > 0.0) & (self.gaps_s <= LONGEST_GAP_S)
        whole &= (np.diff(self.stage) == 0) & ~mass_dropped(self.masses_kg, self.gaps_s)
        return number_runs(whole)

    @cached_property
    def burns(self) -> Ints:
        """Number of the stretch in which moreover engine and throttle do not jump."""
        smooth = (np.diff(self.runs) == 0) & (self.engine_on[1:] == self.engine_on[:-1])
        return number_runs(smooth & (np.abs(np.diff(self.throttle_frac)) <= THROTTLE_STEP))

    @cached_property
    def pieces(self) -> Ints:
        """Number of the stretch in which moreover neither attitude nor hold-down jump."""
        cosine = np.einsum("ij,ij->i", self.pointing[1:], self.pointing[:-1])
        smooth = np.diff(self.burns) == 0
        smooth &= (self.standing[1:] == self.standing[:-1]) & ~(cosine < np.cos(TURN_STEP_RAD))
        return number_runs(smooth)

    def integral(self, rate: Floats) -> Floats:
        """Running integral over time by the trapezoid rule; flat over gaps."""
        joined = np.diff(self.runs) == 0
        half = np.where(joined, 0.5 * self.gaps_s, 0.0)
        steps = (half.reshape(-1, *([1] * (rate.ndim - 1)))) * (rate[1:] + rate[:-1])
        return np.concatenate([np.zeros((1, *rate.shape[1:])), np.cumsum(steps, axis=0)])


def number_runs(joined: Bools) -> Ints:
    """Numbers that rise by one wherever two neighbours are not joined."""
    return np.concatenate([[0], np.cumsum(~joined)]).astype(np.int64)


def throttle_as_set(throttle_frac: Floats, engine_on: Bools) -> Floats:
    """Told throttle, where it is 0 after ignition (no thrust yet) replaced by the one that comes, within that burn."""
    set_to = throttle_frac.copy()
    for i in range(len(set_to) - 2, -1, -1):
        if engine_on[i] and engine_on[i + 1] and set_to[i] == 0.0:
            set_to[i] = set_to[i + 1]
    return set_to


def mass_dropped(masses_kg: Floats, gaps_s: Floats) -> Bools:
    """Whether something was let go between a state and the next."""
    lost = -np.diff(masses_kg)
    rates = np.divide(lost, gaps_s, out=np.zeros_like(lost), where=gaps_s > 0.0)
    burning = rates[rates > 0.0]
    usual = float(np.median(burning)) if burning.size else 0.0
    return np.asarray(lost > MASS_STEP_FRAC * masses_kg[:-1] + 3.0 * usual * np.maximum(gaps_s, 0.0))


def vec(row: Floats) -> Vec:
    """A row as a tuple of floats."""
    return (float(row[0]), float(row[1]), float(row[2]))
