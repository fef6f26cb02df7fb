"""Resident memory of the service: 100 open sessions after 1000 states each, and 500 sessions at a full budget.

The second row is 500 vehicles at a sixteenth of the budget for histories (`limits.history_memory_bytes`), flown until
their histories have outgrown it, so that the journal holds the older part; three hours at 50 Hz add nothing to the
memory, for the budget is a hard bound. What the whole budget takes more than the sixteenth is added and said.
"""

from __future__ import annotations

from pathlib import Path
from shutil import copytree
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.table import Table

from guidance_svc.adapters.config_files import default_folder
from guidance_svc.adapters.settings import Limits
from tests.bench import states
from tests.bench.processes import kinds, load, service

VEHICLES, EACH = 100, 1000
MANY, EACH_OF_MANY, SHARE = 500, 200, 16


def run(console: Console) -> None:
    """Print the table."""
    table = Table(title=f"Memory: {VEHICLES} sessions, {EACH} states each")
    for name in ("", "at start MB", "after MB", "KB a session", "faults"):
        table.add_column(name, justify="right")
    with TemporaryDirectory() as folder:
        file = Path(folder) / "states"
        states.write(file)
        for plain in kinds():
            with service(Path(folder), plain) as server:
                before = server.resident_mb()
                done = load(server, file, "--vehicles", str(VEHICLES), "--window", "1", "--each", str(EACH),
                            "--seconds", "300", "--keep")  # fmt: skip
                after = server.resident_mb()
            share = 1024.0 * (after - before) / VEHICLES
            table.add_row(server.name, f"{before:.0f}", f"{after:.0f}", f"{share:.0f}", str(done["bad"]))
    console.print(table)
    run_many(console)


def run_many(console: Console) -> None:
    """Print the row of many sessions."""
    budget_mb = Limits().history_memory_bytes / 1e6
    table = Table(title=f"Memory: {MANY} sessions, a history budget of {budget_mb / SHARE:.0f} MB, outgrown")
    for name in ("", "at start MB", "after MB", "journal MB", f"with the budget of {budget_mb:.0f} MB", "faults"):
        table.add_column(name, justify="right")
    with TemporaryDirectory() as folder:
        file, configs = Path(folder) / "states", Path(folder) / "configs"
        states.write(file)
        copytree(default_folder(), configs)
        settings = configs / "service.toml"
        key, small = "history_memory_bytes = ", round(1e6 * budget_mb / SHARE)
        settings.write_text(settings.read_text().replace(f"{key}{Limits().history_memory_bytes}", f"{key}{small}"))
        with service(Path(folder), kinds()[-1], "--configs", str(configs)) as server:
            before = server.resident_mb()
            done = load(server, file, "--vehicles", str(MANY), "--window", "1", "--each", str(EACH_OF_MANY),
                        "--seconds", "1200", "--keep")  # fmt: skip
            after = server.resident_mb()
        journal = sum(path.stat().st_size for path in (Path(folder) / "journal").rglob("*")) / 1e6
        whole = after + budget_mb * (1.0 - 1.0 / SHARE)
        table.add_row(server.name, f"{before:.0f}", f"{after:.0f}", f"{journal:.0f}", f"{whole:.0f}", str(done["bad"]))
    console.print(table)
