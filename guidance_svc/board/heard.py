"""What has been heard of one vehicle: its session, its newest exchange, its newest refusal. Nothing is decoded here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from guidance_svc.playback.course import Exchange, Session
from guidance_svc.playback.recordings import RecordedMessage

PHASE: Final = b'"phase":"'
TEXT_LIMIT: Final = 300  # characters of a warning or a fault that are shown


@dataclass(slots=True)
class Heard:
    """One vehicle.

    Args:
        session: the newest one.
        state, command: the newest pair; None before the first.
        time_s, wall_ns, phase: of that pair.
        last_fault: the sentence of the last refusal; "" where something was accepted since.
        fresh: whether it has not been shown yet.
    """

    session: Session
    state: RecordedMessage | None = None
    command: RecordedMessage | None = None
    time_s: float = 0.0
    wall_ns: int = 0
    phase: bytes = b""
    last_fault: str = ""
    fresh: bool = False

    def take(self, exchange: Exchange) -> None:
        """One exchange of the session."""
        kind, reply = exchange.kind, exchange.reply
        if kind == "refused":
            self.last_fault = fault_text(exchange)
        elif kind == "state" and not exchange.repeat:
            self.last_fault = ""
        if kind == "state" and reply is not None:
            self.state, self.command = exchange.request, reply
            self.time_s, self.wall_ns = float(exchange.request.number("time_s")), exchange.request.time_ns
            self.phase = phase_of(reply)
        self.fresh = self.fresh or reply is not None


def fault_text(exchange: Exchange) -> str:
    """What a refusal said, shortened."""
    return "" if exchange.reply is None else str(exchange.reply.message.get("message", ""))[:TEXT_LIMIT]


def phase_of(command: RecordedMessage) -> bytes:
    """The phase that a reply names, found by its key as `RecordedMessage.number` does."""
    if not command.data.startswith(b"{"):
        return str(command.message.get("phase", "")).encode()
    begin = command.data.find(PHASE)
    return b"" if begin < 0 else command.data[begin + len(PHASE) : command.data.index(b'"', begin + len(PHASE))]
