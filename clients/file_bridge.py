"""Guidance for scripts that can only read and write files: copy it with guidance_client_stdlib.py, run it beside them.

    python file_bridge.py FOLDER --vehicle Curlew --role upper_stage --plan curlew_to_lagoon

The bridge opens the session and writes the service's `opened` to FOLDER/opened.json. Then, again and again:

1. The script writes its state (PROTOCOL.md; `seq` rises, `type` may be left out) to a file of another name in FOLDER
   and renames that to state.json, so that nobody ever reads half of it.
2. The bridge answers in command.json, written the same way: a `command` or a `fault` (in flight with what to do
   meanwhile: attitude, throttle, `engine_on`), with the `seq` and `time_s` of the state. Wait until both are those of
   your state.
3. {"type": "close"} as state.json ends the session and the bridge.

While the service is gone the bridge answers all the same, from its safety net: `status` is "stale", `warnings` says
why, the throttle never rises, the engine is off from the last `cutoff_at_s` on; a landing is flown on by the last order
until contact or `cutoff_at_s`, so send `contact` in each state. Bridge, script and service may be
killed and started again: the token is kept in FOLDER/token, readable by you alone.
For simulation and teaching only; do not connect it to a real vehicle.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from pathlib import Path
from typing import Any

from guidance_client_stdlib import Fault, GuidanceClient, finite

LOOK_EVERY_S = 0.002
NOT_YET = "no answer yet: hold the attitude, engine as it is"


class Bridge:
    """Turns state.json into command.json through a client whose session is open."""

    def __init__(self, folder: Path, client: Any) -> None:
        self.folder, self.client, self.closed = folder, client, False
        self._seen = self._half = b""
        self._pass_over_what_is_answered()

    def turn(self) -> bool:
        """Look once; True when there was something to do."""
        raw = read(self.folder / "state.json")
        if not raw or raw == self._seen:
            return False
        try:
            state = dict(json.loads(raw))
        except (ValueError, TypeError):
            if raw != self._half:  # perhaps it was not renamed but is being written: look again
                self._half = raw
                return False
            state, reply = {}, garbage(raw)
        else:
            reply = self._answer(state)
        self._seen = raw
        echo = {name: state[name] if finite(state[name]) else None for name in ("seq", "time_s") if name in state}
        write(self.folder / "command.json", {**reply, **echo})
        return True

    def _answer(self, state: dict[str, Any]) -> dict[str, Any]:
        try:
            if state.get("type") == "close":
                self.client.close()
                self.closed = True
                return {"type": "closed"}
            if not finite(state.get("time_s")):
                return self._without_the_service(state, "not asked")
            return dict(self.client.exchange({name: value for name, value in state.items() if name != "seq"}))
        except Fault as fault:
            self.closed = fault.code == "taken_over"
            told = {"code": fault.code, "field": fault.field, "expected": fault.expected, "got": fault.got}
            return {**self._meanwhile(state), "type": "fault", **told, "message": str(fault)}
        except OSError as gone:
            return self._without_the_service(state, str(gone))

    def _meanwhile(self, state: dict[str, Any]) -> dict[str, Any]:
        """What the vehicle does while its states are refused: attitude, throttle, engine; nothing before a command."""
        told = dict(self.client.net.now(state.get("time_s"), "refused"))
        flying = told.pop("command") is not None
        return {name: told[name] for name in told_fields(told) if flying and name not in ("says", "time_s")}

    def _without_the_service(self, state: dict[str, Any], trouble: str) -> dict[str, Any]:
        told = self.client.net.now(state.get("time_s"), trouble)
        if (command := told.pop("command")) is None:
            return {"type": "fault", "code": "no_answer", "field": "", "expected": "a service that answers",
                    "got": trouble, "message": f"{trouble}; {NOT_YET}"}  # fmt: skip
        says, _ = told.pop("says"), told.pop("stale")
        return {**command, **{name: told[name] for name in told_fields(told)}, "status": "stale", "warnings": [says]}

    def _pass_over_what_is_answered(self) -> None:
        """After a restart: a state that has its answer is not asked again."""
        state, answer = (read(self.folder / name) for name in ("state.json", "command.json"))
        try:
            if answer and all(json.loads(state)[name] == json.loads(answer)[name] for name in ("seq", "time_s")):
                self._seen = state
        except (ValueError, TypeError, KeyError):
            pass  # half a file, or none: it is asked


def told_fields(told: dict[str, Any]) -> list[str]:
    """The names to send; `engines` only where not all of them burn, as in the service's own commands."""
    return [name for name in told if name != "engines" or told[name] is not None]


def garbage(raw: bytes) -> dict[str, Any]:
    """The fault for a file that is no JSON object."""
    got = raw[:60].decode("utf-8", "replace")
    says = f"state.json: expected one JSON object; got {got!r}"
    return {"type": "fault", "code": "garbage", "field": "", "expected": "one JSON object", "got": got, "message": says}


def read(path: Path) -> bytes:
    """The file's bytes; none when it is not there."""
    try:
        return path.read_bytes()
    except OSError:  # also while another program renames it
        return b""


def write(path: Path, message: dict[str, Any]) -> None:
    """The whole message or nothing appears under this name."""
    new = path.with_suffix(".json.new")
    new.write_text(json.dumps(message), encoding="utf-8")
    for left in range(100, -1, -1):
        try:
            os.replace(new, path)
            return
        except PermissionError:  # on Windows, while the script reads it
            if not left:
                raise
            time.sleep(LOOK_EVERY_S)


def main() -> int:
    """Bridge until closed, taken over or interrupted."""
    options = read_options()
    options.folder.mkdir(parents=True, exist_ok=True)
    token = str(options.folder / "token")
    client = GuidanceClient(options.guidance, timeout_s=options.patience, tries=1, token_file=token)
    try:
        opened = opened_in_time(client, options)
        write(options.folder / "opened.json", opened)
        bridge = Bridge(options.folder, client)
        print(
            f"{options.vehicle}: {'went on' if opened['resumed'] else 'opened'}, files in {options.folder}", flush=True
        )
        while not bridge.closed:
            if not bridge.turn():
                time.sleep(LOOK_EVERY_S)
    except Fault as fault:
        print(fault, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 0
    return 0 if client.stopped is None else 1


def opened_in_time(client: Any, options: argparse.Namespace) -> dict[str, Any]:
    """Open the session; a service that is not up yet is waited for."""
    while True:
        try:
            return dict(client.open(options.vehicle, options.role, options.plan, options.frame, detail=options.detail))
        except OSError as gone:
            print(f"{gone}; trying on", file=sys.stderr, flush=True)


def read_options() -> argparse.Namespace:
    """What the session is opened with, from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="where the files lie; one folder a vehicle")
    parser.add_argument("--vehicle", required=True, help="name of the vehicle")
    parser.add_argument("--role", required=True, choices=("booster", "upper_stage", "launch_vehicle", "tanker"))
    parser.add_argument("--plan", required=True, help="a flight plan that the service has")
    parser.add_argument("--frame", type=json.loads, default={}, help='as in PROTOCOL.md, such as {"motion": "turning"}')
    parser.add_argument("--detail", action="store_true", help="commands carry the numbers behind them")
    parser.add_argument("--guidance", default="tcp://127.0.0.1:5771", help="address of the guidance service")
    parser.add_argument("--patience", type=float, default=0.5, help="real time to wait for the service, s")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
