"""The law `receive`: a tower that stands at its site, hears of the vehicles that come to it, and answers them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, ClassVar, Literal, NamedTuple

from pydantic import Field

from guidance_svc.core.vectors import dot
from guidance_svc.domain import Arrival, Clearance, Command, Event, FlightPlan, Phase, TowerReport, TowerWord, Vec
from guidance_svc.errors import ConfigError
from guidance_svc.laws.memory import Burn, Flight, Memory, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import EventKind
from guidance_svc.wire.plans import PhaseModel
from guidance_svc.wire.quantities import NotNegative

IDLE_CONTACT_S = 5.0  # while no vehicle comes
COMING_CONTACT_S = 1.0
NEAR_CONTACT_S = 0.2  # in the last minute of an arrival
NEAR_S = 60.0
QUIET_S = 10.0  # without a state of a vehicle that comes: what is known of it grows old
UNREADY = TowerReport(False)


@dataclass(frozen=True, slots=True)
class Receive(Phase):
    """A tower's arms, or a pad's crew, at the plan's site.

    Args:
        catch_height_m: of the arms above the ground at the site; 0 for a pad without arms.
        turnaround_s: from one contact until the tower can hold the next vehicle.
        silent_after_s: without a state of the tower for so long, vehicles have no answer.
    """

    law: ClassVar[str] = "receive"
    flies: ClassVar[bool] = False
    catch_height_m: float = 0.0
    turnaround_s: float = 0.0
    silent_after_s: float = 5.0


class ReceiveModel(PhaseModel):
    """A tower's arms, or a pad's crew, at the plan's site."""

    law: Literal["receive"]
    catch_height_m: Annotated[float, Field(ge=-1e4, le=1e4)] = 0.0
    """Of the arms above the ground at the site; 0: none."""
    turnaround_s: NotNegative = 0.0
    """From one contact until the tower can hold the next vehicle."""
    silent_after_s: Annotated[float, Field(gt=0.0, le=600.0)] = 5.0
    """Without a state of the tower for so long, vehicles have no answer."""

    def to_domain(self) -> Receive:
        """The checked keys as a phase of the plan."""
        return Receive(self.catch_height_m, self.turnaround_s, self.silent_after_s)


class ReceiveMemory(NamedTuple):
    """What a tower remembers.

    Args:
        report: its last one, with the arrivals that it heard of.
        wind_m_s: to the east, to the north and up, as it told then.
        numbers: (vehicle, number of its arrival), of those that it heard of last.
        so_far: arrivals heard of.
    """

    report: TowerReport = UNREADY
    wind_m_s: Vec | None = None
    numbers: tuple[tuple[str, int], ...] = ()
    so_far: int = 0


