"""Talk to the guidance service over plain TCP with the standard library alone. Copy this one file next to your script.

The same class and calls as guidance_client.py; the address is that of the service's JSON-lines port. Without keys and
therefore for the service's own machine only: between machines use guidance_client.py with keys.
For simulation and teaching only; do not connect it to a real vehicle.

README.md has the loop of a flight script: open once, then exchange a state for a command, again and again. `exchange`
waits for its answer. A loop that must not wait calls `steer`: it says at once what to do, with or without an answer.

Cut the engine at `cutoff_at_s` on the vehicle's own clock, not when a reply happens to arrive: give that time to your
simulator if it takes one, or ask `now` (or an Autocut) in every tick between two replies. PROTOCOL.md has every field.
"""

from __future__ import annotations

import json
import math
import os
import select
import socket
import time
import warnings
from collections.abc import Callable
from typing import Any

PROTOCOL = 1
ROUNDING_S = 1e-6  # two clock readings nearer than this are one
TURN_ON_S = 10.0  # of vehicle time that turning rates are applied after their command
TRAIL_S, MOST_TRAIL = 2.0, 200  # of vehicle time over which the turning of `pointing` is taken; commands kept for it
SILENCE_S = 1.0  # of real time without any answer after which `steer` opens a new connection
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.1, 5.0  # of real time between attempts to connect; it doubles
MOST_AT_ONCE = 1000  # replies taken in one call
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


