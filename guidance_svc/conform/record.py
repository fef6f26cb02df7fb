"""What the conformance kit keeps of a run, and how it says what it found."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from guidance_svc.domain import FlightPlan, Frame

Outcome = Literal["pass", "fail", "not seen"]
Trial = Literal["", "dropped", "held", "repeated", "refused"]

INSTANT_S: Final = 1e-6  # two clock readings nearer than this are one


@dataclass(frozen=True, slots=True)
class Heard:
    """One message of the script and what came of it.

    Args:
        link: number of its connection.
        request: as decoded; empty for bytes that are no message.
        reply: as sent, or as it would have been where `trial` is "dropped".
        trial: what the kit did to the script here.
        early: how many further messages came while this one's reply was held back.
    """

    link: int
    request: dict[str, Any]
    reply: dict[str, Any]
    trial: Trial = ""
    early: int = 0

    @property
    def is_state(self) -> bool:
        """Whether it was a state, answered or refused."""
        return self.request.get("type") == "state"

    @property
    def is_command(self) -> bool:
        """Whether it was a state with a command in reply."""
        return self.reply.get("type") == "command"


@dataclass(slots=True)
class Run:
    """All that was heard of one script, and what is known of its vehicle.

    Args:
        heard: in order.
        plan, frame: of the session that it opened; None where it opened none.
        truth: telemetry of the kit's own vehicle (inertial, z north) by its clock, as the script read it.
        acts: (time, mark) of what that vehicle did: ignite, cutoff, separate, ...
        ended: how the run ended: "closed", "hung_up", "silent", "nobody".
    """

    heard: list[Heard] = field(default_factory=list)
    plan: FlightPlan | None = None
    frame: Frame = field(default_factory=Frame)
    truth: dict[float, dict[str, Any]] = field(default_factory=dict)
    acts: list[tuple[float, str]] = field(default_factory=list)
    ended: str = "nobody"

    def states(self) -> Iterator[Heard]:
        """The states, answered or refused; the same one asked again only once."""
        seen: set[tuple[Any, Any]] = set()
        for one in self.heard:
            key = (one.request.get("seq"), one.request.get("time_s"))
            if one.is_state and key not in seen and None not in key:
                seen.add(key)
                yield one

    def commands(self) -> list[Heard]:
        """The states that were answered with a command."""
        return [one for one in self.states() if one.is_command]


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at.

    Args:
        name: stable, lower_snake_case.
        expected, seen, change: one sentence each; `change` says what to do and is empty unless it failed.
        follows: name of the failed check that this failure follows from; empty for a fault of its own.
    """

    name: str
    outcome: Outcome
    expected: str
    seen: str
    change: str = ""
    follows: str = ""


def failed(name: str, expected: str, seen: str, change: str) -> Check:
    """A check that did not hold."""
    return Check(name, "fail", expected, seen, change)


def passed(name: str, expected: str, seen: str) -> Check:
    """A check that held."""
    return Check(name, "pass", expected, seen)


def not_seen(name: str, expected: str, why: str) -> Check:
    """A check for which nothing came that it could look at."""
    return Check(name, "not seen", expected, why)


def exit_code(checks: Iterable[Check]) -> int:
    """0 when nothing failed and something passed, else 1."""
    outcomes = [check.outcome for check in checks]
    return 0 if "fail" not in outcomes and "pass" in outcomes else 1