def shows_ready(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the tower's word that it is ready."""
    return now.tower is not None and now.tower.ready


CLOSE_ARMS = EventKind("close_arms", "close the arms on the vehicle", again=True, word="arms close")
CLEAR = EventKind(
    "clear", "have the tower ready for the next vehicle", shows=shows_ready, sign="`ready`", again=True,
    word="tower clear",
)  # fmt: skip


def clearance_of(report: TowerReport, vehicle: str) -> Clearance:
    """What a tower says to a vehicle: its answer to that one; else that it is not ready, where it is not.

    >>> clearance_of(TowerReport(True, answers=(("kite", "ready"),)), "kite")
    'ready'
    >>> clearance_of(TowerReport(True), "kite"), clearance_of(TowerReport(False), "kite")
    ('no_answer', 'not_ready')
    """
    told = next((answer for name, answer in report.answers if name == vehicle), None)
    return told or ("no_answer" if report.ready else "not_ready")


def enter(
    flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Receive
) -> Memory[ReceiveMemory]:
    """Nothing has been heard yet."""
    return Memory(flight, ReceiveMemory())


def follow(
    memory: Memory[ReceiveMemory], now: Navigation, plan: FlightPlan, phase: Receive
) -> Memory[ReceiveMemory]:
    """Take in what the tower tells, and what it had heard of the vehicles."""
    flight, own = memory
    report = now.tower or UNREADY
    up, north, east = now.local
    wind = None if now.wind_m_s is None else (
        dot(now.wind_m_s, east), dot(now.wind_m_s, north), dot(now.wind_m_s, up))  # fmt: skip
    known = dict(own.numbers)
    fresh = [one.vehicle for one in report.arrivals if one.vehicle not in known]
    known |= {vehicle: own.so_far + k for k, vehicle in enumerate(fresh, start=1)}
    numbers = tuple((one.vehicle, known[one.vehicle]) for one in report.arrivals)
    return Memory(flight, ReceiveMemory(report, wind, numbers, own.so_far + len(fresh)))


def order(memory: Memory[ReceiveMemory], now: Navigation, plan: FlightPlan, phase: Receive) -> Order:
    """The arrivals, soonest first, each with what the tower says to it."""
    own = memory.own
    arrivals = tuple(
        one._replace(clearance=clearance_of(own.report, one.vehicle))
        for one in sorted(own.report.arrivals, key=lambda one: (one.at_s, one.vehicle))
    )
    coming = [one for one in arrivals if comes(one)]
    contact_s = IDLE_CONTACT_S if not coming else (
        NEAR_CONTACT_S if coming[0].at_s - now.time_s < NEAR_S else COMING_CONTACT_S)  # fmt: skip
    return Order(
        now.local.up, now.local.up, False, 0.0, events=events_of(memory.flight, own, arrivals, phase),
        next_contact_s=min(contact_s, 0.5 * phase.silent_after_s), arrivals=arrivals,
        warnings=tuple(doubts(arrivals, own.report, now, phase)),
    )  # fmt: skip


def comes(arrival: Arrival) -> bool:
    """Whether a vehicle is on its way to the tower."""
    return arrival.status in ("falling", "burning")


def events_of(flight: Flight, own: ReceiveMemory, arrivals: tuple[Arrival, ...], phase: Receive) -> tuple[Event, ...]:
    """In the order of their times: the arms close at a contact, and are clear again a turnaround after it."""
    number, events = dict(own.numbers), []
    for one in arrivals:
        nth = number[one.vehicle]
        suffix = "" if nth == 1 else f"-again{nth}"
        if comes(one):
            events.append(CLOSE_ARMS.of(flight, one.at_s, suffix))
        if comes(one) or one.status == "caught":
            events.append(CLEAR.of(flight, one.at_s + phase.turnaround_s, suffix))
    return tuple(sorted(events, key=lambda event: event.at_s))


def doubts(arrivals: tuple[Arrival, ...], report: TowerReport, now: Navigation, phase: Receive) -> list[str]:
    """What a tower's people should know of its arrivals, in words with their numbers; the later of two first."""
    coming = [one for one in arrivals if comes(one)]
    words = [*too_near(arrivals, phase)[::-1], *unready_in_time(coming, report, now)]
    for one in coming:
        if one.clearance == "no_answer":
            until = "" if one.decide_at_s is None else f"; it decides at {one.decide_at_s:.1f} s"
            words.append(f"{one.vehicle} has no answer{until}: put it into answers")
        if now.time_s - one.time_s > QUIET_S:
            words.append(f"{one.vehicle} has been silent for {now.time_s - one.time_s:.0f} s; its arrival is as it was")
    return words


def too_near(arrivals: tuple[Arrival, ...], phase: Receive) -> list[str]:
    """Arrivals that come before the tower is ready again after the one before."""
    held = [one for one in arrivals if comes(one) or one.status == "caught"]
    return [
        f"{later.vehicle} comes {later.at_s - sooner.at_s:.1f} s after {sooner.vehicle}: "
        f"{phase.turnaround_s - (later.at_s - sooner.at_s):.1f} s are missing to turnaround_s, {phase.turnaround_s:g} s"
        for sooner, later in pairwise(held) if comes(later) and later.at_s - sooner.at_s < phase.turnaround_s
    ]  # fmt: skip


def unready_in_time(coming: list[Arrival], report: TowerReport, now: Navigation) -> list[str]:
    """Vehicles that were told "ready" and come before the tower says it will be."""
    ready_at_s = report.ready_at_s
    if report.ready or ready_at_s is None:
        return []
    return [
        f"{one.vehicle} was told ready and comes at {one.at_s:.1f} s, {ready_at_s - one.at_s:.1f} s before ready_at_s"
        for one in coming if one.clearance == "ready" and one.at_s < ready_at_s
    ]  # fmt: skip


def says(
    memory: Memory[ReceiveMemory], now: Navigation, plan: FlightPlan, phase: Receive, command: Command
) -> TowerWord:
    """Its last report, without what it had heard."""
    own = memory.own
    return TowerWord(command.time_s, phase.silent_after_s, own.report._replace(arrivals=()), own.wind_m_s)


def sentence(phase: Receive, plan: FlightPlan) -> str:
    """What the phase does."""
    where = plan.site.name if plan.site else plan.name
    arms = f", arms {phase.catch_height_m:g} m up" if phase.catch_height_m > 0.0 else ", a pad without arms"
    return (
        f"vehicles that come to {where} are told of and answered{arms}; ready again "
        f"{phase.turnaround_s:g} s after a contact, silent after {phase.silent_after_s:g} s"
    )


def check(phase: Receive, plan: FlightPlan, at: str) -> None:
    """Refuse a tower without a site, with arms in the ground, or with what only a vehicle has.

    Raises:
        ConfigError: naming key and number.
    """
    if plan.site is None:
        raise ConfigError("missing_field", "site", "a [site] table, because the tower stands there", "nothing")
    if phase.catch_height_m < 0.0:
        expected = f"0 m or more: the arms are above the ground at {plan.site.name}"
        raise ConfigError("below_ground", f"{at}.catch_height_m", expected, f"{phase.catch_height_m:g} m")
    if plan.target is not None:
        raise ConfigError("limits_contradict", "target", "no such table, because a tower does not fly", "a target")


ROW = LawRow(
    Receive, ReceiveMemory, sentence, (CLOSE_ARMS, CLEAR), enter, order, follow=follow, says=says, model=ReceiveModel,
    check=check,
)  # fmt: skip
