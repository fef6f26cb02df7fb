"""What a descent finds out between its replies: how far it can be led aside, and until when to each alternate."""

from __future__ import annotations

from collections.abc import Iterable
from math import atan2, hypot, pi
from typing import NamedTuple

from guidance_svc.core.effort import spend
from guidance_svc.core.lander import Moment
from guidance_svc.core.landing_divert import NO_WAY, Way, way_ahead
from guidance_svc.core.landing_reach import NO_EDGE, Edge, Turning, ellipse_through, follow_edge, inside_by_m
from guidance_svc.core.landing_state import FALLING, TRANSIENT_S, Guided
from guidance_svc.domain import DivertReport, ReachReport
from guidance_svc.laws.descent_place import Frame, between, turn_s

SEARCH_STEPS = 700  # likewise, after which the search for the last instant goes on in the next cycle
PIECE_STEPS = 250  # integrator steps in one cycle, after which no further edge is begun
LATEST_S = 1.5  # before contact: nothing can be changed from here on
SURE_S = 0.5  # so well the last instant for a divert is searched for
LATER_S = 1.0  # how much later than that the search looks again for a still later one
EARLY_FRAC = 0.1  # of the time to contact, by which the last instant is told early
AGAIN_S = 2.0  # after which an alternate out of reach is looked for again
LEVEL_M_S = 1.0  # level speed that has a direction
Edges = tuple[Edge, Edge, Edge, Edge]


class Chance(NamedTuple):
    """What is known of the divert to one alternate.

    Args:
        now: decided at the last look.
        safe, safe_s: decided as late as was found to do, and that instant.
        lost_s: vehicle time from which on it was found not to do.
        again_s: vehicle time from which on it is looked for again, after it was not found at all.
        settled: whether `safe` is the last such instant, as far as is known.
        closing: whether the last look found none any more.
        told_s: the instant as it is told.
    """

    now: Way = NO_WAY
    safe: Way = NO_WAY
    safe_s: float = 0.0
    lost_s: float = 1e9
    again_s: float = -1e9
    settled: bool = False
    closing: bool = False
    told_s: float = 0.0


class Around(NamedTuple):
    """What is known of the points around the contact point.

    Args:
        solved_at_s: vehicle time of the last look; None before the first.
        along: unit vector of the reach's first axis, east and north.
        edges: farthest points ahead, to the left, behind, and to the right.
        turn: the edge that comes next.
        chances: one for each alternate.
        nominal_kg: mass at contact of the landing that was flown at the last look.
        looks: so many there were.
    """

    solved_at_s: float | None = None
    along: tuple[float, float] = (1.0, 0.0)
    edges: Edges = (NO_EDGE, NO_EDGE, NO_EDGE, NO_EDGE)
    turn: int = 0
    chances: tuple[Chance, ...] = ()
    nominal_kg: float = 0.0
    looks: int = 0


def look_around(
    frame: Frame, others: tuple[Frame, ...], g: Guided, start: Moment, least_kg: float, before: Around
) -> Around:
    """One cycle more: some edges, and for one alternate the divert now and at a later instant.

    Args:
        frame: flown in.
        others: of the alternates; none after a divert.
        g, start: as flown now.
        least_kg: mass that must be left at contact.
    """
    along = before.along if before.solved_at_s is not None else level_way(start)
    edges, turn = look_aside(frame, g, start, least_kg, along, before)
    chances = before.chances or (Chance(),) * len(others)
    if others:
        which = before.looks % len(others)
        chance = weigh(Question(frame, others[which], g, start, least_kg), chances[which])
        chance = chance._replace(told_s=before_ignition(early(chance.safe_s, g), g, frame.keys.delay_s))
        chances = (*chances[:which], chance, *chances[which + 1 :])
    return Around(g.time_s, along, edges, turn, chances, g.stop.mass_kg, before.looks + 1)


def level_way(start: Moment) -> tuple[float, float]:
    """Unit vector of the level motion, east and north; east where there is none."""
    u, v, _ = start.velocity_m_s
    speed = hypot(u, v)
    return (u / speed, v / speed) if speed > LEVEL_M_S else (1.0, 0.0)


def look_aside(
    frame: Frame, g: Guided, start: Moment, least_kg: float, along: tuple[float, float], before: Around
) -> tuple[Edges, int]:
    """The edges of the reach, as many as fit into a piece, and which comes next."""
    edges, turn, spent = list(before.edges), before.turn, 0
    turning = Turning(frame.turn_rad_s, 0.5 * turn_s(frame, start.position_m[2]))
    ways = (along, (-along[1], along[0]), (-along[0], -along[1]), (along[1], -along[0]))
    for _ in range(4):
        edge = follow_edge(frame.lander, frame.keys, g, start, turning, ways[turn], edges[turn], least_kg)
        spend(edge.steps)
        edges[turn], spent, turn = edge, spent + edge.steps, (turn + 1) % 4
        if spent >= PIECE_STEPS:
            break
    return (edges[0], edges[1], edges[2], edges[3]), turn


def last_call(before: Chance, time_s: float) -> Chance:
    """An alternate that leaves the reach of a careful lander: that is the last instant for a divert."""
    return before._replace(safe_s=time_s, closing=True)


def is_shaken(g: Guided) -> bool:
    """Whether the thrust changes just now: what is predicted then is worth nothing."""
    return 0.0 <= g.time_s - g.changed_at_s < TRANSIENT_S


def early(at_s: float, g: Guided) -> float:
    """An instant for a divert, put forward by a part of what is left then, for what disturbs later."""
    return at_s - EARLY_FRAC * max(g.time_s + g.stop.end_s - at_s, 0.0)


