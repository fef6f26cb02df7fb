"""A flight whose quiet part one kernel flies equals the flight through its session, to the last bit."""

from __future__ import annotations

import pytest

from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.domain import Frame
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import FlightLog, fly, in_phase, in_process
from guidance_svc.rehearsal.quiet import fly_quietly
from guidance_svc.session.session import Session
from tests.closed_loop.optimum_cases import insertion_case

TICK_S = 0.1


def flown(case: str, quietly: bool) -> tuple[FlightLog, int]:
    """A flight to orbit, and how often the session was asked."""
    plan, world, state = insertion_case(case)
    guide, asked = in_process(Session(plan, Frame()), quietly), []
    log = fly(
        Craft(case, world, state), guide, in_phase("orbit"), tick_s=TICK_S,
        watch=lambda log, message, command: asked.append(message.seq),
    )  # fmt: skip
    return log, len(asked)


@pytest.mark.slow
@pytest.mark.skipif(not HAVE_NUMBA, reason="numba is not installed")
@pytest.mark.parametrize("case", ["V01", "V08", "V14"])  # plane free; node and plane; an acceleration limit
def test_a_quiet_flight_ends_as_the_same_flight_through_its_session(case: str) -> None:
    (whole, asked), (quiet, asked_quietly) = flown(case, quietly=False), flown(case, quietly=True)
    assert quiet.at_cutoff == whole.at_cutoff
    assert quiet.state == whole.state
    assert (quiet.commands, quiet.statuses, quiet.phases) == (whole.commands, whole.statuses, whole.phases)
    assert asked == whole.commands
    assert asked_quietly < 0.1 * asked  # most of it was flown by the kernel


def test_nothing_is_flown_quietly_without_a_law() -> None:
    plan, world, state = insertion_case("V01")
    session, craft = Session(plan, Frame()), Craft("case", world, state)
    assert fly_quietly(session, craft, TICK_S, 9000.0, 0.0) == 0
    assert craft.state == state
