"""Many vehicles for a long time against a real service: memory, reply times, faults, files, minute by minute.

    python -m tests.robustness.soak [--minutes M] [--vehicles N] [--rate HZ] [--plot FILE]

Every vehicle opens, flies the burn of `world.PLAN` (flown once beforehand and played: replies are repeatable, and each
is compared byte for byte), closes, and begins again; the starts are spread. In a run of less than ten flights the
flights are cut short to a tenth of it. Recording (rotated, the oldest parts deleted) and journal are on.

The verdict: resident memory in the last tenth within 2 % of the third, when every vehicle has flown twice; reply times
of the last tenth over the first, as ratios to a bare echo's at the same moments, for the machine may be shared. The
exit code is that of memory, replies and faults; times are told and never fail a run.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, Final

import msgpack
import zmq

from guidance_svc.wire.codec import encode
from tests.bench.processes import echo
from tests.robustness.process import Dealers, Served, served
from tests.robustness.world import honest_flight, opening

if TYPE_CHECKING:
    from rich.console import Console

MEMORY_FRAC: Final = 0.02
SLOWER: Final = 1.5  # told as slower above this; p99 of two tenths of one run differ by a third on a shared machine
SAMPLE_S: Final = 1.0
SETTINGS: Final = "[recording]\nrotate_bytes = 67108864\nkeep_bytes = 268435456"
LATE_S: Final = 30.0  # a reply that takes longer counts as lost


@dataclass
class Tenth:
    """What one tenth, or one minute, of the run was like."""

    service_s: list[float] = field(default_factory=list)
    echo_s: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)
    files: int = 0
    faults: int = 0
    wrong: int = 0


class Script:
    """One vehicle: plays the flight's messages at its rate, each reply compared with the undisturbed one."""

    def __init__(self, sock: zmq.Socket[bytes], name: str, states: int, due_s: float, period_s: float) -> None:
        flight = honest_flight()
        self.socket, self.due_s, self.period_s = sock, due_s, period_s
        self.requests = [
            encode(opening(name), "msgpack"),
            *flight.requests[:states],
            encode({"type": "close"}, "msgpack"),
        ]
        self.replies: list[bytes | None] = [None, *flight.replies[:states], None]
        self.at = 0
        self.sent: deque[tuple[float, int]] = deque()

    def send(self, now_s: float) -> None:
        """The next message; a script waits for each reply, so a late one moves what comes after it."""
        self.socket.send(self.requests[self.at])
        self.sent.append((now_s, self.at))
        self.at = (self.at + 1) % len(self.requests)
        self.due_s = max(self.due_s + self.period_s, now_s)

    def take(self, now_s: float, into: Sequence[Tenth]) -> None:
        """Every reply that is there."""
        while self.sent:
            try:
                reply = self.socket.recv(zmq.NOBLOCK)
            except zmq.Again:
                return
            began_s, at = self.sent.popleft()
            wanted = self.replies[at]
            kind = "" if wanted is not None else msgpack.unpackb(reply)["type"]
            right = reply == wanted if wanted is not None else kind == ("opened" if at == 0 else "closed")
            for tenth in into:
                tenth.service_s.append(now_s - began_s)
                tenth.wrong += not right
                tenth.faults += b"\xa5fault" in reply[:20]


class Echo(Script):
    """The bare echo, asked with the same states."""

    def take(self, now_s: float, into: Sequence[Tenth]) -> None:
        """Every reply that is there."""
        while self.sent:
            try:
                self.socket.recv(zmq.NOBLOCK)
            except zmq.Again:
                return
            began_s, _ = self.sent.popleft()
            for tenth in into:
                tenth.echo_s.append(now_s - began_s)


