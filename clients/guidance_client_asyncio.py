"""Talk to the guidance service from asyncio, with the standard library alone. Copy this one file next to your script.

The address is that of the service's JSON-lines port. There are no keys: the service's own machine only.
For simulation and teaching only; do not connect it to a real vehicle.

    client = GuidanceClient("tcp://127.0.0.1:5771")
    opened = await client.open("Curlew", "upper_stage", "curlew_to_lagoon")
    command = await client.exchange(state)     # waits for the answer
    now = await client.steer(state)            # waits 0.05 s at most: the newest law, carried on to this time
    now = client.now(time_s)                   # for the ticks in between, without waiting

Several vehicles fly in one event loop, each with a client of its own. PROTOCOL.md says what each field means.
"""

from __future__ import annotations

import asyncio
import json
import math
import os
import time
import warnings
from collections.abc import Callable
from contextlib import suppress
from typing import Any

PROTOCOL = 1
ROUNDING_S = 1e-6  # two clock readings nearer than this are one
TURN_ON_S = 10.0  # of vehicle time that turning rates are applied after their command
TRAIL_S, MOST_TRAIL = 2.0, 200  # of vehicle time over which the turning of `pointing` is taken; commands kept for it
SILENCE_S = 1.0  # of real time without any answer after which `steer` opens a new connection
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.1, 5.0  # of real time between attempts to connect; it doubles
NUMBERS = (  # of a command; all of them are needed
    "seq", "time_s", "pitch_deg", "heading_deg", "pitch_rate_deg_s", "heading_rate_deg_s", "throttle", "next_contact_s",
)  # fmt: skip
TIMES = ("cutoff_at_s", "latest_off_at_s")  # of a command: numbers or null, not both null while the engine is on
REFUSED_FOR_NOW = ("session_limit", "too_many_connections", "too_fast", "internal_error")  # of an `open`: asked later
REFUSED_FOR_GOOD = ("taken_over", "wrong_token", "vehicle_not_allowed")
HINT = "is the service up? JSON lines are on port 5771, ZeroMQ on 5770"


class Fault(Exception):
    """The service refused a message. Attributes: code (stable, branch on it), field (its path), expected, got."""

    def __init__(self, fault: dict[str, Any]) -> None:
        self.code = str(fault.get("code", ""))
        self.field = str(fault.get("field", ""))
        self.expected = str(fault.get("expected", ""))
        self.got = str(fault.get("got", ""))
        text = f"{self.field}: {self.code}; expected {self.expected}; got {self.got}"
        super().__init__(str(fault.get("message") or text))


class FlawedAnswer(ConnectionError):
    """An answer that lacks a field, or has one that is not what PROTOCOL.md says."""


