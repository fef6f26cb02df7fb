"""A whole service in this process for one flight after the other, without sockets: the same bytes in, the same out."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Any

import msgpack

from guidance_svc import __version__
from guidance_svc.constants import CAUTION, PROTOCOL_VERSION
from guidance_svc.domain import Body, Frame, Role
from guidance_svc.errors import MessageFault
from guidance_svc.files.config_files import Library
from guidance_svc.files.settings import Settings
from guidance_svc.rehearsal.speaking import Speaking
from guidance_svc.service.clocks import steady_ns
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import NoRecorder, Recorder
from guidance_svc.storage.rotating import RotatingRecorder, Storage


class NearService:
    """Desk, sessions and recorder; every message and the work that it leaves, one at a time.

    Args:
        library: that has the flight plans.
        folder: where the recording goes; None makes none.

    Raises:
        RecordingError: no recording can be made there.
    """

    def __init__(self, library: Library, folder: Path | None = None) -> None:
        self.recording: Path | None = None
        self.recorder: Recorder = NoRecorder()
        if folder is not None:
            about = {
                "version": __version__, "protocol": str(PROTOCOL_VERSION), "caution": CAUTION,
                "settings": Settings().model_dump_json(),
            }  # fmt: skip
            recorder = RotatingRecorder(Storage(folder), steady_ns, about)
            self.recorder, self.recording = recorder, recorder.path
        self.registry = Registry(lambda: secrets.token_urlsafe(16))
        self.desk = Desk(self.registry, library, self.recorder)

    def ask(self, link: str, message: dict[str, Any]) -> dict[str, Any]:
        """The reply; what it is to be kept is kept, and the guidance solution that is due is worked out."""
        reply: dict[str, Any] = msgpack.unpackb(self.desk.receive(link, msgpack.packb(message)))
        self.recorder.flush()
        while self.registry.pending():
            self.registry.work()
        return reply

    def open_session(self, vehicle: str, role: Role, plan: str, body: Body) -> Speaking:
        """Open a session; what answers the states of that vehicle.

        Raises:
            MessageFault: the session is refused.
        """
        opening = {"type": "open", "protocol": PROTOCOL_VERSION, "vehicle": vehicle, "role": role, "plan": plan}
        reply = self.ask(vehicle, opening)
        if reply["type"] == "fault":
            raise MessageFault(reply["code"], reply["field"], reply["expected"], reply["got"])
        return Speaking(lambda message: self.ask(vehicle, message), Frame(), body)

    def close(self) -> None:
        """End the recording; its file is whole then."""
        self.recorder.close()