class Soak:
    """One run."""

    def __init__(self, service: Served, echo_at: str, args: argparse.Namespace) -> None:
        self.service, self.seconds = service, 60.0 * args.minutes
        self.tenths = [Tenth() for _ in range(10)]
        self.minutes: list[Tenth] = []
        self.dealers = Dealers()
        period_s = 1.0 / args.rate
        states = min(len(honest_flight().requests), int(self.seconds * args.rate / 10.0))
        self.begin_s = time.perf_counter()
        spread_s = states * period_s / args.vehicles
        self.scripts: list[Script] = [
            Script(self.dealers.connect(service.zmq), f"soak-{k}", states, self.begin_s + k * spread_s, period_s)
            for k in range(args.vehicles)
        ]
        self.scripts += [Echo(self.dealers.connect(echo_at), "echo", states, self.begin_s, period_s) for _ in range(2)]
        self.poller = zmq.Poller()
        self.of = {script.socket: script for script in self.scripts}
        for script in self.scripts:
            self.poller.register(script.socket, zmq.POLLIN)

    def run(self) -> Iterator[tuple[float, Tenth | None]]:
        """Fly; yields the part done every second, and each minute (or tenth, if that is shorter) when it is over."""
        minute_s = min(60.0, self.seconds / 10.0)
        next_sample_s, minute = self.begin_s, Tenth()
        while (now_s := time.perf_counter()) < self.begin_s + self.seconds:
            done_s = now_s - self.begin_s
            into = (self.tenths[min(9, int(10.0 * done_s / self.seconds))], minute)
            if now_s >= next_sample_s:
                next_sample_s += SAMPLE_S
                self._sample(into)
                over = done_s >= minute_s * (len(self.minutes) + 1)
                if over:
                    self.minutes.append(minute)
                yield done_s / self.seconds, minute if over else None
                if over:
                    minute = Tenth()
            self._turn(now_s, next_sample_s, into)
        self._drain()
        self.minutes.append(minute)
        yield 1.0, minute

    def _turn(self, now_s: float, next_sample_s: float, into: Sequence[Tenth]) -> None:
        due_s = next_sample_s
        for script in self.scripts:
            if script.sent:
                continue
            if script.due_s <= now_s:
                script.send(now_s)
            else:
                due_s = min(due_s, script.due_s)
        wait_s = max(0.0, due_s - time.perf_counter())
        for sock, _ in self.poller.poll(ceil(1000.0 * wait_s)):
            self.of[sock].take(time.perf_counter(), into)

    def _sample(self, into: Sequence[Tenth]) -> None:
        memory_mb, files = self.service.resident_mb(), self.service.open_files()
        for tenth in into:
            tenth.memory_mb.append(memory_mb)
            tenth.files = max(tenth.files, files)
        now_s = time.perf_counter()
        for script in self.scripts:
            if script.sent and now_s - script.sent[0][0] > LATE_S:
                raise SystemExit(f"no reply within {LATE_S:g} s")

    def _drain(self) -> None:
        until_s = time.perf_counter() + LATE_S
        while any(script.sent for script in self.scripts) and time.perf_counter() < until_s:
            for sock, _ in self.poller.poll(1000):
                self.of[sock].take(time.perf_counter(), (self.tenths[9],))
        self.tenths[9].wrong += sum(len(script.sent) for script in self.scripts)


def quantile_ms(values: Sequence[float], frac: float) -> float:
    """In milliseconds; 0 where nothing was measured."""
    ordered = sorted(values)
    return 1000.0 * ordered[min(len(ordered) - 1, int(frac * len(ordered)))] if ordered else 0.0


def line(number: int, minute: Tenth) -> tuple[str, ...]:
    """A minute as the table shows it."""
    return (
        str(number), f"{median(minute.memory_mb):.1f}", str(len(minute.service_s)),
        f"{quantile_ms(minute.service_s, 0.5):.2f}", f"{quantile_ms(minute.service_s, 0.99):.2f}",
        f"{quantile_ms(minute.echo_s, 0.99):.2f}", str(minute.faults), str(minute.wrong), str(minute.files),
    )  # fmt: skip


HEADS: Final = ("part", "memory MB", "replies", "p50 ms", "p99 ms", "echo p99 ms", "faults", "wrong", "files")


