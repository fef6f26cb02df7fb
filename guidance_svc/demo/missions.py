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
    """

    vehicle: str
    role: Role
    script: str
    plan: str
    range_name: str
    transport: Literal["zmq", "tcp"]


@dataclass(frozen=True, slots=True)
class LaunchRange:
    """One simulated-vehicle server: what stands on the pad, and what it carries."""

    name: str
    plan: str
    carries: str | None = None


RANGES = (
    LaunchRange("pad-1", "sandpiper_boost", "curlew_to_lagoon"),
    LaunchRange("pad-2", "bargeman_to_lagoon"),
)
MISSIONS = (
    Mission("Sandpiper", "booster", "fly_booster.py", "sandpiper_boost", "pad-1", "zmq"),
    Mission("Curlew", "upper_stage", "fly_upper_stage.py", "curlew_to_lagoon", "pad-1", "zmq"),
    Mission("Bargeman", "tanker", "fly_tanker.py", "bargeman_to_lagoon", "pad-2", "tcp"),
)


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
