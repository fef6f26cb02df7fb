"""Child processes of the demo: started together, listened to line by line, ended together."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from queue import Empty, Queue
from types import TracebackType
from typing import Any

from guidance_svc.systems import STOPS, ask_to_end, own_group

GOODBYE_S = 5.0  # real time that a child has to end on request before it is killed
LISTEN_S = 15.0  # real time after which a server that does not listen yet is told of, and again after each such time
LISTEN_LIMIT_S = 600.0  # after which it is given up: compiling the kernels takes long on a busy machine


class ChildError(Exception):
    """A child ended with an error, or did not get ready; the text is one sentence for the user."""


class Children:
    """The processes, as a context: leaving it ends whatever still runs.

    Args:
        log_dir: where each child's standard error goes, as NAME.log.
    """

    def __init__(self, log_dir: Path) -> None:
        self.log_dir = log_dir
        self.lines: Queue[tuple[str, str]] = Queue()
        self._running: dict[str, subprocess.Popen[str]] = {}
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Children:
        self.log_dir.mkdir(parents=True, exist_ok=True)
        if threading.current_thread() is threading.main_thread():  # or the children would outlive us
            self._before = {number: signal.signal(number, _leave) for number in STOPS}
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        for name in reversed(list(self._running)):
            self.end(name)
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def start(self, name: str, arguments: Sequence[str], ends_with_input: bool = False) -> None:
        """Run this interpreter with `arguments`; its standard output arrives in `lines` as (name, line).

        Args:
            ends_with_input: it ends in order when its standard input does; for a child with work to do at its end,
                since some systems (Windows) have no signal that asks for it.
        """
        with (self.log_dir / f"{name}.log").open("w", encoding="utf-8") as log:
            child = subprocess.Popen(
                [sys.executable, *arguments],
                stdin=subprocess.PIPE if ends_with_input else subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                encoding="utf-8",
                env=os.environ | {"PYTHONUNBUFFERED": "1", "OMP_NUM_THREADS": "1", "PYTHONUTF8": "1"},
                **own_group(),  # Ctrl-C reaches the demo alone, which then ends them in order
            )
        self._running[name] = child
        threading.Thread(target=self._listen, args=(name, child), daemon=True).start()

    def end(self, name: str) -> None:
        """Ask a child to end, kill it if it does not."""
        child = self._running.pop(name)
        if child.stdin is None:
            ask_to_end(child)
        else:
            with contextlib.suppress(OSError):
                child.stdin.close()
        try:
            child.wait(GOODBYE_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()

    def next_line(self, patience_s: float) -> tuple[str, str] | None:
        """The next line of any child, or None after `patience_s`."""
        with contextlib.suppress(Empty):
            return self.lines.get(timeout=patience_s)
        return None

    def finished(self, name: str) -> bool:
        """Whether it ended well.

        Raises:
            ChildError: it ended with an error.
        """
        code = self._running[name].poll()
        if code:
            raise ChildError(f"{name} ended with code {code}: {self.last_words(name)}")
        return code == 0

    def must_run(self, name: str) -> None:
        """Raises ChildError if a server has ended."""
        if self._running[name].poll() is not None:
            raise ChildError(f"{name} ended too early: {self.last_words(name)}")

    def wait_until_listening(self, name: str, port: int) -> None:
        """Return once something listens on the loopback port; one that takes long is reported on standard error.

        Raises:
            ChildError: the child ended, or LISTEN_LIMIT_S passed.
        """
        began_s = told_s = time.monotonic()
        while (now_s := time.monotonic()) - began_s < LISTEN_LIMIT_S:
            self.must_run(name)
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1.0):
                return
            if now_s - told_s >= LISTEN_S:
                told_s = now_s
                print(f"waiting for {name} since {now_s - began_s:z.0f} s: {self.last_words(name)}", file=sys.stderr)
            time.sleep(0.05)
        raise ChildError(f"{name} does not listen on port {port} after {LISTEN_LIMIT_S:.0f} s: {self.last_words(name)}")

    def last_words(self, name: str) -> str:
        """Last line of its standard error, and where the rest is."""
        log = self.log_dir / f"{name}.log"
        lines = [line for line in log.read_text(encoding="utf-8", errors="replace").splitlines() if line.strip()]
        return f"{lines[-1].strip() if lines else 'it said nothing'} (see {log})"

    def _listen(self, name: str, child: subprocess.Popen[str]) -> None:
        assert child.stdout is not None
        with contextlib.closing(child.stdout) as stdout:
            for line in stdout:
                self.lines.put((name, line))


def _leave(number: int, _frame: object) -> None:
    """End as an exception does, so that the children are ended first."""
    raise SystemExit(128 + number)


def free_ports(count: int) -> list[int]:
    """Loopback ports that nobody uses now."""
    with contextlib.ExitStack() as stack:
        sockets = [stack.enter_context(socket.socket()) for _ in range(count)]
        for s in sockets:
            s.bind(("127.0.0.1", 0))
        return [s.getsockname()[1] for s in sockets]