class Autocut:
    """Remembers the latest `cutoff_at_s`, for a script that looks at its engine between two replies."""

    def __init__(self, tick_s: float = 0.0) -> None:
        self.tick_s = tick_s
        self.command: dict[str, Any] = {}

    def update(self, command: dict[str, Any]) -> None:
        """Take note of a new command; call it after each exchange."""
        self.command = command

    def due(self, time_s: float) -> bool:
        """True from the cutoff on, on the vehicle's own clock."""
        return cutoff_now(self.command, time_s, self.tick_s)


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
    """One vehicle's line to the service.

    Args:
        address: of the service's JSON-lines port, "tcp://127.0.0.1:port"; this machine only.
        timeout_s: real time that `open`, `exchange` and `close` wait for a reply before asking again.
        tries: how often to ask; each new try opens a new connection and takes the session up again by its token.
        token_file: keeps the token (readable by you alone): a script started again goes on; one file a vehicle.
        patience_s: real time that `steer` waits at most.
        tick_s: length of your simulator's tick: `steer` and `now` cut at the tick nearest to the cutoff.
        stale_after_s: vehicle time without a fresh answer after which data is stale (or `next_contact_s`, if longer).
        clock: of real time, in seconds; for tests.

    Attributes: token; resumed (False when the session began anew; in mid-flight a warning says so too); stopped (the
    Fault that ended all asking, or None; a new `open` asks again); net (the SafetyNet).
    """

    def __init__(
        self, address: str,
        timeout_s: float = 5.0, tries: int = 3, token_file: str | None = None,
        patience_s: float = 0.05, tick_s: float = 0.0, stale_after_s: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        self._host, _, port = address.removeprefix("tcp://").rpartition(":")
        if not (self._host == "localhost" or self._host.startswith("127.")) or not port.isdigit():
            raise ValueError(
                f'address: expected "tcp://127.0.0.1:port", for this client has no keys and stays on this machine '
                f"(guidance_client.py has keys); got {address!r}"
            )
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
        self._socket: socket.socket | None = None
        self._unread = b""

    def open(
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
        self.token, self._greeted, self.stopped = resume or self._stored(), False, None
        return self._ask({}, "opened")

    def exchange(self, state: dict[str, Any]) -> dict[str, Any]:
        """Send a state, return the command that answers it. `seq` and `seen_event` are filled in for you."""
        self._stop_if_taken_over()
        self._note_clock(state.get("time_s"), state)
        command = self._ask(self._numbered(state), "command")
        self.net.take(command)
        self.net.now(command["time_s"])
        self._pause_s = FIRST_PAUSE_S
        return command

    def steer(self, state: dict[str, Any]) -> dict[str, Any]:
        """Send a state and return what to do now, within `patience_s`, whatever the link does. After `open`.

        Returns pitch_deg, heading_deg, pointing (each None before the first answer), throttle, engine_on, engines (how
        many; None: all), stale, says (a sentence, or "") and command (the newest that came, for phase, event and
        status; or None).
        An answer that comes late is used in the next call. A lost connection is opened again, with pauses from 0.1 s to
        5 s. Raises Fault only for `taken_over`: another script flies this vehicle, so let go of it.
        """
        if "time_s" not in state or not self._open_message:
            raise ValueError(f"steer: expected an open session and state['time_s'] in seconds; got {state!r:.80}")
        time_s = state["time_s"]
        until = self.clock() + self.patience_s
        self._stop_if_taken_over()
        self._note_clock(time_s, state)
        try:
            if finite(time_s) and self._reach(until):
                message = self._numbered(state)
                self._send(message, until)
                self._asked_s = self.clock() if self._asked_s is None else self._asked_s
                self._take(until, message["seq"])
        except OSError:
            self._lost()
        return self.now(time_s)

    def now(self, time_s: Any) -> dict[str, Any]:
        """What to do at `time_s`, as from `steer`, without a state and without waiting: for the ticks in between."""
        self._note_clock(time_s)
        try:
            self._take(0.0)
        except OSError:
            self._lost()
        self._stop_if_taken_over()
        trouble = "" if self._greeted else f"no answer from {self.address}"
        told = self.net.now(time_s, f"{self.stopped} (not asked again)" if self.stopped else trouble)
        return {**told, "says": "; ".join(filter(None, [self._complaint, told["says"]]))}

    def done(self, event: dict[str, Any]) -> None:
        """Say that an event was carried out; the next states carry its id, and the service stops repeating it."""
        self.done_event = event["id"]

    def close(self) -> None:
        """End the session and the connection; the token is of no more use, and its file is removed."""
        self._ask({"type": "close"}, "closed")
        self.hang_up()
        self._open_message, self.token = {}, None
        if self.token_file and os.path.exists(self.token_file):
            os.remove(self.token_file)

    def _note_clock(self, time_s: Any, state: dict[str, Any] | None = None) -> None:
        if self.net.at(time_s, state):  # a save was reloaded: what was done and answered after it is undone
            self.done_event, self._seq_floor = None, self.seq + 1

    def _numbered(self, state: dict[str, Any]) -> dict[str, Any]:
        self.seq = max(self.seq + 1, state.get("seq", 0))
        message = {**state, "type": "state", "seq": self.seq}
        if self.done_event and "seen_event" not in message:
            message["seen_event"] = self.done_event
        return message

    def _stop_if_taken_over(self) -> None:
        if self.stopped is not None and self.stopped.code == "taken_over":
            raise self.stopped

    def _ask(self, message: dict[str, Any], wanted: str) -> dict[str, Any]:
        why = HINT
        for left in reversed(range(self.tries)):
            try:
                if self._open_message and not self._greeted:
                    opened = self._greet(message)
                    if wanted == "opened":
                        return opened
                return self._once(message, wanted)
            except (TimeoutError, ConnectionError) as gone:
                why = str(gone) if isinstance(gone, FlawedAnswer) else HINT
                self.hang_up()
            except Fault as fault:  # a service that was started again behind the same socket knows no session
                if fault.code == "no_session":
                    self.hang_up()
                self.stopped = fault if fault.code == "taken_over" else self.stopped
                if fault.code != "no_session" or not (left and self._open_message):
                    raise
        raise TimeoutError(f"no answer from {self.address} in {self.tries} x {self.timeout_s} s: {why}")

    def _opening(self) -> dict[str, Any]:
        return {**self._open_message, **({"resume": self.token} if self.token else {})}

    def _greet(self, message: dict[str, Any]) -> dict[str, Any]:
        if self._asked_s is not None:
            self.hang_up()  # `steer` was in the middle of something
        opened = self._once(self._opening(), "opened")
        self._opened(opened)
        if not self.resumed:
            message.pop("seen_event", None)  # the new session never announced that event
        return opened

    def _opened(self, opened: dict[str, Any]) -> None:
        if not isinstance(opened.get("token"), str) or not isinstance(opened.get("resumed"), bool):
            raise FlawedAnswer(f"{self.address}: an `opened` without its token")
        shown, self.token = self.token, opened["token"]
        self.resumed, self._greeted = opened["resumed"], True
        if self.token_file and self.token != self._stored():
            with os.fdopen(os.open(self.token_file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
                os.chmod(self.token_file, 0o600)
                file.write(opened["token"])
        told = list(opened.get("warnings") or [])
        if not self.resumed:
            self.done_event = None
            told += ["the service has no memory of this flight: its session began anew"] if shown else []
        for sentence in told:
            warnings.warn(sentence, stacklevel=5)

    def _stored(self) -> str | None:
        if self.token_file and os.path.exists(self.token_file):
            with open(self.token_file, encoding="utf-8") as file:
                return file.read().strip() or None
        return None

    def _once(self, message: dict[str, Any], wanted: str) -> dict[str, Any]:
        until = self.clock() + self.timeout_s
        self._connect_in_time(until)
        self._send(message, until)
        while True:
            reply = self._receive(until)
            self._asked_s = None
            if reply.get("seq") not in (None, message.get("seq")):
                continue  # the late answer to an earlier state
            if reply.get("type") == "fault":
                raise Fault(reply)
            if reply.get("type") == wanted and not (wanted == "command" and flaw(reply)):
                return reply
            if reply.get("type") == wanted:
                self.net.take(reply)  # which passes it over, and says so from then on
                raise FlawedAnswer(f"{self.address}: an answer whose {flaw(reply)}")

    def _reach(self, until: float) -> bool:
        """Whether a state can be sent; connects and greets, if it is time to, and takes up what comes of it later."""
        if self.stopped is not None or (self._socket is None and self.clock() < self._next_try_s):
            return False
        if self._socket is None:
            self._connect(until)
            self._send(self._opening(), until)
            self._asked_s = self.clock()
        self._take(0.0 if self._greeted else until)
        if self._asked_s is not None and self.clock() - self._asked_s > SILENCE_S:
            raise ConnectionError("silent")
        return self._greeted

    def _take(self, until: float, seq: int | None = None) -> None:
        """Take what has come; wait, until then at most, for the answer to `seq` or for anything."""
        for _ in range(MOST_AT_ONCE):
            if self._socket is None:
                return
            try:
                reply = self._receive(until)
            except TimeoutError:
                return
            self._asked_s = None
            if reply.get("type") == "opened":
                self._opened(reply)
            elif reply.get("type") == "fault":
                self._refused(Fault(reply))
            elif reply.get("type") == "command" and (flaw(reply) or reply["seq"] >= self._seq_floor):
                self.net.take(reply)
                self._pause_s, self._complaint = FIRST_PAUSE_S, ""
            if seq is None or reply.get("seq") == seq:
                until = 0.0  # the rest only if it is there

    def _refused(self, fault: Fault) -> None:
        if fault.code in ("no_session", *(() if self._greeted else REFUSED_FOR_NOW)):
            raise ConnectionError(str(fault))  # try again later
        if self._greeted and fault.code not in REFUSED_FOR_GOOD:
            self._complaint = str(fault)
            return
        self.stopped = fault
        self.hang_up()
        if fault.code != "taken_over":
            warnings.warn(f"{fault}: not asked again", stacklevel=4)

    def _lost(self) -> None:
        self.hang_up()
        self._next_try_s = self.clock() + self._pause_s
        self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)

    def hang_up(self) -> None:
        """Close the connection and leave the session open in the service; the next exchange takes it up again."""
        if self._socket is not None:
            self._socket.close()
        self._socket, self._unread, self._greeted, self._asked_s = None, b"", False, None

    def _connect_in_time(self, until: float) -> None:
        pause_s = 0.05
        while self._socket is None:
            try:
                self._connect(until)
            except ConnectionError:  # refused: perhaps the service is being started again
                time.sleep(max(0.0, min(pause_s, until - self.clock())))
                if self.clock() >= until:
                    raise
                pause_s *= 2.0

    def _connect(self, until: float) -> None:
        self._socket = socket.create_connection((self._host, self._port), max(1e-3, until - self.clock()))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _send(self, message: dict[str, Any], until: float) -> None:
        assert self._socket is not None
        self._socket.settimeout(max(1e-3, until - self.clock()))
        self._socket.sendall(json.dumps(message).encode() + b"\n")

    def _receive(self, until: float) -> dict[str, Any]:
        assert self._socket is not None
        while b"\n" not in self._unread:
            if not select.select([self._socket], [], [], max(0.0, until - self.clock()))[0]:
                raise TimeoutError(f"no answer from {self.address}")
            if not (chunk := self._socket.recv(65536)):
                raise ConnectionError(f"{self.address} hung up")
            self._unread += chunk
        line, self._unread = self._unread.split(b"\n", 1)
        try:
            return dict(json.loads(line))
        except (ValueError, TypeError, RecursionError):
            raise ConnectionError(f"{self.address} speaks another language") from None
