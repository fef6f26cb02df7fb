"""No number that is none ever goes out or stays: it is found before the state is taken in, and the session goes on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from math import inf, isfinite, nan
from typing import Any

import pytest

from guidance_svc.core.finite import first_not_finite, total_of
from guidance_svc.domain import Command, Detail, Event, Frame, OrbitReport, ThrottleDown
from guidance_svc.laws.insertion_memory import InsertionMemory
from guidance_svc.laws.memory import Memory
from guidance_svc.laws.table import LAWS
from guidance_svc.session.session import Session
from guidance_svc.wire.codec import encode
from guidance_svc.wire.replies import command_message
from tests.session.exchange import LATE, flown, late_start
from tests.session.remembered import flight_of, insertion_of

ORBIT = OrbitReport(2e5, 3e5, 0.5, 0.1, 5400.0, 100.0)
WHOLE = Command(
    1, 2.0, "insertion", (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), 0.1, 0.2, 0.3, 0.4, 0.5, True, 9.0, 7.0,
    Event("0-0-cutoff", "cutoff", 9.0), 0.5, "ok", (), Detail(1.0, ORBIT, ORBIT, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0),
    ThrottleDown(8.0, 0.3), 9.0,
)  # fmt: skip


def spoilt(value: Any, bad: float, path: str = "") -> Iterator[tuple[str, Any]]:
    """The value with one number after the other made bad, and which it was."""
    if isinstance(value, float):
        yield path, bad
    elif isinstance(value, Command | Event | ThrottleDown):
        for key in value._fields:
            for name, other in spoilt(getattr(value, key), bad, f"{path}.{key}"):
                yield name, value._replace(**{key: other})
    elif isinstance(value, tuple):
        for i, part in enumerate(value):
            for name, other in spoilt(part, bad, path):
                yield name, (*value[:i], other, *value[i + 1 :])
    elif is_dataclass(value):
        for field in fields(value):
            for name, other in spoilt(getattr(value, field.name), bad, f"{path}.{field.name}"):
                yield name, replace(value, **{field.name: other})  # type: ignore[type-var]


@pytest.mark.parametrize("bad", [nan, inf, -inf])
def test_every_number_of_a_command_is_found_or_goes_out_as_null(bad: float) -> None:
    assert isfinite(total_of(WHOLE))
    assert first_not_finite(WHOLE) is None
    seen = 0
    for path, command in spoilt(WHOLE, bad):
        seen += 1
        assert isfinite(total_of(command)) == (first_not_finite(command) is None), path
        if first_not_finite(command) is None:
            encode(command_message(command), "json")  # raises where a number is not finite
            assert path.startswith(".detail"), path
    assert seen == 38


@pytest.mark.parametrize("name", ["throttle_frac", "cutoff_at_s", "ignite_at_s"])
def test_a_major_cycle_with_a_bad_number_is_not_taken_in(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    exchanges = flown(LATE, late_start(), 0.2, 24)
    session, good = Session(LATE, Frame()), LAWS["insertion"]

    def spoil(memory: Memory[object], *rest: Any) -> Memory[object]:
        flight, own = good.solve(memory, *rest)
        assert isinstance(own, InsertionMemory)
        if name == "throttle_frac":
            return Memory(flight._replace(throttle_frac=nan), own)
        return Memory(flight, own._replace(burn=own.burn._replace(**{name: nan})))

    for exchange in exchanges[:3]:
        session.state(exchange.message)
    monkeypatch.setitem(LAWS, "insertion", replace(good, solve=spoil))
    for exchange in exchanges[3:12]:
        reply = session.state(exchange.message)
        assert isfinite(reply.throttle_frac)
        kept = getattr(flight_of(session) if name == "throttle_frac" else insertion_of(session).burn, name)
        assert kept is None or isfinite(kept)
    assert reply.status == "stale"  # by then the law is old, and solved before the reply
    monkeypatch.undo()
    assert [session.state(exchange.message).status for exchange in exchanges[12:]][-1] == "ok"


@pytest.mark.parametrize(
    "bad", [{"throttle_frac": nan}, {"cutoff_at_s": inf}, {"throttle_down": ThrottleDown(nan, 0.3)},
            {"events": (Event("0-0-cutoff", "cutoff", inf),)}, {"next_contact_s": nan}],
    ids=lambda bad: next(iter(bad)),
)  # fmt: skip
def test_a_law_that_orders_a_bad_number_is_stale_and_the_session_goes_on(
    bad: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    # a bad throttle or event time was taken in, and every reply after it was internal_error
    exchanges = flown(LATE, late_start(), 0.2, 6)
    session, good = Session(LATE, Frame()), LAWS["insertion"]
    for exchange in exchanges[:3]:
        session.state(exchange.message)
    spoil = replace(good, order=lambda *now: good.order(*now)._replace(**bad))
    monkeypatch.setitem(LAWS, "insertion", spoil)
    for exchange in exchanges[3:5]:
        reply = session.state(exchange.message)
        assert (reply.status, len(reply.warnings)) == ("stale", 1)
        assert "expected a finite number" in reply.warnings[0]
        encode(command_message(reply), "json")
    monkeypatch.undo()
    assert session.state(exchanges[5].message).status == "ok"
