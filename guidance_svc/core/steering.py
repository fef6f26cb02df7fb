"""Explicit steering to an insertion target: the major cycle.

The thrust direction is p(t)/|p(t)|, p'' = G p from (p, p') now (see core.arcs); unknowns are p, p' and the
burn time T, seven numbers, one of them scale. The conditions are the target's (radius, energy, radial speed,
plane) and, for every freedom that the target leaves, that the burn be stationary in it: gravity of a sphere
looks the same from every side, so the vector

    C = v x p - r x p'

is constant along an optimal burn and has no part along the axis of a free rotation (Noether). Place along the
orbit free: C . normal = 0. Node free as well: C . z = 0. Plane free: C = 0. Newton's method on the seven,
with the predictor of core.arcs.

The family: C. H. Jaggers 1977 (AIAA 77-1051) and R. L. McHenry et al. 1979, whose linear-tangent law fixes p'
by a reference time; solving for the vectors themselves saves 0.05 to 0.24 % of propellant on long flat burns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import ceil, cos, inf, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from guidance_svc.core.arcs import fly_arc
from guidance_svc.core.burns import Arc, allot, gain_m_s
from guidance_svc.core.effort import CALL_STEPS, SOLUTION_STEPS, left, spend, spent
from guidance_svc.core.vectors import along, cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Body, Target, Vec
from guidance_svc.errors import NotConverged

RESIDUAL_MET = 3e-8  # 20 cm, 0.2 mm/s: no further step is worth its time
RESIDUAL_CONVERGED = 3e-6  # 20 m, 2 cm/s: the law is the true one; the next cycles take the rest off
DIFFERENCE = 1e-6  # of the dimensionless unknowns in the Jacobian

CHORD_GAIN = 0.1  # an old Jacobian is good enough while its step shrinks the residual to this part
PREDICTION_STEPS = 64  # in all arcs together: what four arcs of the longest kind ask for
PREDICTION_OVERHEAD = 3  # what a prediction and its conditions cost besides, in steps
STEP_PREDICTIONS = 8  # at most in one Newton step, besides one for each unknown
SOLVE_STEPS = 1200  # in one call, after which no further Newton step is begun; the usual one takes 70 to 1000

Unknowns = NDArray[np.float64]
Slope = NDArray[np.float64]
Residual = Callable[[Unknowns], Unknowns]


@dataclass(frozen=True, slots=True)
class Steering:
    """The steering law as solved at one instant.

    Args:
        epoch_s: vehicle time to which `steer` belongs.
        steer, steer_rate: p and p', BCI; |p| = 1 at the solution.
        burn_s: burn time from epoch to cutoff, coasts not counted.
        cutoff_s: vehicle time of cutoff, coasts counted.
        position_m, velocity_m_s: predicted at cutoff, BCI.
        position_miss_m, velocity_miss_m_s: left at cutoff, of the conditions that the target sets.
        converged: whether every condition that this step solved for is met.
        gain_m_s: ideal speed gain of the burn: what the law costs, whatever the engine gives.
        slope: Jacobian of the conditions, for the next cycle to begin with.
    """

    epoch_s: float
    steer: Vec
    steer_rate: Vec
    burn_s: float
    cutoff_s: float
    position_m: Vec = (0.0, 0.0, 0.0)
    velocity_m_s: Vec = (0.0, 0.0, 0.0)
    position_miss_m: float = inf
    velocity_miss_m_s: float = inf
    converged: bool = False
    gain_m_s: float = inf
    slope: Slope | None = field(default=None, compare=False, repr=False)

    def vector_at(self, time_s: float) -> Vec:
        """Steering vector at a vehicle time near `epoch_s`: linear in time (1 s: error under 2e-6 rad)."""
        return along(self.steer, time_s - self.epoch_s, self.steer_rate)

    def advanced(self, time_s: float, body: Body, position_m: Vec) -> Steering:
        """The same law with its epoch moved; the vectors turn with the gravity at `position_m`."""
        dt = time_s - self.epoch_s
        r2 = dot(position_m, position_m)
        k = -body.mu_m3_s2 / (r2 * sqrt(r2))
        s = 3.0 * dot(position_m, self.steer) / r2
        turn = scale(k, along(self.steer, -s, position_m))
        steer = along(along(self.steer, dt, self.steer_rate), 0.5 * dt * dt, turn)
        burn = max(self.burn_s - dt, 0.0)
        return replace(self, epoch_s=time_s, steer=steer, steer_rate=along(self.steer_rate, dt, turn), burn_s=burn)


@dataclass(frozen=True, slots=True)
class Problem:
    """One burn to solve: where the vehicle is, what it can burn, what it must reach.

    Args:
        target: None asks for a circular orbit at whatever radius the burn ends, in the present plane.
        offset_m_s: radial and level speed at the end over the osculating circle's, where that is asked for.
        tail_m_s: speed that the tail-off gives along the last direction, at once, after the cutoff.
    """

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    arcs: tuple[Arc, ...]
    target: Target | None
    body: Body
    offset_m_s: tuple[float, float] = (0.0, 0.0)
    tail_m_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """Where a steering law leads: time of flight, state and steering vectors at cutoff."""

    total_s: float
    position_m: Vec
    velocity_m_s: Vec
    steer: Vec
    steer_rate: Vec


def plane_normal(inclination_rad: float, node_rad: float) -> Vec:
    """Unit normal of an orbit plane, BCI."""
    s = sin(inclination_rad)
    return (s * sin(node_rad), -s * cos(node_rad), cos(inclination_rad))


def steps_for(arc: Arc, duration_s: float) -> int:
    """Integrator steps for one arc: 60 s each, more where the acceleration climbs, 2 to 16."""
    burnt = 1.0 - arc.mass_after_kg(duration_s) / arc.mass_kg if arc.powered else 0.0
    return min(16, max(2, ceil(duration_s / 60.0 + 8.0 * burnt)))


def steps_of(parts: list[tuple[Arc, float]]) -> list[int]:
    """Integrator steps for each arc of a burn; fewer where many arcs would ask for more than PREDICTION_STEPS."""
    steps = [steps_for(arc, duration) for arc, duration in parts]
    total = sum(steps)
    if total > PREDICTION_STEPS:
        steps = [max(1, count * PREDICTION_STEPS // total) for count in steps]
    return steps


def predict(problem: Problem, steer: Vec, steer_rate: Vec, burn_s: float) -> Arrival:
    """Fly the law to cutoff, tail-off included."""
    r, v, total = problem.position_m, problem.velocity_m_s, 0.0
    body = problem.body
    parts = allot(problem.arcs, burn_s)
    counts = steps_of(parts)
    spend(sum(counts) + CALL_STEPS * len(parts) + PREDICTION_OVERHEAD)
    for (arc, duration), count in zip(parts, counts, strict=True):
        r, v, steer, steer_rate = fly_arc(
            r, v, steer, steer_rate, arc.mass_kg, arc.thrust_n, arc.exhaust_velocity_m_s, arc.held_m_s2,
            duration, count, body.mu_m3_s2, body.radius_m, body.j2,
        )  # fmt: skip
        total += duration
    if problem.tail_m_s != 0.0:
        v = along(v, problem.tail_m_s, unit(steer))
    return Arrival(total, r, v, steer, steer_rate)


def target_normal(target: Target | None) -> Vec | None:
    """The wanted normal where the plane is fixed; also for inclination alone where the equator leaves no node."""
    if target is None:
        return None
    if target.plane == "inclination_and_node":
        return plane_normal(target.inclination_rad, target.node_rad)
    if target.plane == "inclination" and sin(target.inclination_rad) < 1e-6:
        return (0.0, 0.0, 1.0 if target.inclination_rad < 1.0 else -1.0)
    return None


class Conditions:
    """The conditions at cutoff, made dimensionless: lengths over the cutoff radius, speeds over circular speed."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        target, mu = problem.target, problem.body.mu_m3_s2
        self.length_m = target.cutoff_radius_m if target else norm(problem.position_m)
        self.speed_m_s = sqrt(mu / self.length_m)
        self.time_s = self.length_m / self.speed_m_s
        self.energy = 0.5 * target.cutoff_speed_m_s**2 - mu / target.cutoff_radius_m if target else 0.0
        self.radial_m_s = problem.offset_m_s[0]
        if target:
            self.radial_m_s = target.cutoff_speed_m_s * sin(target.cutoff_flight_path_angle_rad)
        self.normal = target_normal(target)

    def energy_excess(self, arrival: Arrival) -> float:
        """Orbital energy above the target's, or above that of the circle through the place reached."""
        r, v = arrival.position_m, arrival.velocity_m_s
        potential = self.problem.body.mu_m3_s2 / norm(r)
        wanted = self.energy
        if self.problem.target is None:
            radial, level = self.problem.offset_m_s
            wanted = 0.5 * ((sqrt(potential) + level) ** 2 + radial**2) - potential
        return (0.5 * dot(v, v) - potential - wanted) / self.speed_m_s**2

    def velocity(self, arrival: Arrival) -> list[float]:
        """Energy and radial speed."""
        r, v = arrival.position_m, arrival.velocity_m_s
        return [self.energy_excess(arrival), (dot(r, v) / norm(r) - self.radial_m_s) / self.speed_m_s]

    def plane_velocity(self, arrival: Arrival) -> list[float]:
        """Direction of the orbit plane at cutoff: none, inclination, or speed across a fixed plane."""
        if self.normal is not None:
            return [dot(arrival.velocity_m_s, self.normal) / self.speed_m_s]
        if self.problem.target is None or self.problem.target.plane == "free":
            return []
        h = cross(arrival.position_m, arrival.velocity_m_s)
        return [h[2] / norm(h) - cos(self.problem.target.inclination_rad)]

    def position(self, arrival: Arrival) -> list[float]:
        """Radius, and distance from a fixed plane."""
        out = [(norm(arrival.position_m) - self.length_m) / self.length_m]
        if self.normal is not None:
            out.append(dot(arrival.position_m, self.normal) / self.length_m)
        return out

    def stationary(self, arrival: Arrival, steer: Vec, steer_rate: Vec) -> list[float]:
        """Parts of C = v x p - r x p' along the axes of the freedoms that the target leaves."""
        r, v = self.problem.position_m, self.problem.velocity_m_s
        c = scale(1.0 / self.speed_m_s, sub(cross(v, steer), cross(r, steer_rate)))
        if self.normal is not None:
            return [dot(c, self.normal)]
        if self.problem.target is None or self.problem.target.plane == "free":
            return list(c)
        return [c[2], dot(c, unit(cross(arrival.position_m, arrival.velocity_m_s)))]

    def law(self, x: Unknowns) -> tuple[Vec, Vec, float]:
        """Steering vector, its rate and burn time from the seven dimensionless unknowns."""
        k = 1.0 / self.time_s
        steer = (float(x[0]), float(x[1]), float(x[2]))
        return steer, (float(x[3]) * k, float(x[4]) * k, float(x[5]) * k), float(x[6]) * self.time_s

    def solve(
        self,
        residual: Residual,
        x: Unknowns,
        limit: Unknowns,
        iterations: int,
        slope: Slope | None,
        whole: Callable[[Unknowns], Unknowns] = lambda x: x,
    ) -> Steering:
        """Newton from x until the conditions are met or the steps are used up.

        Args:
            slope: Jacobian of the last cycle; used as long as it serves.
            whole: gives all seven unknowns from x.
        """
        begun = spent()
        g = residual(x)
        needed = (len(x) + STEP_PREDICTIONS) * (spent() - begun) + 3 * SOLUTION_STEPS
        if slope is not None and slope.shape != (len(g), len(x)):
            slope = None
        for _ in range(iterations):
            if float(np.max(np.abs(g))) < RESIDUAL_MET or spent() - begun > SOLVE_STEPS or left() < needed:
                break
            step = chord_step(residual, x, g, slope) if slope is not None else None
            if step is None:
                slope = slope_at(residual, x, g)
                step = newton_step(residual, x, g, slope, limit)
            x, g = step
            x[-1] = max(x[-1], 1e-7)
        met = bool(float(np.max(np.abs(g))) < RESIDUAL_CONVERGED)
        return replace(self.packed(whole(x), met), slope=slope)

    def packed(self, x: Unknowns, met: bool) -> Steering:
        """The solution with its prediction and what is left to miss."""
        law = self.law(x)
        arrival = predict(self.problem, *law)
        position = self.length_m * float(np.linalg.norm(self.position(arrival)))
        speed = [self.speed_m_s * k for k in self.velocity(arrival) + self.plane_velocity(arrival)]
        start = self.problem.time_s
        return Steering(
            start, law[0], law[1], law[2], start + arrival.total_s, arrival.position_m, arrival.velocity_m_s,
            position, float(np.linalg.norm(speed)), met, gain_m_s(self.problem.arcs, law[2]),
        )  # fmt: skip


