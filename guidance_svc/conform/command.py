"""The command `conform`: a reference service, a vehicle that it watches, and the table of what a script did."""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from typing import Any

from guidance_svc.conform.checks import checks_of
from guidance_svc.conform.record import Check, exit_code
from guidance_svc.conform.server import ConformingServer
from guidance_svc.conform.trials import MISHAPS, Mishap, Reference
from guidance_svc.conform.vehicle import VehicleServer, Witnessed, altitude_words
from guidance_svc.constants import CAUTION
from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.domain import Role
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library
from guidance_svc.laws.plan_rules import require_vehicle
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.session.warmup import warm_up

Say = Callable[[str], None]
COLOURS = {"pass": "green", "fail": "bold red", "not seen": "dim"}


@dataclass(frozen=True, slots=True)
class Wishes:
    """What was asked for on the command line.

    Args:
        plan, role: whose vehicle the kit flies.
        vehicle_port: of that vehicle; None for a script that flies its own simulator.
        patience_s: real time to wait for a silent script.
    """

    plan: str
    role: Role
    zmq: str
    tcp: str
    vehicle_port: int | None
    mishaps: tuple[Mishap, ...]
    patience_s: float


def mishaps_of(text: str) -> tuple[Mishap, ...]:
    """From "drop,delay"; "none" for none.

    Raises:
        ConfigError: another word.
    """
    words = [] if text == "none" else [word.strip() for word in text.split(",")]
    for word in words:
        if word not in MISHAPS:
            raise ConfigError("bad_value", "--mishaps", f"none, or some of {', '.join(MISHAPS)}", word)
    return tuple(mishap for mishap in MISHAPS if mishap in words)


def run_conform(library: Library, wishes: Wishes, say: Say, stop: Callable[[], bool] = lambda: False) -> list[Check]:
    """Listen, let a script fly, and judge it.

    Args:
        say: gets what the user must know before the script is started.
        stop: asked again and again; true ends the run at once.

    Raises:
        ConfigError: an unknown plan, or an address that cannot be used.
    """
    plan = library.plan(wishes.plan, wishes.role)
    require_vehicle(plan, "--plan")
    if HAVE_NUMBA:
        say("compiling the guidance kernels")
        warm_up()
    sessions = Registry(lambda: secrets.token_urlsafe(16))
    reference = Reference(Desk(sessions, library), sessions, library, wishes.mishaps)
    server = ConformingServer(reference, wishes.zmq, wishes.tcp, wishes.patience_s)
    server.stopped = stop
    try:
        with ExitStack() as stack:
            say(CAUTION)
            say(f"reference service: ZeroMQ {server.zmq}, JSON lines {server.tcp}")
            if wishes.vehicle_port is not None:
                vehicle = Witnessed(plan, reference.run)
                port = stack.enter_context(VehicleServer(vehicle, wishes.vehicle_port)).port
                where = altitude_words(plan, vehicle.craft.state)
                say(f"vehicle {vehicle.name}: tcp://127.0.0.1:{port}, {where}")
            say(f"start your script now: role {wishes.role}, plan {wishes.plan}; Ctrl-C ends early and judges")
            server.serve()
    except KeyboardInterrupt:
        say("ended early")
    return checks_of(reference.run)


def show(checks: Sequence[Check], as_json: bool) -> int:
    """Print the table, or JSON; the exit code."""
    if as_json:
        rows: list[dict[str, Any]] = [asdict(check) for check in checks]
        print(json.dumps({"passed": exit_code(checks) == 0, "checks": rows}, indent=1))
        return exit_code(checks)
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table("check", "", "what was expected, what was seen, what to change", box=None, padding=(0, 2, 0, 0))
    for check in checks:
        lines = [check.expected, check.seen] + ([f"change: {check.change}"] if check.change else [])
        if check.follows:
            lines = [f"follows from {check.follows}, correct that first: {check.seen}"]
        text = Text("\n".join(lines if check.outcome == "fail" else [f"{check.expected}: {check.seen}"]))
        table.add_row(Text(check.name), Text(check.outcome, style=COLOURS[check.outcome]), text)
    console = Console()
    console.print(table)
    counts = {outcome: sum(check.outcome == outcome for check in checks) for outcome in COLOURS}
    console.print(", ".join(f"{count} {outcome}" for outcome, count in counts.items()))
    return exit_code(checks)
