"""From the records of a recording to what is known of each vehicle; only what will be shown is decoded.

Every message is counted, few are parsed: its vehicle and type stand in its channel, its `seq`, `time_s` and `phase`
are found by their keys (a key within a JSON text would have its quotes escaped, so they cannot be mistaken).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Final

from mcap.opcode import Opcode
from mcap.records import Channel, Metadata

from guidance_svc.storage.framing import MESSAGE_HEAD, Damaged, Record
from guidance_svc.storage.recorder import NO_VEHICLE, OPEN_KEY

SEQ: Final = b'"seq":'
TIME: Final = b'"time_s":'
PHASE: Final = b'"phase":"'
TEXT_LIMIT: Final = 300  # characters of a warning or a fault that are shown


@dataclass(slots=True)
class Link:
    """How the connection of one vehicle is.

    Args:
        states: received, repeats not counted.
        gaps: numbers that were left out, summed.
        repeats: states sent again under the same number.
        faults: messages refused.
        last_fault: the sentence of the last one.
        fault_fresh: whether nothing was accepted since.
    """

    states: int = 0
    gaps: int = 0
    repeats: int = 0
    faults: int = 0
    last_fault: str = ""
    fault_fresh: bool = False


@dataclass(slots=True)
class Heard:
    """What has been heard of one vehicle.

    Args:
        opened: the last `opened` reply; None where the recording does not have it.
        frame: as the script's `open` said.
        plan: name of the flight plan, or the plan itself.
        flights: how often a session was begun anew.
        state, command: the newest pair as JSON; None before the first.
        asked: the newest state while its reply has not come, with its vehicle time and log time.
        time_s, wall_ns: of the newest pair's state.
        closed: whether the script has closed the session.
    """

    vehicle: str
    opened: dict[str, Any] | None = None
    frame: dict[str, Any] = field(default_factory=dict)
    plan: str | dict[str, Any] = ""
    role: str = ""
    flights: int = 0
    state: bytes | None = None
    command: bytes | None = None
    asked: tuple[bytes, float, int] | None = None
    time_s: float = 0.0
    phase: bytes = b""
    wall_ns: int = 0
    closed: bool = False
    fresh: bool = False
    seq: int | None = None
    link: Link = field(default_factory=Link)

    def describe(self, message: dict[str, Any]) -> None:
        """What the script's `open` said."""
        self.frame, self.plan = message.get("frame") or {}, message["plan"]
        self.role = str(message.get("role", ""))


class Walk:
    """Takes records in order.

    `vehicles` is what has been heard, `plans` the flight plans by name, `refused` the messages that were refused
    before any vehicle had opened, `last_wall_ns` the log time of the newest message.
    """

    def __init__(self) -> None:
        self.vehicles: dict[str, Heard] = {}
        self.plans: dict[str, dict[str, Any]] = {}
        self.refused = 0
        self.last_refusal = ""
        self.first_wall_ns: int | None = None
        self.last_wall_ns = 0
        self.about: dict[str, str] = {}
        self._channels: dict[int, tuple[str, str]] = {}

    def take(self, record: Record) -> Heard | None:
        """One record; the vehicle whose newest pair is now complete, or which was opened, closed or refused."""
        try:
            if record.opcode == Opcode.MESSAGE:
                return self._message(record)
            if record.opcode == Opcode.CHANNEL:
                about = record.parse(Channel)
                self._channels[about.id] = (about.metadata["vehicle"], about.metadata["type"])
            elif record.opcode == Opcode.METADATA:
                self._metadata(record.parse(Metadata))
        except (Damaged, KeyError, ValueError, TypeError, AttributeError, IndexError, RecursionError):
            return None  # one record that no recorder writes must not stop the board
        return None

    def new_part(self) -> None:
        """Another file begins, with channel numbers of its own."""
        self._channels.clear()

    def _metadata(self, metadata: Metadata) -> None:
        if metadata.name == "flight_plan":
            self.plans[metadata.metadata["name"]] = json.loads(metadata.metadata["json"])
        elif metadata.name == "session":
            self._went_on(metadata.metadata["vehicle"], json.loads(metadata.metadata[OPEN_KEY]))
        elif metadata.name == "service":
            self.about = dict(metadata.metadata)

    def _went_on(self, vehicle: str, message: dict[str, Any]) -> None:
        """A session that was open when this part began; of a vehicle that is known already, nothing new."""
        if vehicle not in self.vehicles:
            self.vehicles[vehicle] = Heard(vehicle)
            self.vehicles[vehicle].describe(message)

    def _message(self, record: Record) -> Heard | None:
        channel, _, wall_ns, _ = MESSAGE_HEAD.unpack_from(record.content)
        vehicle, kind = self._channels[channel]
        if self.first_wall_ns is None:
            self.first_wall_ns = wall_ns
        self.last_wall_ns = wall_ns
        data = record.content[MESSAGE_HEAD.size :]
        if kind == "fault":
            return self._fault(vehicle, data)
        if kind in ("open", "opened", "close", "closed"):
            return self._session(vehicle, kind, data)
        if kind not in ("state", "command"):
            return None
        heard = self.vehicles.get(vehicle)
        if heard is None:
            heard = self.vehicles[vehicle] = Heard(vehicle)
        if kind == "state":
            self._state(heard, data, wall_ns)
            return None
        if heard.asked is None:
            return None
        (heard.state, heard.time_s, heard.wall_ns), heard.asked = heard.asked, None
        heard.command = data
        heard.fresh = True
        heard.phase = _text_after(data, PHASE)
        return heard

    def _state(self, heard: Heard, data: bytes, wall_ns: int) -> None:
        seq, link = int(_number_after(data, SEQ)), heard.link
        heard.asked, heard.closed = (data, _number_after(data, TIME), wall_ns), False
        if seq == heard.seq:
            link.repeats += 1
            return
        if heard.seq is not None and seq > heard.seq + 1:
            link.gaps += seq - heard.seq - 1
        heard.seq = seq
        link.states += 1
        link.fault_fresh = False

    def _session(self, vehicle: str, kind: str, data: bytes) -> Heard | None:
        message = json.loads(data)
        heard = self.vehicles.get(vehicle)
        if heard is None:
            heard = self.vehicles[vehicle] = Heard(vehicle)
        if kind == "open":
            heard.describe(message)
        elif kind == "opened":
            if not message.get("resumed"):
                heard.flights += 1
                heard.state = heard.command = heard.asked = heard.seq = None
            heard.opened, heard.closed, heard.fresh = message, False, True
        elif kind == "closed":
            heard.closed = heard.fresh = True
        return heard if kind != "open" else None

    def _fault(self, vehicle: str, data: bytes) -> Heard | None:
        text = str(json.loads(data).get("message", ""))[:TEXT_LIMIT]
        heard = self.vehicles.get(vehicle)
        if vehicle == NO_VEHICLE or heard is None:
            self.refused += 1
            self.last_refusal = text
            return None
        heard.link.faults += 1
        heard.link.last_fault, heard.link.fault_fresh = text, True
        heard.fresh = True
        return heard


def _number_after(data: bytes, key: bytes) -> float:
    """The number that follows a key.

    Raises:
        ValueError: there is none.
    """
    begin = data.index(key) + len(key)
    end = begin
    while data[end] not in b",}":
        end += 1
    return float(data[begin:end])


def _text_after(data: bytes, key: bytes) -> bytes:
    begin = data.find(key)
    return b"" if begin < 0 else data[begin + len(key) : data.index(b'"', begin + len(key))]