def least_squares(slope: Slope, g: Unknowns) -> Unknowns:
    """The step that a Jacobian asks for.

    Raises:
        NotConverged: the residual or the Jacobian is not finite; the solver would print and guess.
    """
    if not (np.isfinite(g).all() and np.isfinite(slope).all()):
        raise NotConverged("not_finite", "steering", "finite residuals", "infinity or NaN")
    spend(SOLUTION_STEPS)
    return np.asarray(np.linalg.lstsq(slope, -g, rcond=1e-11)[0], dtype=np.float64)


def slope_at(residual: Residual, x: Unknowns, g: Unknowns) -> Slope:
    """Jacobian by finite differences."""
    slope = np.empty((len(g), len(x)))
    for k in range(len(x)):
        y = x.copy()
        y[k] += DIFFERENCE
        slope[:, k] = (residual(y) - g) / DIFFERENCE
    return slope


def chord_step(residual: Residual, x: Unknowns, g: Unknowns, slope: Slope) -> tuple[Unknowns, Unknowns] | None:
    """A step with an old Jacobian: one evaluation instead of nine; None where it does not gain enough."""
    y = x + least_squares(slope, g)
    trial = residual(y)
    return (y, trial) if float(np.linalg.norm(trial)) < CHORD_GAIN * float(np.linalg.norm(g)) else None


