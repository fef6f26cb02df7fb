"""Resident memory of the service with 100 open sessions after 1000 states each, recording on."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.table import Table

from tests.bench import states
from tests.bench.processes import kinds, load, service

VEHICLES, EACH = 100, 1000


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
