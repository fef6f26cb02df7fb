"""Puts the parts together: the service that listens, and the fresh one that a replay plays to."""

from __future__ import annotations

import gc
import logging
import os
import secrets
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from guidance_svc import __version__
from guidance_svc.constants import CAUTION, PROTOCOL_VERSION
from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.errors import GuidanceError
from guidance_svc.files.config_files import Library, chosen_folder, load_library, load_settings
from guidance_svc.files.settings import Settings
from guidance_svc.playback.replay import InProcess
from guidance_svc.service.access import load_access
from guidance_svc.service.addresses import host_and_port, zmq_endpoint
from guidance_svc.service.clocks import steady_ns
from guidance_svc.service.desk import Desk
from guidance_svc.service.health import Health, state_of
from guidance_svc.service.keeping import Keeping, RecordedSessions, sessions_now
from guidance_svc.service.privileges import drop_privileges, warn_of_root
from guidance_svc.service.server import Ready, Server
from guidance_svc.session.budget import HISTORY_MEMORY_BYTES
from guidance_svc.session.registry import Registry
from guidance_svc.session.warmup import warm_up
from guidance_svc.storage.journal import FolderJournal
from guidance_svc.storage.recorder import NoRecorder, Recorder
from guidance_svc.storage.rotating import RotatingRecorder, Storage, no_sessions
from guidance_svc.systems import STOPS_AND_CTRL_C

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Choices:
    """What the command line changes of the settings; None leaves a setting as it is."""

    configs: Path | None = None
    zmq: str | None = None
    tcp: str | None = None
    record: Path | None = None
    no_record: bool = False
    journal: Path | None = None
    no_journal: bool = False
    user: str | None = None
    """Whom the service goes on as once the sockets are bound."""


@dataclass(frozen=True, slots=True)
class Service:
    """A service that is bound and not running yet."""

    server: Server
    keeping: Keeping
    recording: Path | None
    journal: Path | None
    taken_up: tuple[str, ...]
    """Vehicles whose sessions came back from the journal."""
    configs: Path


def make_service(choices: Choices) -> Service:
    """Read the configuration, bind the sockets, take up the sessions of the journal, open the recording.

    Raises:
        ConfigError: a bad file, or an address that cannot be used.
        RecordingError: the recording cannot be made.
    """
    folder = chosen_folder(choices.configs)
    library, settings = load_library(folder), settings_of(folder, choices)
    access = load_access(settings.access)
    zmq_endpoint(settings.addresses.zmq, with_keys=access is not None)  # before anything that takes long
    if settings.addresses.tcp:
        host_and_port(settings.addresses.tcp)
    limits = settings.limits
    registry = Registry(new_token, limits.sessions, limits.history_bytes, limits.history_memory_bytes)
    if HAVE_NUMBA:
        _log.info("compiling the guidance kernels")
        warm_up()
    keeping = Keeping()
    states = {"recording": lambda: state_of(keeping.recorder), "journal": lambda: keeping.journal.state}
    health = Health(time.monotonic, __version__, states)
    desk = Desk(registry, library, keeping, settings.limits.message_bytes, access, health)
    server = Server(desk, registry, keeping, settings.addresses, settings.limits, access)
    try:
        if choices.user is not None:
            drop_privileges(choices.user)
        journal, taken_up = open_journal(settings, choices, registry, keeping, desk.give_up)
        keeping.recorder, recording = open_recorder(settings, choices, steady_ns, lambda: sessions_now(registry))
        for vehicle in taken_up:
            health.note_message(vehicle)
    except GuidanceError:
        keeping.close()
        server.close()
        raise
    return Service(server, keeping, recording, journal, taken_up, folder)


def run_service(service: Service, on_ready: Callable[[Ready], None]) -> None:
    """Serve until a signal asks for the end (`STOPS_AND_CTRL_C`), then finish the recording; a second one ends at once.

    Call in the main thread.
    """

    def stop(number: int, _frame: object) -> None:
        _log.info("%s: stopping", signal.Signals(number).name)
        service.server.stop()
        signal.signal(number, signal.SIG_DFL)

    before = {number: signal.signal(number, stop) for number in STOPS_AND_CTRL_C}
    wake = signal.set_wakeup_fd(service.server.wake_descriptor, warn_on_full_buffer=False)  # no poll waits it out
    warn_of_root()
    gc.collect()
    gc.freeze()  # the models and schemas live as long as the process: no pause to look through them again
    try:
        service.server.run(on_ready)
    finally:
        signal.set_wakeup_fd(wake)
        service.keeping.close()
        for number, handler in before.items():
            signal.signal(number, handler)


def stop_with_input(server: Server) -> None:
    """End `run` when standard input ends: a service that a program started lives no longer than that program."""

    def listen() -> None:
        while os.read(sys.stdin.fileno(), 4096):
            pass
        server.stop()

    threading.Thread(target=listen, daemon=True).start()


def fresh_service(library: Library, history_memory_bytes: int = HISTORY_MEMORY_BYTES) -> InProcess:
    """A service in this process without sockets and recording, as a replay needs it."""
    sessions = Registry(new_token, memory_bytes=history_memory_bytes)
    return InProcess(Desk(sessions, library), sessions, RecordedSessions(sessions))


def settings_of(folder: Path, choices: Choices) -> Settings:
    """service.toml with the command line's choices over it.

    Raises:
        ConfigError: a bad file.
    """
    settings = load_settings(folder)
    addresses = settings.addresses.model_copy(
        update={key: value for key, value in (("zmq", choices.zmq), ("tcp", choices.tcp)) if value is not None}
    )
    return settings.model_copy(update={"addresses": addresses})


def open_journal(
    settings: Settings, choices: Choices, registry: Registry, keeping: Keeping, give_up: Callable[[str, str], None]
) -> tuple[Path | None, tuple[str, ...]]:
    """The journal's folder, and the vehicles whose sessions it held; none where none is wanted.

    Raises:
        ConfigError: the folder cannot be used, or another service uses it.
    """
    folder = choices.journal or (Path(settings.journal.folder) if settings.journal.folder else None)
    if choices.no_journal or folder is None:
        return None, ()
    keeping.journal = journal = FolderJournal(folder, registry, time.monotonic, give_up)
    return folder, tuple(journal.take_up())


def open_recorder(
    settings: Settings,
    choices: Choices,
    clock_ns: Callable[[], int],
    sessions_now: Callable[[], list[dict[str, str]]] = no_sessions,
) -> tuple[Recorder, Path | None]:
    """The recorder and its first file; no recording where none is wanted.

    Args:
        sessions_now: what the open sessions are, for the head of each part.

    Raises:
        RecordingError: the file cannot be made.
    """
    folder = choices.record or (Path(settings.recording.folder) if settings.recording.folder else None)
    if choices.no_record or folder is None:
        return NoRecorder(), None
    about = {
        "version": __version__,
        "protocol": str(PROTOCOL_VERSION),
        "settings": settings.model_dump_json(),
        "caution": CAUTION,
    }
    storage = Storage(folder, settings.recording.rotate_bytes, settings.recording.keep_bytes)
    recorder = RotatingRecorder(storage, clock_ns, about, sessions_now)
    return recorder, recorder.path


def new_token() -> str:
    """A key of 128 random bits."""
    return secrets.token_urlsafe(16)
