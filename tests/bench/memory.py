"""Resident memory of the service: 100 open sessions after 1000 states each, and 500 sessions at a full budget.

The second row is 500 vehicles at a sixteenth of the budget for histories (`limits.history_memory_bytes`), flown until
their histories have outgrown it, so that the journal holds the older part; three hours at 50 Hz add nothing to the
memory, for the budget is a hard bound. What the whole budget takes more than the sixteenth is added and said.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.table import Table

from guidance_svc.bootstrap import new_token
from guidance_svc.domain import OpenRequest
from guidance_svc.files.settings import Limits
from guidance_svc.session.registry import Registry
from guidance_svc.storage.journal import FolderJournal
from tests.bench import states
from tests.bench.processes import kinds, load, service

VEHICLES, EACH = 100, 1000
MANY, EACH_OF_MANY, SHARE = 500, 250, 16


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
    """Print the row of many sessions: registry and journal in a process of their own, fed without sockets."""
    budget_mb = Limits().history_memory_bytes / 1e6
    table = Table(title=f"Memory: {MANY} sessions, a history budget of {budget_mb / SHARE:.0f} MB, outgrown")
    for name in ("at start MB", "after MB", "histories MB", "journal MB", f"with the budget of {budget_mb:.0f} MB"):
        table.add_column(name, justify="right")
    command = [sys.executable, "-c", "from tests.bench.memory import many; many()"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    before, after, held, kept = map(float, done.stdout.split())
    whole = after + budget_mb * (1.0 - 1.0 / SHARE)
    table.add_row(*(f"{value:.0f}" for value in (before, after, held, kept, whole)))
    console.print(table)


def many() -> None:
    """Fly many sessions by turns until their histories have outgrown the budget; print what it took, in MB."""
    flown, plan = states.flown(), states.plan()
    registry = Registry(new_token, MANY, Limits().history_bytes, Limits().history_memory_bytes // SHARE)
    with TemporaryDirectory() as folder:
        journal = FolderJournal(Path(folder), registry, lambda: 0.0, lambda vehicle, why: None)
        for k in range(MANY):
            registry.open(k, OpenRequest(f"v{k}", "upper_stage", plan))
        before = resident_mb()
        for state in flown[:EACH_OF_MANY]:
            for k in range(MANY):
                registry.state(k, state)
            journal.sync()
            while registry.pending():
                registry.work()
        held = sum(seat.session.history.held_bytes for seat in registry.seats.values()) / 1e6
        kept = sum(path.stat().st_size for path in Path(folder).iterdir()) / 1e6
        print(before, resident_mb(), held, kept)
        journal.close()


def resident_mb() -> float:
    """Of this process, from /proc."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024.0