def newton_step(
    residual: Residual, x: Unknowns, g: Unknowns, slope: Slope, limit: Unknowns
) -> tuple[Unknowns, Unknowns]:
    """One Newton step, bounded by `limit` and shortened while it does not help."""
    dx = least_squares(slope, g)
    dx /= max(1.0, float(np.max(np.abs(dx) / limit)))
    size = float(np.linalg.norm(g))
    trial = residual(x + dx)
    for _ in range(4):
        if float(np.linalg.norm(trial)) < size:
            break
        dx *= 0.4
        trial = residual(x + dx)
    return x + dx, trial


def refine(problem: Problem, guess: Steering, iterations: int) -> Steering:
    """Newton on all seven conditions from a guess whose epoch is the problem's time.

    Args:
        iterations: at most this many steps; the caller looks at `converged` and calls again.
    """
    c = Conditions(problem)
    limit = np.array([0.4] * 3 + [0.8] * 3 + [0.15 * max(guess.burn_s / c.time_s, 1e-3)])

    def residual(x: Unknowns) -> Unknowns:
        law = c.law(x)
        arrival = predict(problem, *law)
        rows = c.velocity(arrival) + c.plane_velocity(arrival) + c.position(arrival)
        rows += c.stationary(arrival, law[0], law[1])
        rows.append(dot(law[0], law[0]) - 1.0)
        return np.array(rows)

    x = np.array([*guess.steer, *scale(c.time_s, guess.steer_rate), guess.burn_s / c.time_s])
    return c.solve(residual, x, limit, iterations, guess.slope)


