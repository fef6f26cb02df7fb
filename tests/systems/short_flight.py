"""A short stretch of powered flight through a service process, which may be killed on the way; needs no pytest.

Every reply must be that of the same stretch flown without a service.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from queue import Empty, Queue
from typing import Any, Final

from guidance_svc.domain import FlightPlan, Frame
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.speaking import obey
from guidance_svc.rehearsal.starts import at_separation
from guidance_svc.session.session import Session
from guidance_svc.sim.state import World
from guidance_svc.systems import own_group
from guidance_svc.wire.parse import parse_state
from guidance_svc.wire.replies import command_message
from tests.clients.loading import load
from tests.closed_loop.demo_flights import STEP_S

VEHICLE: Final = "Curlew"
PLAN: Final = "curlew_to_lagoon"
ROOT: Final = Path(__file__).parents[2]
WAIT_S: Final = 120.0  # bound of every wait; never waited out
READY: Final = re.compile(r"ready: zmq (tcp://[\d.:]+) tcp ([\d.:]+)")


class ServiceProcess:
    """`guidance-svc serve` in a folder: journal, recordings, log; its standard input ends it.

    Args:
        options: of `serve`, after the folders.
        first_path: goes first in PYTHONPATH.
        module: that is run.
        of_this_group: Ctrl-C reaches it as it reaches this process.
    """

    def __init__(
        self,
        folder: Path,
        *options: str,
        configs: Path | None = None,
        first_path: str = "",
        module: str = "guidance_svc",
        of_this_group: bool = False,
    ) -> None:
        self._group = {} if of_this_group else own_group()
        self.folder, self._options, self._configs = folder, options, configs or default_folder()
        path = [first_path, str(ROOT), os.environ.get("PYTHONPATH", "")]
        self._environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, path)), "PYTHONUTF8": "1"}
        self._module, self.log = module, list[str]()
        self.zmq, self.tcp = "tcp://127.0.0.1:0", "127.0.0.1:0"
        self.start()

    def start(self) -> None:
        """Begin; returns once it listens, and listens where it did before."""
        command = [sys.executable, "-m", self._module, "serve", "--configs", str(self._configs), "--record",
                   str(self.folder / "recordings"), "--journal", str(self.folder / "journal"), "--zmq", self.zmq,
                   "--tcp", self.tcp, "--until-input-ends", *self._options]  # fmt: skip
        self.process = subprocess.Popen(
            command, cwd=self.folder, env=self._environment, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True, encoding="utf-8", **self._group,
        )  # fmt: skip
        self._lines: Queue[str] = Queue()
        self._listener = threading.Thread(target=self._listen, args=(self.process,), daemon=True)
        self._listener.start()
        while (found := READY.search(self._next_line())) is None:
            pass
        self.zmq, self.tcp = found.groups()

    def kill(self) -> None:
        """As kill -9 does."""
        self.process.kill()
        self.over()

    def end(self) -> int:
        """Let it finish its recording; its exit code."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        return self.over()

    def over(self) -> int:
        """Its exit code once it has ended."""
        code = self.process.wait(WAIT_S)
        self._listener.join(WAIT_S)
        for stream in (self.process.stdin, self.process.stderr):
            if stream is not None:
                stream.close()
        return code

    def _listen(self, process: subprocess.Popen[str]) -> None:
        assert process.stderr is not None
        for line in process.stderr:
            self.log.append(line)
            self._lines.put(line)
        self._lines.put("")

    def _next_line(self) -> str:
        try:
            line = self._lines.get(timeout=WAIT_S)
        except Empty:
            line = ""
        if not line:
            raise RuntimeError(f"the service did not start: {''.join(self.log)[-2000:]}")
        return line


def craft_of(plan: FlightPlan) -> Craft:
    """The upper stage where its booster let it go."""
    return Craft(VEHICLE, World(plan.body, plan.vehicle), at_separation(plan), lambda line: None)


def advance(craft: Craft, command: Mapping[str, Any]) -> str | None:
    """Do as told for one step; the event that was carried out."""
    return obey(craft, command, STEP_S)


def state_of(craft: Craft) -> dict[str, Any]:
    """What a script sends of it."""
    told = craft.telemetry()
    return {name: told[name] for name in load("examples/simulated_vehicle").STATE_FIELDS}


def expected(count: int) -> list[dict[str, Any]]:
    """The replies of so many exchanges, session against simulator, without a service."""
    plan = load_library(default_folder()).plan(PLAN, "upper_stage")
    craft, session, done, replies = craft_of(plan), Session(plan, Frame()), None, []
    for seq in range(1, count + 1):
        state = state_of(craft) | {"type": "state", "seq": seq} | ({"seen_event": done} if done else {})
        replies.append(command := command_message(session.state(parse_state(state))))
        session.work()
        done = advance(craft, command) or done
    return replies


def flown(service: ServiceProcess, client: Any, count: int, kill_at: int | None = None) -> list[dict[str, Any]]:
    """The same through the service; killed and started again before one of the exchanges."""
    plan = load_library(default_folder()).plan(PLAN, "upper_stage")
    craft, replies = craft_of(plan), []
    client.open(vehicle=VEHICLE, role="upper_stage", plan=PLAN, frame={"motion": "inertial"})
    for at in range(count):
        if at == kill_at:
            service.kill()
            service.start()
        state = state_of(craft)
        replies.append(command := client.exchange(state))
        if advance(craft, command) is not None:
            client.done(command["event"])
    return replies
