"""The reference service that a script is tried against: real sessions behind a desk, and a few mishaps on purpose.

No sockets here: bytes in, what to do with the reply out.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from guidance_svc.conform.record import Heard, Run, Trial
from guidance_svc.domain import Role
from guidance_svc.errors import GuidanceError, SessionFault
from guidance_svc.files.config_files import Library
from guidance_svc.laws.table import asks_of
from guidance_svc.service.desk import Desk, Sessions
from guidance_svc.wire.codec import Encoding, decode, encode, encoding_of
from guidance_svc.wire.parse import parse_frame, parse_open
from guidance_svc.wire.replies import fault_message

Mishap = Literal["drop", "delay", "repeat", "fault"]

MISHAPS: Final[tuple[Mishap, ...]] = ("drop", "delay", "repeat", "fault")
USUAL: Final[tuple[Mishap, ...]] = ("drop", "delay", "repeat")
DELAY_AFTER: Final = 20  # burning states: far enough from ignition that the vehicle has settled
DROP_AFTER: Final = 60
FAULT_AFTER: Final = 100
REPEATS: Final = 3  # replies that carry an event once more after it was done


@dataclass(frozen=True, slots=True)
class Answer:
    """What the socket is to do.

    Args:
        reply: bytes to send; None: send nothing.
        hang_up: close the connection.
        hold: send only after a while, or when the script speaks again.
    """

    reply: bytes | None
    hang_up: bool = False
    hold: bool = False


class Reference:
    """Answers a script and keeps what it says.

    Args:
        desk, sessions: a service without sockets.
        library: to know the plan that the script opens.
        mishaps: which to play, each once.
        on_open: called with a session's plan as soon as it stands.
    """

    def __init__(
        self, desk: Desk, sessions: Sessions, library: Library, mishaps: tuple[Mishap, ...],
        on_open: Callable[[], None] = lambda: None,
    ) -> None:  # fmt: skip
        self.run = Run()
        self._desk, self._sessions, self._library = desk, sessions, library
        self._left = set(mishaps)
        self._on_open = on_open
        self._numbers: dict[Hashable, int] = {}
        self._burning = 0
        self._standing: dict[str, Any] | None = None
        self._again: dict[str, Any] | None = None
        self._repeats = 0
        self._taken: set[Hashable] = set()

    def receive(self, link: Hashable, payload: bytes, encoding: Encoding | None, can_hang_up: bool) -> Answer:
        """What to do with one message of a script.

        Args:
            link: its connection.
            encoding: of the line, where it has only one.
            can_hang_up: whether closing the connection reaches the script; ZeroMQ connects again by itself.
        """
        request = read(payload, encoding)
        if link in self._taken and request.get("type") == "state":
            return self._refuse(link, request, payload, encoding)
        self._taken.discard(link)
        reply_bytes = self._desk.receive(link, payload, encoding)
        while self._sessions.pending():
            self._sessions.work()
        reply = decode(reply_bytes, limit_bytes=1 << 24)
        if request.get("type") == "open" and reply.get("type") == "opened":
            self._note_plan(request)
        mishap = self._mishap(request, reply)
        if mishap == "fault":
            self._taken.add(link)
            return self._refuse(link, request, payload, encoding)
        if mishap == "drop":
            self._desk.drop(link)
            self._keep(link, request, reply, "dropped")
            return Answer(None, hang_up=True) if can_hang_up else Answer(self._desk.receive(link, payload, encoding))
        if mishap == "repeat":
            reply = reply | {"event": self._again}
            reply_bytes = encode(reply, encoding or encoding_of(payload))
        trial: Trial = "held" if mishap == "delay" else "repeated" if mishap == "repeat" else ""
        self._keep(link, request, reply, trial)
        return Answer(reply_bytes, hold=mishap == "delay")

    def came_early(self, count: int) -> None:
        """So many messages came while the last reply was held back."""
        self.run.heard[-1] = replace(self.run.heard[-1], early=count)

    def gone(self, link: Hashable) -> None:
        """The script hung up."""
        self._desk.drop(link)

    def _mishap(self, request: dict[str, Any], reply: dict[str, Any]) -> Mishap | None:
        """What to play with this reply."""
        if reply.get("type") != "command":
            return None
        self._burning += bool(reply["engine_on"] and request.get("type") == "state")
        if self._repeats_event(request, reply):
            return "repeat"
        after: dict[Mishap, int] = {"delay": DELAY_AFTER, "drop": DROP_AFTER, "fault": FAULT_AFTER}
        for mishap, count in after.items():
            if mishap in self._left and self._burning >= count and reply["engine_on"]:
                self._left.discard(mishap)
                return mishap
        return None

    def _repeats_event(self, request: dict[str, Any], reply: dict[str, Any]) -> bool:
        """Whether this reply carries an event that was done once more, as if its acknowledgement had been lost."""
        standing, event = self._standing, reply["event"]
        self._standing = event
        changed = standing is not None and (event is None or event["id"] != standing["id"])
        if changed and "repeat" in self._left and standing is not None and asks_of(standing["name"]):
            self._left.discard("repeat")
            self._again, self._repeats = standing, REPEATS
        if self._again is None or self._repeats == 0:
            return False
        self._repeats -= 1
        return True

    def _refuse(self, link: Hashable, request: dict[str, Any], payload: bytes, encoding: Encoding | None) -> Answer:
        fault = SessionFault(
            "taken_over", "type", "nothing more over this connection: the session was resumed over another one", "state"
        )
        reply = fault_message(fault, request.get("seq"))
        self._keep(link, request, reply, "refused")
        return Answer(encode(reply, encoding or encoding_of(payload)))

    def _keep(self, link: Hashable, request: dict[str, Any], reply: dict[str, Any], trial: Trial) -> None:
        number = self._numbers.setdefault(link, len(self._numbers) + 1)
        self.run.heard.append(Heard(number, request, reply, trial))

    def _note_plan(self, request: dict[str, Any]) -> None:
        asked = parse_open(request)
        role: Role = asked.role
        self.run.plan, self.run.frame = self._library.plan(asked.plan, role), parse_frame(asked.frame)
        self._on_open()


def read(payload: bytes, encoding: Encoding | None) -> dict[str, Any]:
    """A message, or an empty one for bytes that are none."""
    try:
        return decode(payload, json_lines=encoding == "json")
    except GuidanceError:
        return {}
