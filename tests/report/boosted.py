"""The demo's booster alone, from the pad to the separation of what it carries."""

from __future__ import annotations

from itertools import count
from pathlib import Path

from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import craft_on_pad
from guidance_svc.rehearsal.speaking import obey
from guidance_svc.report.flight import Moment
from tests.clients.loading import load
from tests.closed_loop.demo_flights import Flown as Truth
from tests.report.reported import Service


def fly_booster(path: Path) -> tuple[Path, Moment]:
    """Sandpiper under Curlew; the simulator's own moment of separation."""
    library, example = load_library(default_folder()), load("examples/simulated_vehicle")
    below = library.plan("sandpiper_boost", "booster")
    truth, service = Truth(below), Service(path, library)
    craft = craft_on_pad("Sandpiper", below, library.plan("curlew_to_lagoon", "upper_stage"), truth.log)
    craft.on_separation = lambda world, state: None
    opening = {"type": "open", "protocol": 1, "vehicle": "Sandpiper", "role": "booster"}
    service.ask(1, {**opening, "plan": "sandpiper_boost"})
    done = None
    for seq in count(1):
        told = craft.telemetry()
        state = {name: told[name] for name in example.STATE_FIELDS} | {"type": "state", "seq": seq}
        command = service.ask(1, state | ({"seen_event": done} if done else {}))
        if command["status"] == "complete":
            break
        done = obey(craft, command, 0.5)
    service.recorder.close()
    return path, next(m for m in truth.moments if m.mark == "separate")
