"""Malformed and mutated messages, in this process and over sockets; what must hold is checked after each.

    python -m tests.robustness.fuzz COUNT SEED [--sockets PART]
    python -m tests.robustness.fuzz 0 SEED --flips 8     so many bits of every byte of a message of each kind, both ways

Checked each time: exactly one reply, a fault in its model's shape or the answer to a message that was good all the
same; no fault of the service itself; nothing changed by a refusal, in any session. Every 20 messages an honest
script sends its next state: its replies are byte for byte those of an undisturbed flight.
"""

from __future__ import annotations

import argparse
import gc
import logging
import time
from collections import Counter
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from random import Random
from typing import Any, Final

import msgpack

from guidance_svc.wire.codec import encode
from tests.robustness.judge import BadReply, agree, read
from tests.robustness.mutations import mutation
from tests.robustness.world import PLAN, Service, honest_flight, library, opening

HONEST_EVERY: Final = 20
CONNECTIONS: Final = 6  # that stay; a passing one now and then
PASSING_FRAC: Final = 0.02
PLANS: Final = ("curlew_to_lagoon", "bargeman_to_lagoon", "sandpiper_boost", "nothing")
ROLES: Final = ("upper_stage", "tanker", "booster")
JUDGED_FROM: Final = 100_000  # messages; in shorter runs kernels are still being compiled after a tenth
GROWTH_LIMIT_MB: Final = 8.0  # resident, after a tenth of the run; a leak of 10 bytes a message is 9 MB a million


