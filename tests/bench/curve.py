"""What keys, the recording and the journal cost a message: ratios of messages a second, interleaved in one run."""

from __future__ import annotations

import tomllib
from contextlib import ExitStack
from pathlib import Path
from shutil import copytree
from statistics import median
from tempfile import TemporaryDirectory

import tomlkit
from rich.console import Console
from rich.table import Table

from guidance_svc.files.config_files import default_folder
from guidance_svc.service.key_files import make_keys
from tests.bench import states
from tests.bench.processes import Server, load, service

VEHICLES, WINDOW = 20, 1


def run(console: Console, seconds: float = 4.0, rounds: int = 3) -> None:
    """Print the table; about rounds x 5 x seconds."""
    with TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        file = folder / "states"
        states.write(file)
        keys = folder / "keys"
        make_keys(keys, "load")
        forms = {
            "neither": (configs(folder / "a", recording="", journal=""), ()),
            "recording": (configs(folder / "b", recording=str(folder / "rb"), journal=""), ()),
            "journal": (configs(folder / "c", recording="", journal=str(folder / "jc")), ()),
            "keys": (configs(folder / "d", recording="", journal="", keys=keys), ("--keys", str(keys))),
            "all": (configs(folder / "e", recording=str(folder / "re"), journal=str(folder / "je"), keys=keys),
                    ("--keys", str(keys))),
        }  # fmt: skip
        servers = {}
        for form, (where, options) in forms.items():
            server = stack.enter_context(service(None, False, "--configs", str(where), name=form))
            load(server, file, "--each", "2000", "--window", "1", "--seconds", "60", *options)  # compiled by then
            servers[form] = server
        console.print(table(servers, {form: options for form, (_, options) in forms.items()}, file, seconds, rounds))


def configs(folder: Path, recording: str, journal: str, keys: Path | None = None) -> Path:
    """The shipped configuration with these folders, and with keys."""
    copytree(default_folder(), folder)
    path = folder / "service.toml"
    settings = tomllib.loads(path.read_text())
    settings["recording"]["folder"] = recording
    if "journal" in settings:
        settings["journal"]["folder"] = journal
    if keys is not None:
        script = {"public_key_file": "load.key", "vehicles": ["*"]}
        settings["access"] = {"keys": str(keys), "scripts": {"load": script}}
    path.write_text(tomlkit.dumps(settings))
    return folder


def table(
    servers: dict[str, Server], options: dict[str, tuple[str, ...]], file: Path, seconds: float, rounds: int
) -> Table:
    """Messages a second of each form, and what a message takes as a multiple of the first one's."""
    runs: dict[str, list[float]] = {form: [] for form in servers}
    bad = dict.fromkeys(servers, 0)
    for _ in range(rounds):
        for form, server in servers.items():
            shape = ("--vehicles", str(VEHICLES), "--window", str(WINDOW), "--seconds", str(seconds))
            done = load(server, file, *shape, *options[form])
            runs[form].append(done["count"] / done["seconds"])
            bad[form] += done["bad"] + done["missing"]
    out = Table(title=f"{VEHICLES} vehicles, each with {WINDOW} state under way")
    for name in ("", "messages/s", "time a message, ratio", "lowest", "highest", "faults and unanswered"):
        out.add_column(name, justify="right")
    for form, rates in runs.items():
        ratios = sorted(base / rate for base, rate in zip(runs["neither"], rates, strict=True))
        out.add_row(form, f"{median(rates):.0f}", f"{median(ratios):.2f}", f"{ratios[0]:.2f}", f"{ratios[-1]:.2f}",
                    str(bad[form]))  # fmt: skip
    return out
