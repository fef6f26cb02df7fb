"""The vehicle that the conformance kit starts for a script: one of the plan's, already where its flight begins."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any

from guidance_svc.conform.record import Run
from guidance_svc.core.frames import triad
from guidance_svc.demo.vehicle import Range, Server
from guidance_svc.domain import FlightPlan
from guidance_svc.errors import ConfigError, GuidanceError
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.starts import craft_of_plan
from guidance_svc.sim.state import SimState


class Witnessed(Range):
    """A range with one vehicle, which notes down what it told and what it did.

    Args:
        plan: whose vehicle flies, from its [start], its site or `at_separation`.
        run: whose `truth` and `acts` are filled.
    """

    def __init__(self, plan: FlightPlan, run: Run) -> None:
        self.name, self._run, self._one_at_a_time = plan.vehicle.name, run, threading.Lock()
        self.craft = craft_of_plan(self.name, plan, None, self.note)
        self._tell(self.craft.telemetry())

    @property
    def names(self) -> list[str]:
        """The name of the one vehicle."""
        return [self.name]

    def answer(self, request: Mapping[str, Any], attached: Craft | None) -> tuple[dict[str, Any], Craft | None]:
        """As Range: attach, read, advance."""
        with self._one_at_a_time:
            do = request.get("do")
            if do == "advance":
                self.craft.command(request.get("controls") or {})
                self.craft.fly(float(request.get("seconds", 0.0)))
            elif do not in ("attach", "read"):
                raise GuidanceError("bad_value", "do", "attach, read or advance", do)
            return self._tell(self.craft.telemetry()), self.craft

    def note(self, line: Mapping[str, Any]) -> None:
        """Take a line of the flight log."""
        if line["mark"]:
            self._run.acts.append((float(line["time_s"]), str(line["mark"])))

    def _tell(self, told: dict[str, Any]) -> dict[str, Any]:
        self._run.truth[round(float(told["time_s"]), 6)] = told
        return told


class VehicleServer:
    """A vehicle behind a loopback port, in a thread of its own, as a context.

    Args:
        port: 0 takes any free one; then `port` says which.
    """

    def __init__(self, vehicle: Witnessed, port: int) -> None:
        try:
            self._server = Server(port, vehicle)
        except OSError as error:
            raise ConfigError("cannot_listen", "--vehicle", "a free port", f"{port}: {error.strerror}") from None
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)

    def __enter__(self) -> VehicleServer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5.0)


def altitude_words(plan: FlightPlan, state: SimState) -> str:
    """Where the vehicle begins, in words."""
    up = triad(state.position_m, "geocentric", plan.body).up
    radius = sum(a * b for a, b in zip(up, state.position_m, strict=True))
    return f"{(radius - plan.body.radius_m) / 1e3:z.1f} km above the equatorial radius at {state.time_s:g} s"