def resident_mb() -> float:
    """Resident memory of this process."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024.0
    raise RuntimeError("no VmRSS")


@cache
def whole_plans() -> tuple[dict[str, Any], ...]:
    """Every plan of the library with body, vehicle, site and phases written out, for absurd values in each."""
    inline = {**PLAN, "body": library().bodies["earth"].model_dump()}
    return (*(library().inlined(name) for name in sorted(library().flights)), inline)


@dataclass
class Tally:
    """What a run came to."""

    codes: Counter[str] = field(default_factory=Counter)
    honest: int = 0
    longest_s: float = 0.0
    slowest: bytes = b""
    warm_mb: float = 0.0
    end_mb: float = 0.0

    @property
    def sent(self) -> int:
        """Messages, without the honest ones."""
        return sum(self.codes.values())


class Honest:
    """The script that flies alongside."""

    def __init__(self, ask: Callable[[bytes], bytes]) -> None:
        self.ask, self.at, self.flights = ask, -1, 0

    def next(self) -> None:
        """One message of the flight, again and again.

        Raises:
            BadReply: a reply differs from the undisturbed flight's.
        """
        flight = honest_flight()
        if self.at < 0:
            self._expect("opened", opening("honest"))
        elif self.at == len(flight.requests):
            self._expect("closed", {"type": "close"})
            self.at, self.flights = -1, self.flights + 1
            return
        else:
            reply = self.ask(flight.requests[self.at])
            if reply != flight.replies[self.at]:
                raise BadReply(f"honest state {self.at + 1}: {reply!r} instead of {flight.replies[self.at]!r}")
        self.at += 1

    def _expect(self, kind: str, message: dict[str, Any]) -> None:
        reply = read(self.ask(encode(message, "msgpack")), as_json=False)
        if reply["type"] != kind:
            raise BadReply(f"honest {message['type']}: {reply}")


class InProcess:
    """The run against a desk in this process."""

    def __init__(self, seed: int) -> None:
        self.draw = Random(seed)
        self.service = Service()
        self.tally = Tally()
        self.honest = Honest(lambda payload: self.service.ask("honest", payload))
        self.at = [0] * CONNECTIONS
        self.number = 0

    def step(self) -> None:
        """One bad message, and the honest one when it is its turn."""
        self.number += 1
        if self.number % HONEST_EVERY == 0:
            self.honest.next()
            self.tally.honest += 1
        place = self.draw.randrange(CONNECTIONS)
        passing = self.draw.random() < PASSING_FRAC
        link: Hashable = ("passing", self.number) if passing else ("bad", place)
        payload = mutation(self._good(link, place), self.draw)
        self._send(link, payload, lines=self.draw.random() < 0.3)
        if passing or self.draw.random() < 0.001:
            self._close(link)
            self.service.desk.drop(link)

    def _good(self, link: Hashable, place: int) -> dict[str, Any]:
        """What this script would send if it were well: open, then states; it opens again after a close."""
        if self.service.registry.vehicle_of(link) is None or self.draw.random() < 0.05:
            return self._opening(place)
        if self.draw.random() < 0.02:
            return {"type": "close"}
        flight = honest_flight()
        self.at[place] = (self.at[place] + self.draw.choice((0, 1, 1, 1, 5))) % len(flight.messages)
        return flight.messages[self.at[place]]

    def _opening(self, place: int) -> dict[str, Any]:
        message = opening(f"bad-{place}")
        part = self.draw.random()
        if part < 0.2:
            message["plan"] = self.draw.choice(PLANS)
        elif part < 0.6:
            message["plan"] = self.draw.choice(whole_plans())
        message["role"] = self.draw.choice(ROLES)
        if self.draw.random() < 0.3:
            message["frame"] = {"motion": "turning", "axes": ["x", "z", "y"], "handedness": "left", "up": "geodetic"}
        if self.draw.random() < 0.3:
            message["resume"] = self.draw.choice(("token-1", "", "x" * 128))
        message["detail"] = self.draw.random() < 0.5
        return message

    def _send(self, link: Hashable, payload: bytes, lines: bool) -> None:
        before = self.service.snapshot()
        began = time.perf_counter()
        answer = self.service.ask(link, payload, "json" if lines else None)
        took = time.perf_counter() - began
        as_json = lines or payload[:1] == b"{"
        reply = read(answer, as_json)
        if took > self.tally.longest_s:
            self.tally.longest_s, self.tally.slowest = took, payload
        self.tally.codes[reply["code"] if reply["type"] == "fault" else reply["type"]] += 1
        if reply["type"] != "fault":
            agree(payload, reply, as_json)
        elif self.service.snapshot() != before:
            raise BadReply(f"{payload[:300]!r} was refused with {reply}, and something changed")

    def _close(self, link: Hashable) -> None:
        if self.service.registry.vehicle_of(link) is not None:
            closed = msgpack.unpackb(self.service.ask(link, encode({"type": "close"}, "msgpack")))
            if closed["type"] != "closed":
                raise BadReply(f"a good close: {closed}")

    def flip(self, bits: int, every: int = 1) -> Tally:
        """Flip bits of every byte, or every so manieth, of a message of each kind, in both encodings and transports.

        Raises:
            BadReply: with the offending bytes.
        """
        link, states = ("bad", 0), honest_flight().messages
        kinds: list[dict[str, Any]] = [opening("bad-0"), states[0], {"type": "health"}]
        for message in [*kinds, {"type": "close"}]:
            for encoding in ("json", "msgpack"):
                good = encode(message, encoding)
                for at in range(self.draw.randrange(every), len(good), every):
                    for bit in self.draw.sample(range(8), bits):
                        if self.service.registry.vehicle_of(link) is None and message["type"] != "open":
                            self.service.told(link, opening("bad-0"))
                        flipped = bytearray(good)
                        flipped[at] ^= 1 << bit
                        self._send(link, bytes(flipped), lines=encoding == "json")
                        if message["type"] == "open":
                            self._close(link)
        return self.tally

    def settle(self) -> None:
        """Everything closed but the honest flight: what is left is what the service keeps of the past."""
        for place in range(CONNECTIONS):
            self._close(("bad", place))
        gc.collect()

    def run(self, count: int, watch: Callable[[], None] = lambda: None) -> Tally:
        """So many bad messages.

        Raises:
            BadReply: with the offending bytes.
        """
        for number in range(count):
            if number == count // 10:
                self.settle()
                self.tally.warm_mb, self.tally.longest_s = resident_mb(), 0.0
            self.step()
            watch()
        while self.honest.at >= 0:  # the honest flight to its end
            self.honest.next()
            self.tally.honest += 1
        self.settle()
        self.tally.end_mb = resident_mb()
        return self.tally


def main() -> None:
    """The run of the command line."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeElapsedColumn, TimeRemainingColumn

    from tests.robustness.fuzz_sockets import over_sockets

    parser = argparse.ArgumentParser(prog="python -m tests.robustness.fuzz")
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("--sockets", type=float, default=0.02, help="part of the messages that go over real sockets")
    parser.add_argument("--flips", type=int, default=0, help="bits of every byte of a message of each kind; 8: all")
    args = parser.parse_args()
    logging.getLogger("guidance_svc").setLevel(logging.ERROR)  # every refusal is told otherwise
    console = Console(width=None if Console().is_terminal else 120)
    columns = (BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(), TimeRemainingColumn())
    if args.flips:
        show(console, "flipped", InProcess(args.seed).flip(args.flips))
        show(console, "flipped, over sockets", over_sockets(args.seed, 0, flips=(args.flips, 1)))
    if not args.count:
        return
    over = int(args.count * args.sockets)
    began = time.monotonic()
    with Progress(*columns, console=console) as progress:
        task = progress.add_task("fuzz", total=args.count)
        watch = lambda: progress.advance(task)  # noqa: E731
        inside = InProcess(args.seed).run(args.count - over, watch)
        show(console, "in this process", inside)
        outside = over_sockets(args.seed, over, watch) if over else None
    if outside is not None:
        show(console, "over sockets", outside)
    console.print(f"wall time {time.monotonic() - began:.0f} s")
    grown = inside.end_mb - inside.warm_mb
    if args.count >= JUDGED_FROM and grown > GROWTH_LIMIT_MB:
        raise SystemExit(f"resident memory grew by {grown:.1f} MB; allowed {GROWTH_LIMIT_MB:g} MB")


def show(console: Any, title: str, tally: Tally) -> None:
    """The numbers of one part."""
    answered = sum(tally.codes[kind] for kind in ("opened", "command", "closed", "health"))
    console.print(
        f"{title}: {tally.sent} messages, {tally.sent - answered} refused or cut off, {answered} good all the same; "
        f"internal_error {tally.codes['internal_error']}; {tally.honest} honest ones answered as undisturbed"
    )
    console.print("  " + ", ".join(f"{code} {n}" for code, n in tally.codes.most_common()))
    console.print(
        f"  memory {tally.warm_mb:.1f} MB after a tenth, {tally.end_mb:.1f} MB at the end; slowest since then "
        f"{1000 * tally.longest_s:.0f} ms: {tally.slowest[:60]!r}"
    )


if __name__ == "__main__":
    main()