def refine_direction(problem: Problem, guess: Steering, iterations: int) -> Steering:
    """Newton on velocity alone, the turning rate held: for the last seconds, when position cannot be helped."""
    return direction_only(problem, guess, iterations, lambda _: guess.steer_rate)


def refine_circular(problem: Problem, guess: Steering, iterations: int) -> Steering:
    """Newton on velocity alone, the direction turning with the horizon: a short burn, position free.

    A radius condition here would spend 10 to 25 times the propellant on metres of height.
    """
    r2 = dot(problem.position_m, problem.position_m)
    horizon_rate = scale(1.0 / r2, cross(problem.position_m, problem.velocity_m_s))
    return direction_only(problem, guess, iterations, lambda steer: cross(horizon_rate, steer))


def direction_only(problem: Problem, guess: Steering, iterations: int, rate_of: Callable[[Vec], Vec]) -> Steering:
    """Newton on direction and burn time against energy, radial speed and plane."""
    c = Conditions(problem)
    limit = np.array([0.2] * 3 + [0.2 * max(guess.burn_s / c.time_s, 1e-4)])

    def whole(x: Unknowns) -> Unknowns:
        steer = (float(x[0]), float(x[1]), float(x[2]))
        return np.array([*steer, *scale(c.time_s, rate_of(steer)), x[3]])

    def residual(x: Unknowns) -> Unknowns:
        law = c.law(whole(x))
        arrival = predict(problem, *law)
        return np.array([*c.velocity(arrival), *c.plane_velocity(arrival), dot(law[0], law[0]) - 1.0])

    x = np.array([*guess.steer, guess.burn_s / c.time_s])
    return c.solve(residual, x, limit, iterations, guess.slope, whole)


def refine_cutoff(problem: Problem, guess: Steering) -> Steering:
    """Cutoff on orbital energy with the direction frozen: the last two seconds."""
    c = Conditions(problem)
    steer, rate = guess.steer, guess.steer_rate

    def excess(burn_s: float) -> float:
        return c.energy_excess(predict(problem, steer, rate, burn_s))

    burn, step = guess.burn_s, 1e-3
    for _ in range(3):
        slope = (excess(burn + step) - excess(burn)) / step
        burn = max(burn - excess(burn) / slope, 0.0)
    x = np.array([*steer, *scale(c.time_s, rate), burn / c.time_s])
    return c.packed(x, True)