def verdict(tenths: Sequence[Tenth], trouble: Sequence[str]) -> tuple[bool, list[str]]:
    """Whether the run is good, and the sentences that say why."""
    warm_mb, end_mb = median(tenths[2].memory_mb), median(tenths[9].memory_mb)
    grown = end_mb / warm_mb - 1.0
    wrong, faults = sum(t.wrong for t in tenths), sum(t.faults for t in tenths)
    slow = [quantile_ms(t.service_s, 0.99) / max(1e-9, quantile_ms(t.echo_s, 0.99)) for t in (tenths[0], tenths[9])]
    ratio = slow[1] / max(1e-9, slow[0])
    plain = quantile_ms(tenths[9].service_s, 0.99) / max(1e-9, quantile_ms(tenths[0].service_s, 0.99))
    return abs(grown) <= MEMORY_FRAC and wrong == faults == 0 and not trouble, [
        f"memory: {warm_mb:.1f} MB after warm-up, {end_mb:.1f} MB at the end, {grown:+.2%} (allowed {MEMORY_FRAC:.0%})",
        f"p99, last tenth over first: {plain:.2f}; as ratios to the echo: {ratio:.2f}, "
        + ("slower" if ratio > SLOWER else "no slower"),
        f"replies: {sum(len(t.service_s) for t in tenths)}, wrong {wrong}, faults {faults}; "
        f"files {tenths[0].files} then {tenths[9].files}; trouble in the log: {len(trouble)}",
        *trouble[:5],
    ]


def plot(path: Path, minutes: Sequence[Tenth]) -> None:
    """Memory, reply times and files over the parts of the run."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, (above, middle, below) = pyplot.subplots(3, 1, sharex=True, figsize=(8, 7), layout="constrained")
    parts = range(1, len(minutes) + 1)
    above.plot(parts, [median(m.memory_mb) for m in minutes])
    above.set_ylabel("resident memory, MB")
    above.set_ylim(bottom=0.0)
    for frac, name in ((0.5, "p50"), (0.99, "p99")):
        middle.plot(parts, [quantile_ms(m.service_s, frac) for m in minutes], label=f"service {name}")
    middle.plot(parts, [quantile_ms(m.echo_s, 0.99) for m in minutes], label="bare echo p99", linestyle="--")
    middle.set_ylabel("reply time, ms")
    middle.set_ylim(bottom=0.0)
    middle.legend()
    below.plot(parts, [m.files for m in minutes], label="open files")
    below.plot(parts, [m.faults + m.wrong for m in minutes], label="faults and wrong replies")
    below.set_ylim(bottom=0.0)
    below.set_xlabel("part of the run")
    below.legend()
    figure.savefig(path)
    pyplot.close(figure)


def run(args: argparse.Namespace, console: Console) -> bool:
    """The whole run; whether it is good."""
    from rich.progress import BarColumn, Progress, TimeElapsedColumn, TimeRemainingColumn

    honest_flight()
    with tempfile.TemporaryDirectory() as made, served(Path(made), settings=SETTINGS) as service, echo() as bare:
        soak = Soak(service, bare.endpoint, args)
        console.print("  ".join(f"{head:>11}" for head in HEADS))
        with Progress(BarColumn(), TimeElapsedColumn(), TimeRemainingColumn(), console=console) as progress:
            task = progress.add_task("soak", total=1.0)
            for part, minute in soak.run():
                progress.update(task, completed=part)
                if minute is not None and minute.memory_mb:
                    progress.console.print("  ".join(f"{cell:>11}" for cell in line(len(soak.minutes), minute)))
        soak.dealers.close()
        good, sentences = verdict(soak.tenths, service.trouble())
    for sentence in sentences:
        console.print(sentence)
    console.print("good" if good else "NOT good")
    if args.plot is not None:
        plot(args.plot, [minute for minute in soak.minutes if minute.memory_mb])
    return good


def options(arguments: Sequence[str] | None = None) -> Any:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.robustness.soak")
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--vehicles", type=int, default=50)
    parser.add_argument("--rate", type=float, default=20.0, help="states a second, each vehicle")
    parser.add_argument("--plot", type=Path, help="picture of the run, SVG or PNG; needs matplotlib")
    return parser.parse_args(arguments)


def main() -> None:
    """The run of the command line."""
    from rich.console import Console

    console = Console(width=None if Console().is_terminal else 130)
    raise SystemExit(0 if run(options(), console) else 1)


if __name__ == "__main__":
    main()
