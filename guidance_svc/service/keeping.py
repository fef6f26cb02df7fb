"""What is kept of every batch before its replies go out: the recording, and the journal of sessions."""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Hashable, Mapping
from typing import Any

from guidance_svc.session.history import History
from guidance_svc.session.marks import Mark
from guidance_svc.session.packing import pack
from guidance_svc.session.registry import Registry, digest_of, session_shape
from guidance_svc.storage.journal import Journal, NoJournal
from guidance_svc.storage.recorder import NoRecorder, Recorder
from guidance_svc.wire.heard import read_heard


class Keeping:
    """A recorder whose flush writes the journal too; it keeps nothing until the two are set."""

    def __init__(self) -> None:
        self.recorder = NoRecorder()
        self.journal: Journal = NoJournal()

    @property
    def recorder(self) -> Recorder:
        """What the messages go to, without a step between."""
        return self._recorder

    @recorder.setter
    def recorder(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self.plan, self.exchange, self.refusal, self.aside = (
            recorder.plan, recorder.exchange, recorder.refusal, recorder.aside
        )  # fmt: skip

    @property
    def state(self) -> str:
        """How the recording stands, in the word that `health` shows."""
        return self._recorder.state

    def flush(self) -> None:
        """Hand everything of this batch to the operating system."""
        self._recorder.flush()
        self.journal.sync()

    def close(self) -> None:
        """Finish both; the recording first, for its last part tells what the sessions are."""
        self._recorder.close()
        self.journal.close()


def sessions_now(registry: Registry) -> list[dict[str, str]]:
    """What every session is at this moment, as a recording keeps it at the head of a part; no tokens."""
    tables = []
    for vehicle, seat in registry.seats.items():
        base, stream, marks = seat.session.history.tail()
        table = {
            "vehicle": vehicle,
            "shape": session_shape(),
            "request": b64encode(pack(seat.request)).decode(),
            "base": str(base),
            "states": b64encode(stream).decode(),
        }
        for mark in marks:
            table.update(mark_time_s=repr(mark.time_s), mark=b64encode(mark.point).decode())
        tables.append(table)
    return tables


class RecordedSessions:
    """Puts sessions that a recording tells of back into a registry.

    Args:
        registry: of the service that the recording is played to.
    """

    def __init__(self, registry: Registry) -> None:
        self._registry = registry

    def restore(self, table: Mapping[str, str]) -> str:
        """Take one up; returns a new token for it.

        Raises:
            ValueError: it cannot be read, such as one of another version.
        """
        if table.get("shape") != session_shape():
            raise ValueError("written by another version, whose sessions this one cannot read")
        try:
            base = int(table["base"])
            marks = [Mark(float(table["mark_time_s"]), base, b64decode(table["mark"]))] if "mark" in table else []
            history = History(self._registry.history_bytes)
            history.take_up(base, b64decode(table["states"]), marks)
            token = self._registry.make_token()
            self._registry.restore(b64decode(table["request"]), digest_of(token), history)
        except LookupError as error:
            raise ValueError(f"no {error}") from None
        return token

    def hear(self, vehicle: str, heard: Mapping[str, Any] | None) -> None:
        """Let the next state of a vehicle have heard what it had heard when it was recorded, and nothing else.

        Raises:
            ValueError: no recorder writes that.
        """
        try:
            self._registry.played[vehicle] = None if heard is None else read_heard(heard)
        except (LookupError, TypeError) as error:
            raise ValueError(f"no {error}") from None

    def bind(self, link: Hashable, vehicle: str) -> None:
        """Let a connection command it."""
        self._registry.bind(link, vehicle)
