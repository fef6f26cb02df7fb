"""What a session remembers, with the types that a test knows it to have."""

from __future__ import annotations

from guidance_svc.laws.insertion_memory import InsertionMemory
from guidance_svc.laws.memory import Burn, Flight
from guidance_svc.session.session import Point, Session


def flight_of(session: Session) -> Flight:
    """What outlives a phase."""
    assert session.point is not None
    return session.point.memory.flight


def insertion_of(session: Session) -> InsertionMemory:
    """What the insertion that is flown remembers."""
    assert session.point is not None
    own = session.point.memory.own
    assert isinstance(own, InsertionMemory)
    return own


def burn_of(point: Point) -> Burn | None:
    """The burn of a point, where its law has one."""
    own = point.memory.own
    return own.burn if isinstance(own, InsertionMemory) else own if isinstance(own, Burn) else None