def before_ignition(at_s: float, g: Guided, delay_s: float) -> float:
    """An instant for a divert, put before the ignition where it would fall into what that shakes."""
    shaken = g.stage == FALLING and g.light_at_s <= at_s < g.light_at_s + delay_s + TRANSIENT_S
    return g.light_at_s if shaken else at_s


class Question(NamedTuple):
    """A divert to one alternate, asked from the landing that is flown now."""

    frame: Frame
    other: Frame
    guided: Guided
    start: Moment
    least_kg: float

    def decided(self, at_s: float, known: Way) -> Way:
        """The divert, decided at a vehicle time; `known` is one that was found before."""
        way = way_ahead(
            self.frame.lander, self.other.lander, self.frame.keys, self.guided, self.start,
            between(self.frame.place, self.other.place), at_s - self.guided.time_s, self.turn_s(), known,
        )  # fmt: skip
        spend(way.steps)
        return way if way.mass_kg >= self.least_kg else way._replace(found=False)

    def turn_s(self) -> float:
        """How long the vehicle turns to the lean of the divert."""
        return turn_s(self.frame, self.start.position_m[2])


def weigh(question: Question, before: Chance) -> Chance:
    """The divert to an alternate decided now, and as late as it does."""
    time_s = question.guided.time_s
    if time_s < before.again_s:
        return before
    now = question.decided(time_s, before.now)
    if before.now.found and not now.found:
        now = question.decided(time_s, NO_WAY)
    if not now.found:
        return Chance(again_s=time_s + AGAIN_S) if before.closing or not before.settled else last_call(before, time_s)
    last_s = max(time_s + question.guided.stop.end_s - LATEST_S - question.turn_s(), time_s)
    ahead = before.safe.found and before.safe_s > time_s
    safe, safe_s = (before.safe, before.safe_s) if ahead else (now, time_s)
    lost_s = min(before.lost_s, last_s)
    if before.settled and lost_s - safe_s <= SURE_S:
        again = question.decided(safe_s, safe)
        if again.found:
            return Chance(now, again, safe_s, min(safe_s + SURE_S + LATER_S, last_s), settled=True)
        return search(question, Chance(now, now, time_s, safe_s, settled=True), SURE_S)
    return search(question, Chance(now, safe, safe_s, lost_s, settled=before.settled), last_s)


def search(question: Question, known: Chance, back_s: float) -> Chance:
    """The last instant for a divert, between one that does and one that does not; as far as a piece takes it.

    Args:
        back_s: look first so long before the one that does not.
    """
    now, safe, safe_s, lost_s, spent = known.now, known.safe, known.safe_s, known.lost_s, 0
    while lost_s - safe_s > SURE_S and spent < SEARCH_STEPS:
        at_s = max(0.5 * (safe_s + lost_s), lost_s - back_s)
        way = question.decided(at_s, safe)
        back_s, spent = 2.0 * back_s, spent + way.steps
        if way.found:
            safe, safe_s = way, at_s
        else:
            lost_s = at_s
    return Chance(now, safe, safe_s, lost_s, settled=known.settled or lost_s - safe_s <= SURE_S)


def least_costly(around: Around) -> int | None:
    """Number of the alternate in reach for which the least propellant is needed; None where none is in reach."""
    found = [k for k, chance in enumerate(around.chances) if chance.now.found]
    return max(found, key=lambda k: around.chances[k].now.mass_kg, default=None)


def decide_at_s(around: Around) -> float | None:
    """Vehicle time until which the vehicle can still divert to the alternate that costs least."""
    best = least_costly(around)
    return None if best is None else last_instant_s(around.chances[best])


def last_instant_s(chance: Chance) -> float | None:
    """Vehicle time until which the divert does; None while that is not known."""
    return chance.told_s if chance.now.found and chance.settled else None


def reach_of(around: Around) -> ReachReport | None:
    """The reach in words of a reply; None until all of its edges are found."""
    if around.solved_at_s is None or not all(edge.met for edge in around.edges):
        return None
    first, second, third, fourth = (shrunk(edge, around.solved_at_s) for edge in around.edges)
    ellipse = ellipse_through((first, second, third, fourth), around.along)
    east, north = ellipse.centre_m
    return ReachReport(
        east, north, ellipse.half_along_m, ellipse.half_across_m, atan2(*around.along) % (2.0 * pi),
        inside_by_m(ellipse, (0.0, 0.0)),
    )  # fmt: skip


def shrunk(edge: Edge, time_s: float) -> Edge:
    """An edge that was found earlier, nearer by the square of the time that is left: so it goes at an even push."""
    left = max(1.0 - (time_s - edge.at_s) / max(edge.end_s, LATEST_S), 0.0)
    return edge._replace(position_m=(left * left * edge.position_m[0], left * left * edge.position_m[1]))


def diverts_of(around: Around, names: Iterable[str]) -> tuple[DivertReport, ...]:
    """What a divert to each alternate would be."""
    return tuple(
        DivertReport(
            name, chance.now.found, last_instant_s(chance),
            around.nominal_kg - chance.now.mass_kg if chance.now.found else None,
        )
        for name, chance in zip(names, around.chances, strict=False)
    )  # fmt: skip


def figures_of(around: Around) -> Iterable[tuple[str, float | None]]:
    """Numbers that a look must not leave infinite or undefined."""
    for edge in around.edges:
        yield "reach", sum(edge.position_m) + sum(edge.unknowns) + edge.sharp + edge.end_s
    for chance in around.chances:
        yield "divert", chance.now.mass_kg + chance.safe_s + sum(chance.now.unknowns)
