"""A tower that lets a vehicle in, or does not: both fly on one clock, each on what it hears of the other."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from guidance_svc.domain import Arrival, Clearance, Command, VehicleState
from guidance_svc.rehearsal.loop import Guide
from guidance_svc.session.session import Session
from guidance_svc.sim.pad import Pad
from tests.closed_loop.landing_flights import DIVERT, SITE, Flown, craft_of, flown
from tests.session.test_clearance import MUDFLAT, PLAN
from tests.session.tower_talk import Talk, arrivals, later, tower, vehicle, word

WORD_EVERY = 2  # states of the vehicle


@dataclass
class Both:
    """A vehicle's flight with its tower: what was said to whom, in order, with the replies.

    Args:
        clearance: what the tower answers from its first arrival on.
    """

    clearance: Clearance
    talk: Talk = field(default_factory=lambda: Talk().opened(tower(), vehicle(plan=PLAN)))
    said: list[tuple[str, VehicleState, Command]] = field(default_factory=list)
    arrivals: list[Arrival] = field(default_factory=list)

    def guide(self, session: Session) -> Guide:
        """A guide that asks the registry, the tower in between."""
        return self.answer

    def answer(self, message: VehicleState) -> Command:
        """The reply to the vehicle's state, the tower's word before it now and then."""
        if len(self.said) % (WORD_EVERY + 1) == 0:
            at = word(len(self.said), message.time_s, heron=self.clearance)
            self.arrivals += arrivals(self.say("tower", at))
        return self.say("heron", message)

    def say(self, name: str, state: VehicleState) -> Command:
        """One state and its reply."""
        command = self.talk.say(name, state)
        self.said.append((name, state, command))
        return command


def fly(both: Both, pad: Pad) -> Flown:
    return flown(PLAN, craft_of(PLAN, DIVERT, pad), both.guide, tick_s=0.2)


@pytest.fixture(scope="module")
def refused() -> Both:
    both = Both("not_ready")
    flight = fly(both, Pad(MUDFLAT))
    assert flight.contact.miss_m < 0.5
    assert flight.contact.down_m_s == pytest.approx(0.5, abs=0.1)
    return both


def test_a_vehicle_that_its_tower_refuses_goes_to_the_alternate_and_the_tower_hears_of_it(refused: Both) -> None:
    clearances = [command.clearance for name, _, command in refused.said if name == "heron"]
    assert list(dict.fromkeys(clearances)) == ["not_ready", None]  # none is needed on the ground
    statuses = list(dict.fromkeys(one.status for one in refused.arrivals))
    assert (statuses[0], statuses[-1]) == ("falling", "diverted")
    assert "caught" not in statuses
    last = refused.arrivals[-1]
    assert (last.site, last.decide_at_s, last.clearance) == ("Mudflat", None, "not_ready")
    decide_s = [one.decide_at_s for one in refused.arrivals if one.status != "diverted" and one.decide_at_s]
    first_s = next(one.time_s for one in refused.arrivals if one.status == "diverted")
    assert decide_s[-1] == pytest.approx(first_s, abs=1.0)  # the tower speaks every 0.4 s


def test_when_the_major_cycles_run_makes_no_difference_to_either(refused: Both) -> None:
    late = Talk(eager=False).opened(tower(), vehicle(plan=PLAN))
    for name, state, command in refused.said:
        assert late.say(name, state) == command
    assert late.heard == refused.talk.heard


@pytest.mark.slow  # the refused one stands for it
def test_a_vehicle_that_is_let_in_comes_into_the_arms() -> None:
    both = Both("ready")
    contact = fly(both, Pad(SITE, 30.0)).contact
    assert contact.miss_m < 0.2
    assert both.arrivals[-1].status in ("burning", "caught")
    assert both.arrivals[-1].at_s == pytest.approx(contact.time_s, abs=0.5)


@pytest.mark.slow  # test_tower.py: a reload of either
def test_a_vehicle_that_was_refused_and_reloads_is_let_in_when_its_tower_has_another_word(refused: Both) -> None:
    """Both go back to before the decision; the tower first."""
    talk, states = refused.talk, [state for name, state, _ in refused.said if name == "heron"]
    until_s = next(one.time_s for one in refused.arrivals if one.status == "diverted")
    back = [state for state in states if 1.0 < state.time_s < until_s]
    talk.say("tower", word(100_000, 1.0, heron="ready"))
    for k, state in enumerate(later(back, 0.0)):
        if k % WORD_EVERY == 0:
            talk.say("tower", word(100_001 + k, state.time_s, heron="ready"))
        command = talk.say("heron", state._replace(seq=100_000 + k, seen_event=None))
    assert command.clearance == "ready"
    assert "diverted" not in "".join(command.warnings)
