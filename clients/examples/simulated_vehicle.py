"""The vehicle that the example scripts fly. THIS IS THE FILE TO REPLACE with calls into your own simulator.

Whatever your simulator is, a flight script needs five things of it: read the state, point, set the engine, do
something at a stated time on the vehicle's own clock, and let time pass. Here they go, as one JSON object a line
over TCP, to the project's own simulated vehicle (`python -m guidance_svc.demo.vehicle --help`).
"""

from __future__ import annotations

import json
import math
import socket
import sys
import time
from collections.abc import Callable
from typing import Any

# What the guidance service is told; the simulated vehicle sends nothing else that a script would need.
STATE_FIELDS = (
    "time_s", "position_m", "velocity_m_s", "mass_kg", "propellant_kg", "stage", "engine_on", "throttle", "thrust_n",
    "pointing",
)  # fmt: skip
# What a landing goes by besides; sent where the vehicle tells it.
RETURN_FIELDS = ("contact", "engines_lit", "attitude_rate_deg_s", "angle_of_attack_deg", "wind_m_s")


class SimulatedVehicle:
    """One vehicle behind a socket.

    Args:
        address: "tcp://host:port" of the simulated vehicle.
        name: which vehicle there; one that is still carried by another is waited for.
        patience_s: real time to wait for that.

    Raises:
        ConnectionError: nothing listens there.
        RuntimeError: there is no vehicle of that name.
        TimeoutError: it is still carried.
    """

    def __init__(self, address: str, name: str, patience_s: float = 600.0) -> None:
        host, _, port = address.removeprefix("tcp://").rpartition(":")
        try:
            self._socket = socket.create_connection((host, int(port)), timeout=60.0)
        except OSError as error:
            start = f"start `python -m guidance_svc.demo.vehicle --plan PLAN --port {port}`, or give --vehicle"
            raise ConnectionError(f"no simulated vehicle at {address} ({error.strerror or error}): {start}") from None
        self._lines = self._socket.makefile("rw", encoding="utf-8")
        self._controls: dict[str, Any] = {}
        try:
            self.telemetry = self._wait_for(name, time.monotonic() + patience_s)
        except Exception:
            self.close()
            raise

    @property
    def time_s(self) -> float:
        """The vehicle's own clock: the only one that guidance sees."""
        return float(self.telemetry["time_s"])

    def state(self, returning: bool = False) -> dict[str, Any]:
        """What the guidance service wants to know, with the names of PROTOCOL.md; `returning`: on the way down too."""
        told = {name: self.telemetry[name] for name in RETURN_FIELDS if returning and name in self.telemetry}
        return {name: self.telemetry[name] for name in STATE_FIELDS} | told

    def point(self, pointing: list[float]) -> None:
        """Turn towards a unit vector (inertial, z along the pole)."""
        self._controls["pointing"] = pointing

    def engine(self, on: bool, throttle: float) -> None:
        """Light or cut the engine now; throttle 0 to 1."""
        self._controls.update(engine_on=on, throttle=throttle)

    def engines(self, count: int | None, cut_on_contact: bool) -> None:
        """How many of the stage's engines burn (None: all), and whether they go off by themselves at contact."""
        self._controls.update(engines=count, cut_on_contact=cut_on_contact)

    def at(self, what: str, time_s: float | None) -> None:
        """At a time on the vehicle's clock: "release", "ignite", "cutoff", "separate", "drop_cover"; None forgets."""
        self._controls[f"{what}_at_s"] = time_s

    def advance(self, seconds: float) -> None:
        """Let the vehicle fly on."""
        self.telemetry = self._ask({"do": "advance", "seconds": seconds, "controls": self._controls})
        self._controls = {}

    def look(self) -> None:
        """Read it again, without letting time pass: for a script that follows a vehicle that another one flies."""
        self.telemetry = self._ask({"do": "read"})

    def close(self) -> None:
        """Hang up; the vehicle stays as it is."""
        self._lines.close()
        self._socket.close()

    def _wait_for(self, name: str, until: float) -> dict[str, Any]:
        while True:
            answer = self._ask({"do": "attach", "vehicle": name})
            if "carried_by" not in answer:
                return answer
            if time.monotonic() > until:
                raise TimeoutError(f"{name} is still carried by {answer['carried_by']}")
            time.sleep(0.05)

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        self._lines.write(json.dumps(request) + "\n")
        self._lines.flush()
        line = self._lines.readline()
        if not line:
            raise ConnectionError("the simulated vehicle hung up")
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            raise RuntimeError(answer["error"])
        return answer


