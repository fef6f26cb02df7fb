"""Figures of processor time, in codecs: this process alone, no socket."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Final

import msgpack

from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.domain import Frame
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import fly, in_phase, in_process
from guidance_svc.service.desk import Desk
from guidance_svc.service.keeping import Keeping, sessions_now
from guidance_svc.session.registry import Registry
from guidance_svc.session.session import Session
from guidance_svc.storage.journal import FolderJournal
from guidance_svc.storage.rotating import RotatingRecorder, Storage
from tests.bench import states
from tests.closed_loop.optimum_cases import insertion_case
from tests.robustness.worst_case import corpus, worst
from tests.robustness.worst_case import measured as least_cost

STATES: Final = 4000  # the first 80 s of the burn, 160 major cycles
WARM: Final = 500
BLOCK: Final = 250
CODEC_ROUNDS: Final = 4
INSERTION: Final = "V01"
INSERTIONS: Final = 11  # with compiled kernels, the first of which compiles
TICK_S: Final = 0.1


def measured(codec_us: float) -> dict[str, float]:
    """All of them.

    Args:
        codec_us: of the machine that flights a second and milliseconds are shown for.
    """
    gc.collect()
    gc.freeze()
    flight = states.flown(STATES)
    messages = [msgpack.packb(states.as_message(state)) for state in flight]
    with TemporaryDirectory() as folder, ready_desk(Path(folder)) as (turn, sessions):
        session = Session(states.plan(), Frame())
        costs = Costs()
        for first in range(0, len(flight), BLOCK):
            replies = []
            for k in range(first, min(first + BLOCK, len(flight))):
                replies.append(costs.of("turn", turn, messages[k], k < WARM))
                sessions.work()
                costs.of("reply", session.state, flight[k], k < WARM)
                due = session.point is not None and session.point.due is not None
                costs.of("cycle", lambda _: session.work(), None, k < WARM or not due)
            costs.codec(messages[first : first + BLOCK], replies)
    codec_s = median(costs.took_s["codec"])
    figures = {name: median(costs.took_s[name]) / codec_s for name in ("reply", "turn", "cycle")}
    print(f"codec {1e6 * codec_s:.2f} us, " + ", ".join(f"{k} {1e6 * codec_s * x:.0f} us" for k, x in figures.items()))
    scale = 1e-6 * codec_us / codec_s
    return figures | {"insertion": 1.0 / (scale * insertion_s()), "worst": scale * worst_ms()}


class Costs:
    """Processor seconds of this thread, by figure; what reading the clock takes is taken off."""

    def __init__(self) -> None:
        self.took_s: dict[str, list[float]] = {name: [] for name in ("reply", "turn", "cycle", "codec")}
        empty = [time.thread_time() for _ in range(2001)]
        self._clock_s = median(after - before for before, after in pairwise(empty))

    def of(self, name: str, call: Callable[..., object], argument: object, left_out: bool) -> object:
        """Call, count, and hand on what came of it."""
        begin_s = time.thread_time()
        came = call(argument)
        took_s = time.thread_time() - begin_s - self._clock_s
        if not left_out:
            self.took_s[name].append(took_s)
        return came

    def codec(self, requests: list[bytes], replies: list[object]) -> None:
        """What the codec takes for each of these messages."""
        commands = [msgpack.unpackb(reply) for reply in replies]
        for _ in range(CODEC_ROUNDS):
            begin_s = time.thread_time()
            for request, command in zip(requests, commands, strict=True):
                msgpack.unpackb(request)
                msgpack.packb(command)
            self.took_s["codec"].append((time.thread_time() - begin_s) / len(requests))


@contextmanager
def ready_desk(folder: Path) -> Iterator[tuple[Callable[[bytes], bytes], Registry]]:
    """One open session: a function that answers and keeps a message as the service does, and the sessions."""
    sessions, keeping = Registry(lambda: "token"), Keeping()
    desk = Desk(sessions, load_library(default_folder()), keeping)
    keeping.recorder = RotatingRecorder(
        Storage(folder / "recordings"), time.time_ns, {"version": "bench"}, lambda: sessions_now(sessions)
    )
    keeping.journal = FolderJournal(folder / "journal", sessions, time.monotonic, desk.give_up)
    desk.receive("link", states.opening("bench"))

    def turn(message: bytes) -> bytes:
        reply = desk.receive("link", message)
        keeping.flush()
        return reply

    yield turn, sessions
    keeping.close()


def insertion_s() -> float:
    """One insertion from ignition to orbit, simulator and session; the kernel of its quiet part compiled before."""
    took_s = []
    for _ in range(INSERTIONS if HAVE_NUMBA else 1):
        plan, world, state = insertion_case(INSERTION)
        begin_s = time.process_time()
        guide = in_process(Session(plan, Frame()), quietly=True)
        log = fly(Craft(INSERTION, world, state), guide, in_phase("orbit"), tick_s=TICK_S)
        took_s.append(time.process_time() - begin_s)
        if not log.at_cutoff:
            raise SystemExit(f"insertion {INSERTION} came to no cutoff")
    return median(took_s)


def worst_ms() -> float:
    """The message that takes longest of those that once took too long."""
    conversations = [conversation for _, conversation in corpus()]
    return least_cost(max(conversations, key=lambda one: worst(one).ms)).ms
