"""What others on its clock had told a session, as a recording keeps it beside the state; no script sends it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from guidance_svc.domain import Answer, Arrival
from guidance_svc.wire.quick import StateBody

HEARD, ANSWER, ARRIVALS = "heard", "answer", "arrivals"


def heard_message(heard: Answer | tuple[Arrival, ...]) -> dict[str, Any]:
    """A table of it; floats to the last bit.

    >>> heard_message(Answer("not_ready", 12.5))
    {'answer': {'clearance': 'not_ready', 'ready_at_s': 12.5, 'catch_offset_m': (0.0, 0.0, 0.0), 'wind_m_s': None}}
    """
    if isinstance(heard, Answer):
        return {ANSWER: heard._asdict()}
    return {ARRIVALS: [arrival._asdict() for arrival in heard]}


def note_heard(message: dict[str, Any] | StateBody, heard: Answer | tuple[Arrival, ...]) -> None:
    """Put it beside a message that is about to be recorded."""
    if isinstance(message, StateBody):
        message.heard = heard_message(heard)
    else:
        message[HEARD] = heard_message(heard)


def read_heard(table: Mapping[str, Any]) -> Answer | tuple[Arrival, ...]:
    """The same from a recording.

    Raises:
        ValueError, KeyError: no recorder writes that.

    >>> read_heard(heard_message(Answer("ready")))
    Answer(clearance='ready', ready_at_s=None, catch_offset_m=(0.0, 0.0, 0.0), wind_m_s=None)
    """
    if ANSWER in table:
        return msgspec.convert([table[ANSWER][name] for name in Answer._fields], Answer)
    rows = [[row[name] for name in Arrival._fields] for row in table[ARRIVALS]]
    return tuple(msgspec.convert(row, Arrival) for row in rows)
