"""What sessions on the same clock tell each other: vehicles their arrival to the tower, the tower its word to them.

A session is told at the moment at which a state of it is looked at, never later, and what it is told is kept with that
state: in its history, the journal and the recording. So nothing that it replies depends on another session any more.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

from guidance_svc.domain import Answer, Arrival, OpenRequest, Said, Site, TowerWord, VehicleState
from guidance_svc.laws.receive import clearance_of, comes

Word = TypeVar("Word")
MOST_ARRIVALS = 100  # that a tower hears of, the soonest
MOST_ENDED = 10  # landings that ended and whose sessions are closed
MOST_WORDS = 600  # of a tower, ten minutes at one a second


class Meeting(NamedTuple):
    """Where sessions of a clock meet."""

    clock: str
    body: str
    site: str


def meeting_of(request: OpenRequest) -> Meeting | None:
    """Where a session meets others: a tower at its site, a vehicle where its plan lands; None without a clock.

    Both must give the site the same name.
    """
    site = site_of(request)
    return Meeting(request.clock, request.plan.body.name, site.name) if request.clock and site else None


def site_of(request: OpenRequest) -> Site | None:
    """Where a tower stands, or a vehicle lands; None where it does not."""
    plan = request.plan
    return plan.site if request.role == "tower" else plan.landing.site if plan.landing else None


def is_caught(request: OpenRequest) -> bool:
    """Whether arms hold the vehicle at the end, so that there must be a tower."""
    return request.plan.landing is not None and request.plan.landing.bears == "arms"


Heard = Answer | tuple[Arrival, ...]
"""What a session had been told: a vehicle by the tower, a tower by the vehicles."""


def with_heard(state: VehicleState, heard: Heard | None) -> VehicleState:
    """The state with what its session has been told."""
    if heard is None:
        return state
    if isinstance(heard, Answer):
        return state._replace(answer=heard)
    return state if state.tower is None else state._replace(tower=state.tower._replace(arrivals=heard))


def heard_in(state: VehicleState) -> Heard | None:
    """What is kept with a state of that which its session had been told; None for nothing."""
    return state.answer if state.tower is None else state.tower.arrivals or None


@dataclass(slots=True)
class Clocks:
    """What the sessions on named clocks have said, by place and session: of a vehicle its newest word, of a tower the
    last MOST_WORDS, times rising.
    """

    arrivals: dict[Meeting, dict[str, Arrival]] = field(default_factory=dict)
    towers: dict[Meeting, dict[str, list[TowerWord]]] = field(default_factory=dict)

    def note(self, vehicle: str, request: OpenRequest, said: Said | None) -> None:
        """Take what a session says after a reply; what it said in a time that it has left again is heard no more."""
        meeting = meeting_of(request)
        if meeting is None or said is None:
            self.forget(vehicle, request)
        elif isinstance(said, Arrival):
            self.arrivals.setdefault(meeting, {})[vehicle] = said._replace(vehicle=vehicle)
        else:
            words = self.towers.setdefault(meeting, {}).setdefault(vehicle, [])
            del words[bisect_left(words, said.time_s, key=word_time_s) :]
            words.append(said)
            del words[:-MOST_WORDS]

    def forget(self, vehicle: str, request: OpenRequest) -> None:
        """The session has ended, or has nothing to say any more."""
        meeting = meeting_of(request)
        if meeting is not None:
            drop_word(self.arrivals, meeting, vehicle)
            drop_word(self.towers, meeting, vehicle)
            if request.role == "tower":
                self.drop_ended(meeting)

    def drop_ended(self, meeting: Meeting) -> None:
        """The tower is gone, and with it who hears of landings that ended."""
        for name, one in list(self.arrivals.get(meeting, {}).items()):
            if not comes(one):
                drop_word(self.arrivals, meeting, name)

    def part(self, vehicle: str, request: OpenRequest) -> None:
        """The session is closed; how its landing ended its tower still hears, until the vehicle is opened again."""
        meeting = meeting_of(request)
        there = self.arrivals.get(meeting, {}) if meeting is not None else {}
        word = there.get(vehicle)
        if word is None or comes(word) or meeting not in self.towers:
            self.forget(vehicle, request)
        else:
            there[vehicle] = there.pop(vehicle)  # last in the order of ends
            ended = [name for name, one in there.items() if not comes(one)]
            for name in ended[:-MOST_ENDED]:
                del there[name]

    def heard(self, vehicle: str, request: OpenRequest, time_s: float) -> Heard | None:
        """What a session has been told by its time; None where nobody is there to tell it anything."""
        meeting = meeting_of(request)
        if meeting is None:
            return None
        if request.role == "tower":
            coming = self.arrivals.get(meeting, {}).values()
            return tuple(sorted(coming, key=lambda one: (one.at_s, one.vehicle))[:MOST_ARRIVALS])
        words = next(iter(self.towers.get(meeting, {}).values()), None)  # a site has one tower, see Registry.open
        if words is None:
            return Answer("no_answer") if is_caught(request) else None
        return answer_of(words, vehicle, time_s)


def drop_word(words: dict[Meeting, dict[str, Word]], meeting: Meeting, vehicle: str) -> None:
    """Take out what a session has said, and a place where nobody says anything any more."""
    there = words.get(meeting, {})
    there.pop(vehicle, None)
    if not there:
        words.pop(meeting, None)


def word_time_s(word: TowerWord) -> float:
    """When it was said."""
    return word.time_s


def answer_of(words: list[TowerWord], vehicle: str, time_s: float) -> Answer:
    """What a tower's words come to for a vehicle at a time; a tower that is silent has not answered.

    A little ahead of the vehicle the newest word holds. Where a save was reloaded and the vehicle's script is the first
    to tell, it is the word of then.
    """
    said = words[-1]
    if said.time_s - time_s > said.silent_after_s:
        said = words[max(bisect_right(words, time_s, key=word_time_s) - 1, 0)]
    if abs(time_s - said.time_s) > said.silent_after_s:
        return Answer("no_answer")
    report = said.report
    return Answer(clearance_of(report, vehicle), report.ready_at_s, report.catch_offset_m, said.wind_m_s)


def clock_warnings(request: OpenRequest, others: Iterable[OpenRequest]) -> tuple[str, ...]:
    """What of a session's clock keeps it from hearing others, in words.

    Args:
        others: of all other sessions.
    """
    tower, site = request.role == "tower", site_of(request)
    if site is None or not (tower or is_caught(request)):
        return ()
    who = "vehicles that come" if tower else f"the tower {site.name}"
    if not request.clock:
        return (f"clock: none was named, so nothing of {who} is heard; name the same clock in every open",)
    there = [other for other in others if (other.role == "tower") != tower and meets(other, request)]
    if not there or any(other.clock == request.clock for other in there):
        return ()
    clocks = ", ".join(sorted({f'"{other.clock}"' if other.clock else "none" for other in there}))
    if not tower:
        plan = request.plan.name
        return (f'clock: the tower {site.name} is on clock {clocks}, {plan} on "{request.clock}": no answer',)
    fly = "1 vehicle flies" if len(there) == 1 else f"{len(there)} vehicles fly"
    return (f'clock: a tower with a clock of its own: {fly} on clock {clocks}, none on "{request.clock}"',)


def meets(one: OpenRequest, other: OpenRequest) -> bool:
    """Whether two sessions would meet if their clocks were the same."""
    places = [meeting_of(OpenRequest(r.vehicle, r.role, r.plan, clock="any")) for r in (one, other)]
    return places[0] is not None and places[0] == places[1]
