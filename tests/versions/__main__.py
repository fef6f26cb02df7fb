"""A short flight with the newest Python and packages that this machine reaches, and with the lowest that are allowed.

    python -m tests.versions [newest] [lowest]

For each: a virtual environment of its own, this checkout installed as a user installs it (no editable copy), the tests
of packing and wire, a flight of the tanker from the pad to its orbit over sockets, and the report of its recording.
The extra `fast` is left out: numba allows no numpy of the last months, so the two together would not be the newest.
What cannot be had on this machine is reported as skipped, with the reason. Exit code 1: something does not work.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
EXTRAS: Final = "report,sky,board,plan"
TEST_TOOLS: Final = ("pytest", "pytest-asyncio", "pytest-xdist", "hypothesis")  # at their newest: not what is tested
TESTS: Final = ("tests/session/test_packing.py", "tests/wire")
TOLD: Final = ("numpy", "pydantic", "pyzmq", "msgpack", "msgspec", "mcap", "typer", "rich", "matplotlib")
NOT_TO_BE_HAD: Final = re.compile(r"error sending request|Failed to fetch|dns error|timed out|Could not connect", re.I)
LIMIT_S: Final = 600.0  # of one step; a bound for a hang


class Skipped(Exception):
    """It cannot be had on this machine."""


class Failed(Exception):
    """It was had, and does not work."""


@dataclass(frozen=True)
class Python:
    """An interpreter of this machine."""

    path: Path
    version: tuple[int, ...]

    def __str__(self) -> str:
        return ".".join(map(str, self.version))


def pythons() -> list[Python]:
    """Those that run, have `venv` and satisfy `requires-python`; lowest first."""
    names = [f"python3.{minor}" for minor in range(least()[1], 30)]
    versions = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    paths = [Path(found) for name in names if (found := shutil.which(name))]
    paths += [path for name in names for path in versions.glob(f"*/bin/{name}")]
    found = {python.version: python for path in [*paths, Path(sys.executable)] if (python := looked_at(path))}
    return [found[version] for version in sorted(found) if version[:2] >= least()]


def least() -> tuple[int, int]:
    """The lowest Python that the project allows."""
    text = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["requires-python"]
    major, minor = re.fullmatch(r">=(\d+)\.(\d+)", text).groups()  # type: ignore[union-attr]
    return int(major), int(minor)


def looked_at(path: Path) -> Python | None:
    """The interpreter, or None where it does not run: some of a version manager's names lead nowhere."""
    code = "import venv, ensurepip, sys; print(*sys.version_info[:3])"
    done = subprocess.run([path, "-c", code], capture_output=True, text=True, timeout=60.0, check=False)
    return None if done.returncode else Python(path, tuple(map(int, done.stdout.split())))


def run(command: Sequence[str | Path], cwd: Path = ROOT) -> str:
    """The output of a step.

    Raises:
        Failed: with what it printed last.
    """
    env = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "VIRTUAL_ENV")}
    env |= {"UV_PYTHON_DOWNLOADS": "never", "UV_LINK_MODE": "copy"}
    try:
        done = subprocess.run(command, capture_output=True, text=True, cwd=cwd, env=env, timeout=LIMIT_S, check=False)
    except subprocess.TimeoutExpired:
        raise Failed(f"{command[0]} was not done after {LIMIT_S:g} s") from None
    if done.returncode:
        raise Failed(f"{' '.join(map(str, command))}\n{(done.stdout + done.stderr)[-3000:]}")
    return done.stdout


def fetched(command: Sequence[str | Path]) -> str:
    """The output of a step that needs a package registry.

    Raises:
        Skipped: the registry is not reached.
        Failed: it is, and the packages do not go together.
    """
    try:
        return run(command)
    except Failed as failure:
        if NOT_TO_BE_HAD.search(str(failure)):
            raise Skipped(f"no package registry: {str(failure).splitlines()[-1]}") from None
        raise


def installer(folder: Path) -> Path:
    """uv, which resolves to the lowest versions as well as to the newest; in an environment of its own."""
    run([sys.executable, "-m", "venv", folder / "uv"])
    pip = [bin_of(folder / "uv") / "pip", "install", "-q", "--disable-pip-version-check", "--retries", "1", "uv"]
    try:
        run(pip)
    except Failed as failure:
        raise Skipped(f"uv is not to be had: {str(failure).splitlines()[-1]}") from None
    return bin_of(folder / "uv") / "uv"


def bin_of(environment: Path) -> Path:
    """Where its programs are."""
    return environment / ("Scripts" if os.name == "nt" else "bin")


def installed(uv: Path, kind: str, python: Python, folder: Path) -> Path:
    """The interpreter of an environment with the project and its dependencies, at their newest or lowest."""
    run([python.path, "-m", "venv", "--without-pip", folder / kind])
    inside = bin_of(folder / kind) / "python"
    resolution = "highest" if kind == "newest" else "lowest-direct"
    wanted = folder / f"{kind}.txt"
    extras = [part for extra in EXTRAS.split(",") for part in ("--extra", extra)]
    fetched([uv, "pip", "compile", "-q", "-p", inside, "--upgrade", "--resolution", resolution, *extras,
             "pyproject.toml", "-o", wanted])  # fmt: skip
    fetched([uv, "pip", "install", "-q", "-p", inside, "-r", wanted])
    fetched([uv, "pip", "install", "-q", "-p", inside, "--no-deps", ROOT])
    fetched([uv, "pip", "install", "-q", "-p", inside, *TEST_TOOLS])
    return inside


def flown(inside: Path, folder: Path) -> str:
    """Run the tests and the flight; one line that says with what.

    Raises:
        Failed: one of them did not work.
    """
    tests = ("-q", "-n", "0", "-p", "no:anyio", *TESTS)  # starlette brings anyio; its plugin may be too old
    run([inside, "-m", "pytest", *tests])
    out = folder / "flight"
    run([inside, "-I", ROOT / "tests" / "versions" / "short_flight.py", out], cwd=folder)
    report = [inside, "-m", "guidance_svc", "report", "--no-replay", *out.glob("recording/*.mcap")]
    run([*report, "--out", folder / "report"], cwd=folder)
    code = "import sys; from importlib.metadata import version; print(*(n + ' ' + version(n) for n in sys.argv[1:]))"
    return run([inside, "-c", code, *TOLD], cwd=folder).strip()


def main() -> None:
    """Both, with a line for each; exit code 1 where one failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.versions", description=__doc__)
    parser.add_argument("kinds", nargs="*", choices=["newest", "lowest", []], help="default: both")
    kinds = parser.parse_args().kinds or ["newest", "lowest"]
    failed = 0
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        for kind in kinds:
            (folder / "of" / kind).mkdir(parents=True)
            here = pythons()
            python = here[-1] if kind == "newest" else here[0]
            try:
                uv = bin_of(folder / "uv") / "uv"
                uv = uv if uv.exists() else installer(folder)
                print(f"{kind}: Python {python} ...", flush=True)
                said = flown(installed(uv, kind, python, folder), folder / "of" / kind)
                print(f"{kind}: Python {python}, {said}: flown", flush=True)
            except Skipped as reason:
                print(f"{kind}: SKIPPED, {reason}", flush=True)
            except Failed as failure:
                print(f"{kind}: FAILED with Python {python}: {failure}", flush=True)
                failed += 1
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
