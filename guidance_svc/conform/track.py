"""A script's states as a path, and how well the path agrees with itself, with gravity and with its engine.

Everything is compared over windows of seconds, so that noise of single readings averages out, and counted in units of
the scatter that the readings themselves show, with a floor for what the comparison neglects.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, sqrt
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from guidance_svc.conform.record import Heard
from guidance_svc.core.frames import direction_to_bci, state_to_bci
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.vectors import add, along
from guidance_svc.domain import Body, Frame, LocalState, Vec, VehicleState
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.table import is_from_ground
from guidance_svc.playback.ways import comes_down
from guidance_svc.session.readings import Change
from guidance_svc.wire.messages import LOCAL_FIELDS

Floats = NDArray[np.float64]
Message = dict[str, Any]

WINDOW_S: Final = 10.0
FALL_WINDOW_S: Final = 30.0
SHORTEST_WINDOW_S: Final = 1.5
WIDEST_STEP_S: Final = 2.0  # between states; wider, a straight mean of two speeds says nothing
WIDEST_FALL_S: Final = 120.0  # without thrust the path is integrated, up to here
FALL_STEP_S: Final = 10.0  # RK4 steps of that; 1e-4 m over 120 s in a low orbit
KINEMATIC_FLOOR_M_S: Final = 0.5  # a mean of two speeds over a second of thrust is this wrong at most
FALL_FLOOR_M_S2: Final = 0.06  # the air above 70 km, and gravity beyond J2; the turning Earth makes 0.4 to 1.2
FALL_FLOOR_M_S: Final = 1.0
MOST_STATES: Final = 6000  # that are looked at; what comes after them is more of the same


@dataclass(frozen=True, slots=True)
class Track:
    """States in BCI, as one reading of the numbers has them; times rise.

    Args:
        time_s, mass_kg: n numbers.
        position_m, velocity_m_s, pointing: n rows; pointing is NaN where none was sent.
        burning, flying: n truths; flying is `flies_free`.
        heard: what each row was made from.
    """

    time_s: Floats
    position_m: Floats
    velocity_m_s: Floats
    mass_kg: Floats
    pointing: Floats
    burning: NDArray[np.bool_]
    flying: NDArray[np.bool_]
    heard: tuple[Heard, ...]


@dataclass(frozen=True, slots=True)
class Scatter:
    """How much single readings jump, one sigma an axis."""

    position_m: float
    velocity_m_s: float


@dataclass(frozen=True, slots=True)
class Misfit:
    """How badly a path agrees with itself and with gravity.

    Args:
        kinematic, fall: mean square over windows, in units of scatter and floor; about 1 or less where all is well.
        kinematic_m_s, fall_m_s2: median size.
        count: windows looked at.
    """

    kinematic: float
    fall: float
    kinematic_m_s: float
    fall_m_s2: float
    count: int

    @property
    def worst(self) -> float:
        """The larger of the two."""
        return max(self.kinematic, self.fall)


def track_of(heard: Sequence[Heard], frame: Frame, body: Body, change: Change | None) -> Track:
    """The path that a reading of the numbers gives.

    Args:
        change: applied to each state; None leaves it as it is.
    """
    rows, kept, last_s = [], [], -inf
    for one in heard[:MOST_STATES]:
        try:
            state = state_of(one.request)
            state = change(state) if change else state
            if state.time_s <= last_s:
                continue
            position, velocity = state_to_bci(state, frame, body)
            pointing = (float("nan"),) * 3
            if state.pointing_script is not None:
                pointing = direction_to_bci(state.pointing_script, frame, body, state.time_s)
        except (KeyError, TypeError, ValueError, ArithmeticError, GuidanceError):
            continue
        last_s = state.time_s
        rows.append((state.time_s, *position, *velocity, state.mass_kg, *pointing))
        kept.append(one)
    table = np.array(rows, dtype=float).reshape(-1, 11)
    return Track(
        table[:, 0], table[:, 1:4], table[:, 4:7], table[:, 7], table[:, 8:11],
        np.array([is_burning(one) for one in kept], dtype=bool),
        np.array([flies_free(one, body) for one in kept], dtype=bool), tuple(kept),
    )  # fmt: skip


def state_of(message: Message) -> VehicleState:
    """A message as numbers, unchecked: limits must not hide what is wrong with it."""
    local = position = velocity = None
    if "position_m" in message:
        (x, y, z), (u, v, w) = message["position_m"], message["velocity_m_s"]
        position, velocity = (float(x), float(y), float(z)), (float(u), float(v), float(w))
    else:
        lat, lon, *rest = (float(message[name]) for name in LOCAL_FIELDS)
        local = LocalState(float(np.radians(lat)), float(np.radians(lon)), rest[0], rest[1], rest[2], rest[3])
    pointing = message.get("pointing")
    return VehicleState(
        int(message["seq"]), float(message["time_s"]), float(message["mass_kg"]), position, velocity, local,
        pointing_script=None if pointing is None else (float(pointing[0]), float(pointing[1]), float(pointing[2])),
    )  # fmt: skip


def flies_free(one: Heard, body: Body) -> bool:
    """Whether nothing but gravity and the engine acts: not from the ground, nor down through the air to it."""
    phase = one.reply.get("phase", "")
    lands = comes_down(phase)
    stands = one.request.get("contact") is True or one.reply.get("status") == "complete"
    return not is_from_ground(phase) and not (lands and (stands or body.atmosphere != "none"))


def is_burning(one: Heard) -> bool:
    """Whether the engine burns by the state, or, where it does not say, by the order that it flew under."""
    if "engine_on" in one.request:
        return bool(one.request["engine_on"])
    if "thrust_n" in one.request:
        return bool(one.request["thrust_n"] > 0.0)
    return bool(one.reply.get("engine_on", False))


def windows(track: Track, usable: NDArray[np.bool_], length_s: float, widest_s: float) -> Iterator[tuple[int, int]]:
    """(first, last) of stretches in which all states are usable and near each other."""
    begin = None
    for k in range(len(track.time_s)):
        near = begin is not None and k > 0 and track.time_s[k] - track.time_s[k - 1] <= widest_s
        if begin is not None and (not usable[k] or not near):
            begin = None
        if begin is None:
            begin = k if usable[k] else None
        elif track.time_s[k] - track.time_s[begin] >= length_s:
            yield begin, k
            begin = k


def scatter_of(track: Track) -> Scatter:
    """From what neighbouring readings do not share, medians, so that jumps of staging do not count."""
    dt = np.diff(track.time_s)
    close = (dt <= WIDEST_STEP_S)[:, None] & np.ones((1, 3), dtype=bool)
    if close.sum() < 9:
        return Scatter(0.0, 0.0)
    step = np.diff(track.position_m, axis=0) - 0.5 * dt[:, None] * (track.velocity_m_s[1:] + track.velocity_m_s[:-1])
    jerk = np.diff(track.velocity_m_s, n=2, axis=0)
    velocity = spread(jerk) / sqrt(6.0) if len(jerk) else 0.0
    steps = np.diff(step[(dt <= WIDEST_STEP_S)], axis=0)
    return Scatter(spread(steps) / sqrt(6.0), velocity)


def spread(values: Floats) -> float:
    """One sigma, from the median size (1.4826 of it, for a normal distribution)."""
    return 1.4826 * float(np.median(np.abs(values))) if values.size else 0.0


def misfit_of(track: Track, body: Body, scatter: Scatter | None = None) -> Misfit:
    """How the path agrees with itself and with gravity; `scatter` of the declared reading serves all others."""
    noise = scatter or scatter_of(track)
    kinematic = [kinematic_gap(track, a, b) for a, b in kinematic_windows(track)]
    falls = [fall_gap(track, a, b, body) for a, b in fall_windows(track)]
    size = [float(np.linalg.norm(gap)) for gap, _ in kinematic]
    spans = [span for _, span in kinematic]
    units = [s / hypot(KINEMATIC_FLOOR_M_S, kinematic_noise(noise, t)) for s, t in zip(size, spans, strict=True)]
    fall_size, fall_units = [], []
    for position, velocity, span in falls:
        far, fast = float(np.linalg.norm(position)) / span, float(np.linalg.norm(velocity)) / span
        far_noise = sqrt(6.0) * noise.position_m / span + 4.0 * noise.velocity_m_s
        fast_noise = sqrt(6.0) * (noise.velocity_m_s / span + 1e-6 * noise.position_m)
        in_units = (far / hypot(FALL_FLOOR_M_S, far_noise), fast / hypot(FALL_FLOOR_M_S2, fast_noise))
        fall_units.append(max(in_units))
        fall_size.append(fast)
    return Misfit(square(units), square(fall_units), middle(size), middle(fall_size), len(units) + len(fall_units))


def kinematic_noise(noise: Scatter, span_s: float) -> float:
    """What scatter makes of a difference of positions over a time, all three axes, m/s."""
    return sqrt(6.0) * noise.position_m / span_s + sqrt(3.0) * noise.velocity_m_s / 3.0


def square(units: Sequence[float]) -> float:
    """Mean square, single freaks left out; 0 where nothing was to be seen."""
    if not units:
        return 0.0
    kept = sorted(min(u, 1e6) for u in units)[: max(1, int(0.9 * len(units)))]
    return float(np.mean(np.square(kept)))


def middle(sizes: Sequence[float]) -> float:
    """Median, 0 of nothing."""
    return float(np.median(sizes)) if sizes else 0.0


def kinematic_windows(track: Track) -> list[tuple[int, int]]:
    """Stretches of closely spaced states."""
    every = np.ones(len(track.time_s), dtype=bool)
    found = list(windows(track, every, WINDOW_S, WIDEST_STEP_S))
    return found or list(windows(track, every, SHORTEST_WINDOW_S, WIDEST_STEP_S))


def fall_windows(track: Track) -> list[tuple[int, int]]:
    """Stretches without thrust, out of the air."""
    free = ~track.burning & track.flying
    found = list(windows(track, free, FALL_WINDOW_S, WIDEST_FALL_S))
    return found or list(windows(track, free, SHORTEST_WINDOW_S, WIDEST_FALL_S))


def kinematic_gap(track: Track, a: int, b: int) -> tuple[Floats, float]:
    """Way made good minus the way that the speeds make, over the time; and that time."""
    t, v = track.time_s[a : b + 1], track.velocity_m_s[a : b + 1]
    way = np.sum(0.5 * np.diff(t)[:, None] * (v[1:] + v[:-1]), axis=0)
    span = float(t[-1] - t[0])
    return (track.position_m[b] - track.position_m[a] - way) / span, span


def fall_gap(track: Track, a: int, b: int, body: Body) -> tuple[Floats, Floats, float]:
    """Position and velocity after a stretch minus those of free fall from its beginning; and its length."""
    span = float(track.time_s[b] - track.time_s[a])
    position, velocity = fall_freely(vec(track.position_m[a]), vec(track.velocity_m_s[a]), span, body)
    return track.position_m[b] - np.array(position), track.velocity_m_s[b] - np.array(velocity), span


def fall_freely(position: Vec, velocity: Vec, span_s: float, body: Body) -> tuple[Vec, Vec]:
    """Free fall for a while: RK4 in gravity with J2."""
    count = max(1, int(np.ceil(span_s / FALL_STEP_S)))
    h = span_s / count

    def pull(at: Vec) -> Vec:
        return acceleration(at, body.mu_m3_s2, body.radius_m, body.j2)

    for _ in range(count):
        k1v, k1r = pull(position), velocity
        k2v, k2r = pull(along(position, h / 2, k1r)), along(velocity, h / 2, k1v)
        k3v, k3r = pull(along(position, h / 2, k2r)), along(velocity, h / 2, k2v)
        k4v, k4r = pull(along(position, h, k3r)), along(velocity, h, k3v)
        position = along(position, h / 6, along(add(k1r, k4r), 2.0, add(k2r, k3r)))
        velocity = along(velocity, h / 6, along(add(k1v, k4v), 2.0, add(k2v, k3v)))
    return position, velocity


def vec(row: Floats) -> Vec:
    """A row as plain floats."""
    return (float(row[0]), float(row[1]), float(row[2]))


def only(track: Track, keep: NDArray[np.bool_]) -> Track:
    """Some rows of a track."""
    chosen = tuple(one for one, wanted in zip(track.heard, keep, strict=True) if wanted)
    return replace(
        track, time_s=track.time_s[keep], position_m=track.position_m[keep], velocity_m_s=track.velocity_m_s[keep],
        mass_kg=track.mass_kg[keep], pointing=track.pointing[keep], burning=track.burning[keep],
        flying=track.flying[keep], heard=chosen,
    )  # fmt: skip
