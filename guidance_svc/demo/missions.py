"""The invented flights that the demo flies, and where their scripts lie."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from guidance_svc.domain import Role


@dataclass(frozen=True, slots=True)
class Mission:
    """One flight script of the demo.

    Args:
        vehicle: name of its session, as in the vehicle's file.
        script: under clients/examples.
        plan: flight plan's name.
        range_name: which simulated-vehicle server flies it.
        transport: which of the service's sockets its client speaks to.
        options: of the script, beside addresses and plan.
    """

    vehicle: str
    role: Role
    script: str
    plan: str
    range_name: str
    transport: Literal["zmq", "tcp"]
    options: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LaunchRange:
    """One simulated-vehicle server: what stands on the pad, what it carries, and its name if not that of its file."""

    name: str
    plan: str
    carries: str | None = None
    called: str | None = None


RANGES = (
    LaunchRange("pad-1", "sandpiper_to_mudflat", "curlew_to_lagoon"),
    LaunchRange("pad-2", "bargeman_to_lagoon"),
    LaunchRange("home", "sandpiper_home", called="Sandpiper-2"),
)
MISSIONS = (
    Mission("Sandpiper", "booster", "fly_booster.py", "sandpiper_to_mudflat", "pad-1", "zmq", ("--clock", "launch")),
    Mission("Curlew", "upper_stage", "fly_upper_stage.py", "curlew_to_lagoon", "pad-1", "zmq"),
    Mission("Bargeman", "tanker", "fly_tanker.py", "bargeman_to_lagoon", "pad-2", "tcp"),
    Mission("Mudflat", "tower", "tower.py", "mudflat", "pad-1", "zmq", ("--name", "Mudflat", "--clock", "launch")),
    Mission(
        "Sandpiper-2", "booster", "fly_booster.py", "sandpiper_home", "home", "zmq",
        ("--name", "Sandpiper-2", "--clock", "home"),
    ),
    Mission(
        "Saltmarsh", "tower", "tower.py", "saltmarsh_point", "home", "zmq",
        ("--clock", "home", "--follow", "Sandpiper-2", "--not-ready"),
    ),
)  # fmt: skip


def clients_folder() -> Path:
    """The clients that came with the package, or those of the checkout it runs from.

    Raises:
        FileNotFoundError: neither is there.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "share" / "clients", package.parent / "clients"):
        if (folder / "examples").is_dir():
            return folder
    raise FileNotFoundError(f"no clients folder beside {package}: was the package installed whole?")
