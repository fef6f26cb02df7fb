"""Recorded flights for the report's tests: the demo's vehicles through desk and recorder, without sockets."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import count
from pathlib import Path
from typing import Any

import msgpack

from guidance_svc.bootstrap import fresh_service
from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.playback.report_detail import add_detail, needs_detail
from guidance_svc.playback.report_reading import Recording, read_recording
from guidance_svc.playback.reporting import flights_of
from guidance_svc.rehearsal.craft import craft_on_pad
from guidance_svc.rehearsal.speaking import obey
from guidance_svc.report.burns import Burns
from guidance_svc.report.flown import Flown
from guidance_svc.report.page import About
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import McapRecorder
from tests.clients.loading import load
from tests.closed_loop.demo_flights import STEP_S
from tests.closed_loop.demo_flights import Flown as Truth

ABOUT = About("flight.mcap", datetime(2026, 11, 25, 10, 0, 0), datetime(2026, 11, 25, 10, 5, 0), "test")
TICK_NS = 1_000_000  # of wall time from one message to the next


class Service:
    """A desk with the real registry behind a recorder whose clock ticks once a message."""

    def __init__(self, path: Path, library: Library | None = None) -> None:
        ticks, tokens = count(1_700_000_000_000_000_000, TICK_NS), count()
        self.recorder = McapRecorder(path, lambda: next(ticks), {"version": "test"})
        self.registry = Registry(lambda: f"secret-{next(tokens)}")
        self.desk = Desk(self.registry, library or load_library(default_folder()), self.recorder)

    def ask(self, link: int, message: dict[str, Any]) -> dict[str, Any]:
        """The reply; deferred guidance is worked out."""
        reply: dict[str, Any] = msgpack.unpackb(self.desk.receive(("zmq", link), msgpack.packb(message)))
        while self.registry.pending():
            self.registry.work()
        return reply


@dataclass
class Tanker:
    """Bargeman's flight: its recording, and what its simulator says."""

    path: Path
    truth: Truth


def fly_tanker(path: Path) -> Tanker:
    """The demo's tanker to Lagoon, as its example script flies it; detail recorded, so that nothing is played again."""
    library, example = load_library(default_folder()), load("examples/simulated_vehicle")
    truth = Truth(library.plan("bargeman_to_lagoon", "tanker"))
    service, craft = Service(path, library), craft_on_pad("Bargeman", truth.plan, None, truth.log)
    opening = {"type": "open", "protocol": 1, "vehicle": "Bargeman", "role": "tanker", "plan": "bargeman_to_lagoon"}
    service.ask(1, {**opening, "detail": True})
    done = None
    for seq in count(1):
        told = craft.telemetry()
        state = {name: told[name] for name in example.STATE_FIELDS} | {"type": "state", "seq": seq}
        command = service.ask(1, state | ({"seen_event": done} if done else {}))
        truth.exchanges.append((state, command))
        if command["status"] == "complete":
            break
        done = obey(craft, command, STEP_S)
    service.ask(1, {"type": "close"})
    service.recorder.close()
    return Tanker(path, truth)


def reported(path: Path, again: bool = True) -> tuple[Recording, list[tuple[Flown, Burns]]]:
    """The flights of a recording as the command reads them."""
    recording = read_recording(path)
    if again and needs_detail(recording):
        add_detail(recording, fresh_service(Library()))
    return recording, [(flown, Burns(flown)) for flown in flights_of(recording)]


def bent(path: Path, out: Path, change: Callable[[Any], Iterable[Any]]) -> Path:
    """A copy of a recording in which each message in is replaced, dropped or multiplied; replies are made anew."""
    from guidance_svc.playback.recordings import RecordedMessage, RecordingReader

    service = Service(out)
    for entry in RecordingReader(path).entries():
        if isinstance(entry, RecordedMessage) and entry.direction == "in" and entry.type != "refused":
            for message in change(entry):
                service.ask(entry.link, message)
    service.recorder.close()
    return out


def only(flown: Flown, keep: Any) -> Flown:
    """A flight of which only some states were told."""
    track = replace(flown.track, **{
        name: getattr(flown.track, name)[keep] for name in flown.track.__dataclass_fields__ if name != "body"
    })  # fmt: skip
    replies = replace(thinned(flown.replies, keep), landing=thinned(flown.replies.landing, keep))
    return replace(
        flown, track=track, replies=replies, seqs=flown.seqs[keep], wall_s=flown.wall_s[keep],
        propellant_kg=flown.propellant_kg[keep],
    )  # fmt: skip


def thinned(said: Any, keep: Any) -> Any:
    """Columns of replies of which only some are kept; what is no column stays."""
    columns = {name: getattr(said, name) for name in said.__dataclass_fields__ if name != "landing"}
    return replace(said, **{
        name: (tuple(v for v, k in zip(value, keep, strict=True) if k) if isinstance(value, tuple) else value[keep])
        for name, value in columns.items()
    })  # fmt: skip