def finite(value: Any) -> bool:
    """Whether a field is a number to reckon with."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def flaw(command: dict[str, Any]) -> str:
    """The first field of a command that is missing or not what PROTOCOL.md says, in words; "" for none."""
    pointing, down = command.get("pointing"), command.get("throttle_down")
    holds = {name: finite(command.get(name)) for name in NUMBERS}
    holds |= {name: command.get(name) is None or finite(command[name]) for name in TIMES}
    holds["cutoff_at_s"] &= "cutoff_at_s" in command
    holds["engine_on"] = isinstance(command.get("engine_on"), bool)
    holds["latest_off_at_s"] &= command.get("engine_on") is not True or any(finite(command.get(name)) for name in TIMES)
    holds["phase"] = isinstance(command.get("phase"), str)
    holds["pointing"] = isinstance(pointing, (list, tuple)) and len(pointing) == 3 and all(map(finite, pointing))
    whole = isinstance(down, dict) and finite(down.get("at_s")) and finite(down.get("throttle"))
    holds["throttle_down"] = down is None or whole
    holds["engines"] = command.get("engines") is None or finite(command["engines"])
    holds["cut_on_contact"] = isinstance(command.get("cut_on_contact", False), bool)
    return next((f"{name} is {command.get(name, 'missing')!r}" for name, right in holds.items() if not right), "")


def off_at_s(command: dict[str, Any]) -> float:
    """Vehicle time from which the engine is off: the cutoff, or `latest_off_at_s`; infinity while it is off."""
    return min((float(command[name]) for name in TIMES if finite(command.get(name))), default=math.inf)


def cutoff_now(command: dict[str, Any], time_s: float, tick_s: float = 0.0) -> bool:
    """Whether the engine must be off at `time_s` of the vehicle's clock; yes if that clock reads no number.

    With `tick_s`, the length of your simulator's tick, the answer turns true at the tick nearest to the cutoff.
    """
    return not finite(time_s) or time_s + 0.5 * tick_s + ROUNDING_S >= off_at_s(command)


def lands(command: dict[str, Any]) -> bool:
    """Whether it is an order of a landing: its engine is cut by contact, and cutting it earlier is not safe."""
    return command.get("cut_on_contact") is True


def lit_at(command: dict[str, Any], time_s: float) -> bool:
    """Whether the engine is ordered to burn; in a landing also by an ignition told ahead, from its time on."""
    event = command.get("event")
    ahead = lands(command) and isinstance(event, dict) and event.get("name") == "ignite" and finite(event.get("at_s"))
    return command["engine_on"] or (ahead and off_at_s(command) < math.inf and time_s + ROUNDING_S >= event["at_s"])


class SafetyNet:
    """What the vehicle does between two replies, and when none come any more: the last law, and never more than it.

    Pitch, heading and pointing turn on for TURN_ON_S after their command and are then held. The engine is off from the
    last `cutoff_at_s` on, and stays off until the answer to a later state lights it. When stale, it is never lit and
    never throttled up. Where nothing is known, the engine stays as it is for `stale_after_s`, then it is off.
    A landing (`cut_on_contact`) is flown on when stale: attitude, throttle and engines as last ordered, an ignition
    told ahead at its time, until contact or `cutoff_at_s`, whichever is first. Tell `contact` in each state.
    A command with a field missing or wrong is passed over: what came before it is flown on, as stale.
    It goes by the vehicle's clock; while that reads no number, by the seconds of `clock` since it last did.
    The clients use it; a script needs it only for a link of its own.
    """

    def __init__(
        self, tick_s: float = 0.0, stale_after_s: float = 1.0, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.tick_s, self.stale_after_s, self._clock = tick_s, stale_after_s, clock
        self._read_s = 0.0  # of `clock`, when the vehicle's clock last read a number
        self._flaw = ""  # of a command that was passed over since the last good one
        self.command: dict[str, Any] | None = None  # the newest
        self._trail: list[dict[str, Any]] = []  # the newest and those of TRAIL_S before it in the same phase
        self._time_s = self._unknown_since_s = float("-inf")
        self._cut_s: float | None = None
        self._contact_s: float | None = None  # since when legs or arms bear, as the states say
        self._engine: tuple[bool, float] = (False, 0.0)  # on, throttle: last returned, or what the state shows

    def at(self, time_s: float, state: dict[str, Any] | None = None) -> bool:
        """Note the clock and the engine; True when the clock went back: what is of the later time is dropped."""
        if not finite(time_s):
            return False
        self._read_s = self._clock()
        back, first = time_s < self._time_s, self._time_s == float("-inf")
        if back:
            self._trail = [command for command in self._trail if command["time_s"] <= time_s]
            self.command = self._trail[-1] if self._trail else None
            if self._cut_s is not None and self._cut_s > time_s:
                self._cut_s = None
            if self._contact_s is not None and self._contact_s > time_s:
                self._contact_s = None
        if back or first:
            self._unknown_since_s = time_s
        if state is not None and (back or self.command is None):
            throttle = state.get("throttle")
            self._engine = (state.get("engine_on") is True, float(throttle) if finite(throttle) else 0.0)
        if state is not None and isinstance(state.get("contact"), bool):
            self._contact_s = (time_s if self._contact_s is None else self._contact_s) if state["contact"] else None
        self._time_s = time_s
        return back

    def take(self, command: dict[str, Any]) -> None:
        """Take a command, however late; one that is flawed or not newer than the last is passed over."""
        if found := flaw(command):
            self._flaw = f"an answer was passed over, its {found}"
            return
        if self.command is not None and command["seq"] <= self.command["seq"]:
            return
        self._flaw = ""
        near = [c for c in self._trail if 0.0 < command["time_s"] - c["time_s"] <= TRAIL_S]
        self._trail = [*(c for c in near[-MOST_TRAIL:] if c["phase"] == command["phase"]), command]
        self.command = command

    def now(self, time_s: float, trouble: str = "") -> dict[str, Any]:
        """What to do at `time_s`; `trouble` says what is wrong with the link, "" when nothing is."""
        self.at(time_s)
        if not finite(time_s):
            trouble = "; ".join(filter(None, [f"the vehicle's clock reads {time_s!r}", trouble]))
            time_s = self._time_s + max(0.0, self._clock() - self._read_s)
        trouble = trouble or self._flaw
        command, (was_on, was_throttle) = self.command, self._engine
        if command is None:
            on = was_on and time_s - self._unknown_since_s <= self.stale_after_s
            self._engine = (on, was_throttle)
            says = f"{trouble or 'no answer yet'}; engine {'as it is for a moment' if on else 'off'}"
            unknown = dict.fromkeys(("pitch_deg", "heading_deg", "pointing", "engines", "command"))
            time_s = time_s if finite(time_s) else 0.0
            return {"time_s": time_s, **unknown, "throttle": was_throttle, "engine_on": on, "stale": True, "says": says}
        age_s = time_s - command["time_s"]
        stale = bool(trouble) or age_s > max(command["next_contact_s"], self.stale_after_s)
        if command["engine_on"] and not stale and self._cut_s is not None and command["time_s"] > self._cut_s:
            self._cut_s = None
        borne = lands(command) and self._contact_s is not None
        if self._cut_s is None and (borne or cutoff_now(command, time_s, self.tick_s)):
            self._cut_s = time_s
        on, throttle = lit_at(command, time_s) and self._cut_s is None, command["throttle"]
        down = command.get("throttle_down")  # told ahead, because the cutoff reckons with it
        if down and time_s + ROUNDING_S >= down["at_s"]:
            throttle = min(throttle, down["throttle"])
        if stale and not lands(command):
            on, throttle = on and was_on, min(throttle, was_throttle)
        self._engine = (on, throttle)
        turn_s = 0.0 if stale and lands(command) else max(0.0, min(age_s, TURN_ON_S))
        says, turned = self._says(command, on, trouble), self._turned(command, turn_s)
        return {"time_s": time_s, **turned, "throttle": throttle, "engine_on": on, "engines": command.get("engines"),
                "stale": stale, "says": says if stale else "", "command": command}  # fmt: skip

    def _turned(self, command: dict[str, Any], seconds: float) -> dict[str, Any]:
        pitch_deg = command["pitch_deg"] + command["pitch_rate_deg_s"] * seconds
        heading_deg = (command["heading_deg"] + command["heading_rate_deg_s"] * seconds) % 360.0
        first, pointing = self._trail[0], command["pointing"]
        if command is not first and seconds > 0.0:
            ahead = seconds / (command["time_s"] - first["time_s"])
            moved = [b + ahead * (b - a) for a, b in zip(first["pointing"], pointing, strict=True)]
            length = math.hypot(*moved)
            pointing = [x / length for x in moved] if length > 0.0 else pointing
        return {"pitch_deg": max(-90.0, min(90.0, pitch_deg)), "heading_deg": heading_deg, "pointing": pointing}

    @staticmethod
    def _says(command: dict[str, Any], on: bool, trouble: str) -> str:
        law = "landing by the last order until contact or" if lands(command) else "flying on the last law until"
        then = f"{law} cutoff at {off_at_s(command)} s" if on else "engine off"
        return f"{trouble or 'no answer'} since vehicle time {command['time_s']} s; {then}"


class GuidanceClient:
    """One vehicle's line to the service; guidance_client_stdlib.py explains arguments, attributes and methods.

    `exchange` and `close` must not run at the same time as another call of the same client.
    """

    def __init__(
        self, address: str, timeout_s: float = 5.0, tries: int = 3, token_file: str | None = None,
        patience_s: float = 0.05, tick_s: float = 0.0, stale_after_s: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        self._host, _, port = address.removeprefix("tcp://").rpartition(":")
        if not (self._host == "localhost" or self._host.startswith("127.")) or not port.isdigit():
            raise ValueError(f'address: expected "tcp://127.0.0.1:port", this machine only; got {address!r}')
        self.address, self._port = address, int(port)
        self.timeout_s, self.tries, self.token_file, self.patience_s = timeout_s, tries, token_file, patience_s
        self.clock, self.net = clock, SafetyNet(tick_s, stale_after_s, clock)
        self.token: str | None = None
        self.resumed: bool | None = None
        self.stopped: Fault | None = None
        self.seq = 0
        self.done_event: str | None = None
        self._open_message: dict[str, Any] = {}
        self._greeted = False
        self._seq_floor = 0  # answers below it are to states of a time that was never flown
        self._asked_s: float | None = None  # since when `steer` has heard nothing
        self._pause_s, self._next_try_s = FIRST_PAUSE_S, float("-inf")
        self._complaint = ""
        self._writer: asyncio.StreamWriter | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._awaited: dict[Any, asyncio.Future[dict[str, Any]]] = {}  # by seq, "opened" or "closed"

    async def open(
        self, vehicle: str, role: str, plan: str | dict[str, Any], frame: dict[str, Any] | None = None,
        resume: str | None = None, detail: bool = False, clock: str | None = None,
    ) -> dict[str, Any]:  # fmt: skip
        """Open the vehicle's session, or take one up again with `resume`. Returns `opened`: read it.

        `clock` names a clock that other scripts share: a vehicle and its tower hear each other on it.
        """
        self._open_message = {
            "type": "open", "protocol": PROTOCOL, "vehicle": vehicle, "role": role, "plan": plan,
            "frame": frame or {}, "detail": detail,
        }  # fmt: skip
        if clock is not None:
            self._open_message["clock"] = clock
        self.token, self.stopped = resume or self._stored(), None
        self.hang_up()
        return await self._ask(None, "opened")

    async def exchange(self, state: dict[str, Any]) -> dict[str, Any]:
        """Send a state, return the command that answers it. `seq` and `seen_event` are filled in for you."""
        self._stop_if_taken_over()
        self._note_clock(state.get("time_s"), state)
        self.seq = max(self.seq + 1, state.get("seq", 0))
        command = await self._ask({**state, "type": "state", "seq": self.seq}, self.seq)
        self.net.now(command["time_s"])
        return command

    async def steer(self, state: dict[str, Any]) -> dict[str, Any]:
        """Send a state and return what to do now, within `patience_s`, whatever the link does. After `open`."""
        if "time_s" not in state or not self._open_message:
            raise ValueError(f"steer: expected an open session and state['time_s'] in seconds; got {state!r:.80}")
        time_s = state["time_s"]
        self._stop_if_taken_over()
        self._note_clock(time_s, state)
        if self._asked_s is not None and self.clock() - self._asked_s > SILENCE_S:
            self._lost()
        if self._greeted and finite(time_s):
            self.seq = max(self.seq + 1, state.get("seq", 0))
            self._send(self._acknowledging({**state, "type": "state", "seq": self.seq}))
            self._asked_s = self.clock() if self._asked_s is None else self._asked_s
            answer = self._future(self.seq)
            answer.add_done_callback(self._note_fault)
            await asyncio.wait([answer], timeout=self.patience_s)
        elif not self._greeted and self.stopped is None and not self._tasks and self.clock() >= self._next_try_s:
            await asyncio.wait([self._start(self._reach())], timeout=self.patience_s)
        return self.now(time_s)

    def now(self, time_s: Any) -> dict[str, Any]:
        """What to do at `time_s`, as from `steer`, without a state: for the ticks in between."""
        self._note_clock(time_s)
        self._stop_if_taken_over()
        trouble = "" if self._greeted else f"no answer from {self.address}"
        told = self.net.now(time_s, f"{self.stopped} (not asked again)" if self.stopped else trouble)
        return {**told, "says": "; ".join(filter(None, [self._complaint, told["says"]]))}

    def done(self, event: dict[str, Any]) -> None:
        """Say that an event was carried out; the next states carry its id, and the service stops repeating it."""
        self.done_event = event["id"]

    async def close(self) -> None:
        """End the session and the connection; the token is of no more use, and its file is removed."""
        await self._ask({"type": "close"}, "closed")
        self.hang_up()
        self._open_message, self.token = {}, None
        if self.token_file:
            with suppress(FileNotFoundError):
                os.remove(self.token_file)

    def hang_up(self) -> None:
        """Close the connection and leave the session open in the service; the next exchange takes it up again."""
        if self._writer is not None:
            self._writer.close()
        for task in self._tasks - {asyncio.current_task()}:
            task.cancel()
            self._tasks.discard(task)
        self._writer, self._greeted, self._asked_s = None, False, None

    def _note_clock(self, time_s: Any, state: dict[str, Any] | None = None) -> None:
        if self.net.at(time_s, state):  # a save was reloaded: what was done and answered after it is undone
            self.done_event, self._seq_floor = None, self.seq + 1

    def _stop_if_taken_over(self) -> None:
        if self.stopped is not None and self.stopped.code == "taken_over":
            raise self.stopped

    def _acknowledging(self, message: dict[str, Any]) -> dict[str, Any]:
        return {"seen_event": self.done_event, **message} if self.done_event else message

    async def _ask(self, message: dict[str, Any] | None, key: Any) -> dict[str, Any]:
        until = self.clock() + self.tries * self.timeout_s
        pause_s = 0.05
        while True:
            try:
                async with asyncio.timeout(self.timeout_s):
                    if not self._greeted:
                        opened = await self._greet()
                        if message is None:
                            return opened
                    assert message is not None
                    answer = self._future(key)
                    self._send(self._acknowledging(message) if message["type"] == "state" else message)
                    return await answer
            except OSError as gone:  # TimeoutError as well
                if self.clock() >= until:
                    raise TimeoutError(f"no answer from {self.address} ({gone}): {HINT}") from None
            except Fault as fault:
                self.stopped = fault if fault.code == "taken_over" else self.stopped
                if fault.code != "no_session" or self.clock() >= until:
                    raise
            self.hang_up()
            await asyncio.sleep(pause_s)
            pause_s = min(2.0 * pause_s, 1.0)

    async def _greet(self) -> dict[str, Any]:
        self.hang_up()
        reader, self._writer = await asyncio.open_connection(self._host, self._port)
        self._start(self._listen(reader, self._writer))
        shown, answer = self.token, self._future("opened")
        self._send({**self._open_message, **({"resume": shown} if shown else {})})
        opened = await answer
        if not isinstance(opened.get("token"), str) or not isinstance(opened.get("resumed"), bool):
            raise FlawedAnswer(f"{self.address}: an `opened` without its token")
        self.token, self.resumed, self._greeted = opened["token"], opened["resumed"], True
        if self.token_file and self.token != self._stored():
            with os.fdopen(os.open(self.token_file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
                os.chmod(self.token_file, 0o600)
                file.write(opened["token"])
        told = list(opened.get("warnings") or [])
        if not self.resumed:
            self.done_event = None  # the new session never announced that event
            told += ["the service has no memory of this flight: its session began anew"] if shown else []
        for sentence in told:
            warnings.warn(sentence, stacklevel=4)
        return opened

    async def _reach(self) -> None:
        """The line that `steer` needs, opened behind its back."""
        try:
            async with asyncio.timeout(SILENCE_S):
                await self._greet()
        except OSError:
            self._lost()
        except Fault as fault:
            if fault.code in ("no_session", *REFUSED_FOR_NOW):
                self._lost()
            else:
                self._refused(fault)

    async def _listen(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError, ValueError, TypeError, RecursionError):  # all but the first: it speaks another language
            while line := await reader.readline():
                self._sort(dict(json.loads(line)))
        if self._writer is writer:
            self._lost()

    def _sort(self, reply: dict[str, Any]) -> None:
        kind, seq = reply.get("type"), reply.get("seq")
        self._asked_s = None
        flawed = kind == "command" and flaw(reply)
        if kind == "command" and (flawed or reply["seq"] >= self._seq_floor):
            self.net.take(reply)
            self._pause_s, self._complaint = FIRST_PAUSE_S, ""
        for key in (kind, seq) if kind != "fault" or seq is not None else tuple(self._awaited):
            answer = self._awaited.pop(key, None)
            if answer is not None and not answer.done():
                if flawed:
                    answer.set_exception(FlawedAnswer(f"an answer whose {flawed}"))
                elif kind != "fault":
                    answer.set_result(reply)
                else:
                    answer.set_exception(Fault(reply))

    def _refused(self, fault: Fault) -> None:
        if fault.code == "no_session":
            self._lost()
        elif self._greeted and fault.code not in REFUSED_FOR_GOOD:
            self._complaint = str(fault)
        else:
            self.stopped = fault
            self.hang_up()
            if fault.code != "taken_over":
                warnings.warn(f"{fault}: not asked again", stacklevel=2)

    def _lost(self) -> None:
        self.hang_up()
        self._next_try_s = self.clock() + self._pause_s
        self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)
        for answer in self._awaited.values():
            if not answer.done():
                answer.set_exception(ConnectionError(f"{self.address} hung up"))
        self._awaited.clear()

    def _future(self, key: Any) -> asyncio.Future[dict[str, Any]]:
        for old in [k for k, answer in self._awaited.items() if answer.done()]:
            del self._awaited[old]
        self._awaited[key] = asyncio.get_running_loop().create_future()
        self._awaited[key].add_done_callback(lambda answer: answer.cancelled() or answer.exception())
        return self._awaited[key]

    def _note_fault(self, answer: asyncio.Future[Any]) -> None:
        if not answer.cancelled() and isinstance(fault := answer.exception(), Fault):
            self._refused(fault)

    def _start(self, work: Any) -> asyncio.Task[None]:
        task: asyncio.Task[None] = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    def _send(self, message: dict[str, Any]) -> None:
        assert self._writer is not None
        self._writer.write(json.dumps(message).encode() + b"\n")

    def _stored(self) -> str | None:
        if self.token_file and os.path.exists(self.token_file):
            with open(self.token_file, encoding="utf-8") as file:
                return file.read().strip() or None
        return None
