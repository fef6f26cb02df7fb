"""Flies the service on Windows: on Windows itself, elsewhere under Wine where that can be had.

    python -m tests.windows [--folder FOLDER] [NAME ...]

Prints each step with passed, failed or skipped and why; exit code 1 if one failed, 0 if not, also where Wine cannot be
had. The folder keeps Wine's Python for the next time (default: in the user's cache).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any, Final

HERE: Final = Path(__file__).parent
CACHE: Final = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "guidance-svc" / "windows"
SKIPPED: Final = 77  # exit code of `setup`
LIMIT_S: Final = 1500.0  # real time, so that a hang ends; an idle machine needs two to three minutes


def main() -> int:
    """Run every step, or those named."""
    parser = argparse.ArgumentParser(prog="python -m tests.windows")
    parser.add_argument("names", nargs="*", metavar="NAME", help="steps to run; default: all")
    parser.add_argument("--folder", type=Path, default=CACHE, help="where Wine's Python is kept")
    options = parser.parse_args()
    if sys.platform == "win32":
        from tests.windows import flights

        return flights.main(options.names)
    began_s = time.monotonic()
    made = subprocess.run([str(HERE / "setup"), str(options.folder)], stdout=subprocess.PIPE, text=True, check=False)
    told = made.stdout.strip().splitlines()[-1:] or ["nothing was said"]
    print(f"windows: {told[0]}", flush=True)
    if made.returncode:
        return 0 if made.returncode == SKIPPED else 1
    code = fly(options.folder / "python", options.names)
    print(f"windows: {time.monotonic() - began_s:.0f} s")
    return code


def fly(python: Path, names: list[str]) -> int:
    """The steps under Wine, in a terminal of their own so that there is a console for Ctrl-C."""
    import pty  # not on Windows

    with tempfile.TemporaryDirectory() as folder:
        results = Path(folder) / "results"
        results.touch()
        child, terminal = pty.fork()
        if child == 0:
            os.execv(python, [str(python), "-m", "tests.windows.flights", f"Z:{results}".replace("/", "\\"), *names])
        screen: list[bytes] = []
        reader = threading.Thread(target=drain, args=(terminal, screen), daemon=True)
        reader.start()
        failed, until_s = 0, time.monotonic() + LIMIT_S
        with results.open(encoding="utf-8") as file:
            while True:
                over = not reader.is_alive() or time.monotonic() > until_s
                for line in file:
                    failed += show(json.loads(line))
                if over:
                    break
                reader.join(0.2)
        if time.monotonic() > until_s:
            print(f"windows: not done after {LIMIT_S:.0f} s")
        code = 1 if failed or not (Path(folder) / "results.done").exists() else 0
        if code and not failed:
            print(b"".join(screen)[-3000:].decode("utf-8", "replace"))
        os.close(terminal)  # hangs up, which ends what still runs there
        os.waitpid(child, 0)
        return code


def drain(terminal: int, screen: list[bytes]) -> None:
    """What is written to the terminal, until nobody has it open any more."""
    while True:
        try:
            heard = os.read(terminal, 4096)
        except OSError:
            return
        if not heard:
            return
        screen.append(heard)


def show(result: dict[str, Any]) -> bool:
    """Print one step; whether it failed."""
    print(f"  {result['verdict']:8}{result['name']:34}{result['seconds']:6.1f} s  {result['why']}", flush=True)
    return bool(result["verdict"] == "failed")


if __name__ == "__main__":
    sys.exit(main())
