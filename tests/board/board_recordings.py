"""Recordings written by hand through the recorder: invented vehicles on two-body ascents, any name, any warning."""

from __future__ import annotations

from itertools import count
from math import cos, pi, sin, sqrt
from pathlib import Path
from typing import Any

from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.storage.compacting import compact
from guidance_svc.storage.recorder import McapRecorder

MU_M3_S2, RADIUS_M = 3.986004418e14, 6378137.0
TICK_NS = 100_000_000  # of the recording's clock from one message pair to the next
PLAN: dict[str, Any] = {
    "name": "climb",
    "body": {"name": "Earth", "mu_m3_s2": MU_M3_S2, "radius_m": RADIUS_M, "rotation_rad_s": 7.292115e-5},
    "gravity": "sphere",
    "vehicle": {
        "name": "kite",
        "stages": [
            {"name": "lower", "dry_mass_kg": 2000.0, "propellant_kg": 30000.0, "thrust_n": 6e5,
             "exhaust_velocity_m_s": 3000.0},
            {"name": "upper", "dry_mass_kg": 1000.0, "propellant_kg": 9000.0, "thrust_n": 1e5,
             "exhaust_velocity_m_s": 3400.0, "reserve_kg": 100.0},
        ],
        "payload_kg": 500.0,
    },
    "target": {"perigee_altitude_km": 200.0, "apogee_altitude_km": 460.0, "plane": "free"},
    "phases": [{"law": "insertion", "first_stage": 1}, {"law": "coast"}, {"law": "circularize"}, {"law": "orbit"}],
}  # fmt: skip


def library() -> Library:
    """The shipped bodies, vehicles and plans."""
    return load_library(default_folder())


class Writer:
    """A recording in the making.

    Args:
        path: of the file.
        after: name of the file that this one goes on from.
        start_ns: log time of the first message.
    """

    def __init__(self, path: Path, after: str = "", start_ns: int = 1_700_000_000_000_000_000) -> None:
        self.now_ns = start_ns
        about = {"version": "test"} | ({"after": after} if after else {})
        self.recorder = McapRecorder(path, lambda: self.now_ns, about)
        self.path = path
        self._links = count(1)

    def open(self, vehicle: str, **fields: Any) -> None:
        """A session begins; `keys` are those of its flight plan."""
        frame, plan, keys = fields.pop("frame", {}), fields.pop("inline", "climb"), fields.pop("keys", PLAN)
        request = {"type": "open", "protocol": 1, "vehicle": vehicle, "role": "upper_stage", "plan": plan,
                   "frame": frame, "resume": None, "detail": False}  # fmt: skip
        self.recorder.plan("climb", keys)
        reply = {"type": "opened", "vehicle": vehicle, "token": "x", "resumed": False, "plan": "climb",
                 "body": "Earth", "warnings": []}  # fmt: skip
        self.recorder.exchange(1, vehicle, request, reply | fields)
        self.recorder.flush()

    def pair(self, vehicle: str, state: dict[str, Any], **command: Any) -> None:
        """A state and its reply, one tick after the last."""
        self.now_ns += TICK_NS
        self.recorder.exchange(1, vehicle, state, reply_to(state) | command)
        self.recorder.flush()

    def fault(self, vehicle: str | None, text: str) -> None:
        """A refused message."""
        reply = {"type": "fault", "code": "bad_value", "field": "", "expected": "", "got": "", "message": text,
                 "seq": None}  # fmt: skip
        self.recorder.refusal(1, vehicle, b"?", reply)
        self.recorder.flush()

    def close_session(self, vehicle: str) -> None:
        """The script is done."""
        self.recorder.exchange(1, vehicle, {"type": "close"}, {"type": "closed", "vehicle": vehicle})
        self.recorder.flush()

    def finish(self, compacted: bool = True) -> Path:
        """The file's end."""
        self.recorder.close()
        if compacted:
            compact(self.path)
        return self.path

    def abandon(self) -> Path:
        """As a killed service leaves it."""
        self.recorder.flush()
        self.recorder._sink.close()
        return self.path


def state_at(k: int, step_s: float = 0.2, **fields: Any) -> dict[str, Any]:
    """State k of an invented climb: height and way over ground grow, mass falls by 29.4 kg/s (1e5 N over 3400 m/s)."""
    time_s = 10.0 + step_s * k
    height_m, angle = 80e3 + 400.0 * step_s * k, 1e-3 * step_s * k
    speed = 4000.0 + 8.0 * step_s * k
    r = RADIUS_M + height_m
    return {
        "type": "state", "seq": k, "time_s": time_s, "mass_kg": 10500.0 - 1e5 / 3400.0 * step_s * k, "stage": 1,
        "engine_on": True, "throttle": 1.0,
        "position_m": [r * cos(angle), r * sin(angle), 0.0],
        "velocity_m_s": [-speed * sin(angle) + 400.0 * cos(angle), speed * cos(angle) + 400.0 * sin(angle), 0.0],
        "pointing": [-sin(angle), cos(angle), 0.0],
    } | fields  # fmt: skip


def reply_to(state: dict[str, Any]) -> dict[str, Any]:
    """A reply as the service writes it, cutoff at 250 s."""
    now_s = state["time_s"]
    return {
        "type": "command", "seq": state["seq"], "time_s": now_s, "phase": "insertion", "pitch_deg": 20.0 - now_s / 20.0,
        "heading_deg": 90.0, "pitch_rate_deg_s": -0.05, "heading_rate_deg_s": 0.0, "pointing": [0.0, 1.0, 0.0],
        "throttle": 1.0, "engine_on": True, "time_to_cutoff_s": 250.0 - now_s, "cutoff_at_s": 250.0,
        "event": {"id": "0-0-cutoff", "name": "cutoff", "at_s": 250.0}, "next_contact_s": 0.5, "status": "ok",
        "warnings": [],
    }  # fmt: skip


def circular_state(seq: int, height_m: float, time_s: float) -> dict[str, Any]:
    """On a circular equatorial two-body orbit."""
    r = RADIUS_M + height_m
    speed, angle = sqrt(MU_M3_S2 / r), 2.0 * pi * time_s / 5500.0
    return {
        "type": "state", "seq": seq, "time_s": time_s, "mass_kg": 3000.0,
        "position_m": [r * cos(angle), r * sin(angle), 0.0],
        "velocity_m_s": [-speed * sin(angle), speed * cos(angle), 0.0],
    }  # fmt: skip


def climb(path: Path, vehicles: tuple[str, ...] = ("kite-1", "kite-2"), steps: int = 120) -> Writer:
    """Vehicles on the climb, abandoned nowhere: the writer goes on."""
    writer = Writer(path)
    for vehicle in vehicles:
        writer.open(vehicle)
    for k in range(steps):
        for vehicle in vehicles:
            writer.pair(vehicle, state_at(k))
    return writer
