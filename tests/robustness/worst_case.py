"""The message that takes the service longest: a search over plans and states, by processor time.

    python -m tests.robustness.worst_case [--minutes M] [--seed S] [--bound-ms B] [--add]

Random conversations, then changes to the worst found so far. Prints the longest processor time of one message, its
major cycle with it, and which message that was; ends with exit code 1 beyond the bound. With --add what was
beyond it goes into the corpus, which a default test sends again with its steps counted.
"""

from __future__ import annotations

import argparse
import gc
import json
import logging
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from heapq import heappush, heappushpop
from itertools import count
from pathlib import Path
from random import Random
from typing import Any, Final

import msgpack

from guidance_svc.core.effort import UNBOUNDED, allowed
from guidance_svc.wire.codec import encode
from tests.robustness.conversations import Conversation, a_conversation, varied
from tests.robustness.world import Service

BOUND_MS: Final = 50.0
CORPUS: Final = Path(__file__).parent / "data" / "slow_messages.jsonl"
KEPT: Final = 24  # conversations that the search goes on from
FRESH_FRAC: Final = 0.35
AGAIN: Final = 3  # times that a new worst is measured: the least counts, what else ran on the machine does not


@dataclass(frozen=True)
class Cost:
    """One message: processor time and counted steps, of reply and major cycle together."""

    number: int
    ms: float
    steps: int
    reply: dict[str, Any]


@dataclass(order=True)
class Candidate:
    """A conversation and the cost of its worst message, ordered by that."""

    ms: float
    number: int
    cost: Cost = field(compare=False)
    conversation: Conversation = field(compare=False)


def opening(conversation: Conversation) -> dict[str, Any]:
    """The `open` of a conversation."""
    return {"type": "open", "protocol": 1, "vehicle": "searched", "role": conversation.role, "detail": True,
            "plan": conversation.plan}  # fmt: skip


def costs(conversation: Conversation) -> Iterator[Cost]:
    """Send it to a fresh service, message by message; number 0 is the `open`."""
    service = Service()
    messages = [opening(conversation), *({**s, "seq": k} for k, s in enumerate(conversation.states, start=1))]
    for number, message in enumerate(messages):
        payload = encode(message, "msgpack")
        with allowed(UNBOUNDED) as effort:
            began_s = time.process_time()
            reply = service.ask("searched", payload)
            took_s = time.process_time() - began_s
        yield Cost(number, 1e3 * took_s, effort.spent, msgpack.unpackb(reply))
        if number == 0 and msgpack.unpackb(reply)["type"] == "fault":
            return


def worst(conversation: Conversation) -> Cost:
    """Its most costly message."""
    return max(costs(conversation), key=lambda cost: cost.ms)


def measured(conversation: Conversation) -> Cost:
    """The same with what else ran on the machine taken out, as far as repeating does."""
    return min((worst(conversation) for _ in range(AGAIN)), key=lambda cost: cost.ms)


class Hunt:
    """The search and the worst that it has found."""

    def __init__(self, seed: int) -> None:
        self.draw = Random(seed)
        self.numbers = count()
        self.best: list[Candidate] = []
        self.sent = 0
        self.worst: Candidate | None = None

    def step(self) -> None:
        """One conversation."""
        fresh = len(self.best) < KEPT or self.draw.random() < FRESH_FRAC
        parent = None if fresh else self.draw.choice(self.best).conversation
        conversation = varied(parent, self.draw) if parent else a_conversation(self.draw)
        cost = worst(conversation)
        self.sent += 1 + len(conversation.states)
        if self.best and len(self.best) == KEPT and cost.ms <= self.best[0].ms:
            return
        cost = measured(conversation)
        candidate = Candidate(cost.ms, next(self.numbers), cost, conversation)
        if len(self.best) < KEPT:
            heappush(self.best, candidate)
        else:
            heappushpop(self.best, candidate)
        if self.worst is None or candidate.ms > self.worst.ms:
            self.worst = candidate


def add_to_corpus(conversation: Conversation, why: str) -> None:
    """Keep an input that once took too long."""
    CORPUS.parent.mkdir(exist_ok=True)
    with CORPUS.open("a") as corpus:
        corpus.write(json.dumps({"why": why, **conversation.as_table()}) + "\n")


def corpus() -> list[tuple[str, Conversation]]:
    """What once took too long, and why."""
    rows = [json.loads(line) for line in CORPUS.read_text().splitlines()]
    return [(row["why"], Conversation.of(row)) for row in rows]


def main() -> None:
    """The search of the command line."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    parser = argparse.ArgumentParser(prog="python -m tests.robustness.worst_case")
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bound-ms", type=float, default=BOUND_MS, help="processor time of one message")
    parser.add_argument("--add", action="store_true", help="add what was beyond the bound to the corpus")
    args = parser.parse_args()
    logging.getLogger("guidance_svc").setLevel(logging.ERROR)  # every refusal is logged otherwise
    gc.freeze()
    hunt, console = Hunt(args.seed), Console(width=None if Console().is_terminal else 120)
    for _, kept in corpus():
        cost = measured(kept)
        hunt.worst = max(hunt.worst or Candidate(0.0, -1, cost, kept), Candidate(cost.ms, -1, cost, kept))
    end_s = time.monotonic() + 60.0 * args.minutes
    columns = (BarColumn(), TextColumn("{task.description}"), TimeElapsedColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console) as progress:
        task = progress.add_task("searching", total=60.0 * args.minutes)
        while time.monotonic() < end_s:
            hunt.step()
            longest = hunt.worst.ms if hunt.worst else 0.0
            progress.update(task, completed=60.0 * args.minutes - (end_s - time.monotonic()),
                            description=f"{hunt.sent} messages, longest {longest:.1f} ms")  # fmt: skip
    show(console, hunt)
    if hunt.worst is not None and hunt.worst.ms > args.bound_ms:
        if args.add:
            add_to_corpus(hunt.worst.conversation, f"message {hunt.worst.cost.number} took {hunt.worst.ms:.0f} ms")
        raise SystemExit(1)


def show(console: Any, hunt: Hunt) -> None:
    """The worst message, and the few next to it."""
    console.print(f"{hunt.sent} messages")
    for candidate in sorted([*hunt.best, *([hunt.worst] if hunt.worst else [])], reverse=True)[:6]:
        cost, reply = candidate.cost, candidate.cost.reply
        said = reply.get("code") or f"{reply.get('phase')} {reply.get('status')} {reply.get('warnings')}"
        console.print(f"{cost.ms:.1f} ms, {cost.steps} steps: message {cost.number}, answered {reply['type']} {said}",
                      markup=False)  # fmt: skip
    if hunt.worst is not None:
        table = hunt.worst.conversation.as_table()
        states = [{k: v for k, v in state.items() if k != "type"} for state in table["states"]]
        stages = len(table["plan"]["vehicle"]["stages"])
        laws = [phase["law"] for phase in table["plan"].get("phases", [])]
        console.print(f"the longest: {stages} stages, {laws}, body {table['plan']['body']}", markup=False)
        number = hunt.worst.cost.number
        console.print(f"its message {number}: {states[max(number - 1, 0)]}", markup=False)


if __name__ == "__main__":
    main()