def seconds_to_fly(command: dict[str, Any], step_s: float = 0.1) -> float:
    """How far to fly before the next state: 10 Hz under power; else as far as the service allows, or to the event."""
    if command["engine_on"]:
        return step_s
    event, limit_s = command["event"], float(command["next_contact_s"])
    if event and event["at_s"] > command["time_s"]:
        limit_s = min(limit_s, event["at_s"] - command["time_s"])
    return max(limit_s, step_s)


def say(vehicle: SimulatedVehicle, command: dict[str, Any], as_json: bool = False) -> None:
    """One line of progress on standard output: for you to read, or one JSON object for a program such as the demo."""
    if not as_json:
        print("; ".join([f"{command['time_s']:9.1f} s  {command['phase']}, {command['status']}", *command["warnings"]]))
        return
    names = ("time_s", "phase", "status", "pitch_deg", "heading_deg", "throttle", "time_to_cutoff_s", "warnings")
    print(json.dumps({name: command[name] for name in names} | {"mass_kg": vehicle.telemetry["mass_kg"]}), flush=True)


def ended(
    command: dict[str, Any], opened: dict[str, Any] | None = None, vehicle: SimulatedVehicle | None = None
) -> int:
    """The exit code of a flight that is over: 0 when complete; else 1, and why on standard error, with the orbit."""
    target = opened.get("target") if opened else None
    if target and vehicle and command["phase"] == "orbit":
        print(orbit_line(target, vehicle.telemetry), file=sys.stderr)
    if command["status"] == "complete":
        return 0
    print("; ".join([f"ended {command['status']}", *command["warnings"]]), file=sys.stderr)
    return 1


def orbit_line(target: dict[str, Any], telemetry: dict[str, Any]) -> str:
    """The orbit in one line, from an inertial state; the body's figures follow from the target that `opened` shows.

    Source: vis-viva and the angular momentum; Bate, Mueller and White, sections 1.4 and 1.6.
    """
    radius = target["cutoff_radius_m"] - target["cutoff_altitude_m"]
    axis = radius + 0.5 * (target["perigee_altitude_m"] + target["apogee_altitude_m"])
    mu = target["cutoff_speed_m_s"] ** 2 / (2.0 / target["cutoff_radius_m"] - 1.0 / axis)
    (x, y, z), (u, v, w) = telemetry["position_m"], telemetry["velocity_m_s"]
    momentum = (y * w - z * v, z * u - x * w, x * v - y * u)
    size = math.hypot(*momentum)
    inverse_axis = 2.0 / math.hypot(x, y, z) - (u * u + v * v + w * w) / mu
    eccentricity = math.sqrt(max(1.0 - size * size * inverse_axis / mu, 0.0))
    if inverse_axis <= 0.0:
        return "no closed orbit: faster than escape"
    low, high = ((s / inverse_axis - radius) / 1000.0 for s in (1.0 - eccentricity, 1.0 + eccentricity))
    inclination = math.degrees(math.acos(momentum[2] / size))
    left = telemetry["propellant_kg"]
    return f"orbit {low:.2f} x {high:.2f} km, inclination {inclination:.4f} deg, {left:.0f} kg of propellant left"


def in_a_sentence(fly: Callable[[], int], *refusals: type[Exception]) -> int:
    """Fly; the exit code. No vehicle, no service or a refusal (`Fault` of the client) is one line and exit code 1."""
    try:
        return fly()
    except (OSError, RuntimeError, *refusals) as error:
        print(error, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130  # common practice
