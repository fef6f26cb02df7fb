"""A simulated vehicle that remembers what it was told: pointing held, things to do at stated times, a flight log."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from math import inf
from typing import Any, Final

from guidance_svc.domain import Act, FlightPlan, Frame, Vec
from guidance_svc.errors import GuidanceError
from guidance_svc.rehearsal.orders import INSTANT_S
from guidance_svc.rehearsal.readings import readings_message
from guidance_svc.report.flight import Moment
from guidance_svc.sim.jumps import cut_off, drop_cover, ignite, regroup, release, separate
from guidance_svc.sim.state import SimState, World, burning_frac, mass_kg, on_pad, present_stage, split
from guidance_svc.sim.step import advance, coast, wanted_unit
from guidance_svc.sim.telemetry import readings, thrust_n

CLOCK_DIGITS: Final = 9  # a nanosecond
LOG_STEP_S: Final = 1.0  # of vehicle time between lines of the flight log under thrust
LOG_COAST_STEP_S: Final = 20.0  # the same without thrust
LONG_COAST_S: Final = 5.0  # a span without thrust from which on the simulator's large steps are taken
ACTIONS: Final[tuple[Act, ...]] = ("cutoff", "separate", "drop_cover", "ignite", "release")
"""In this order at one instant."""
TIMES: Final = tuple(f"{action}_at_s" for action in ACTIONS)
FIELDS: Final = ("pointing", "throttle", "engines", "engine_on", "cut_on_contact", *TIMES)
LONGEST_ADVANCE_S: Final = 1e6
REPEAT_S: Final = 0.5  # a separation asked for again within this time of the last one is the same

Log = Callable[[Mapping[str, Any]], None]


@dataclass
class Craft:
    """One vehicle in flight.

    Args:
        name: as scripts know it.
        world, state: of the simulator.
        log: gets a dict for each line of the flight log; None where nobody reads it.
        on_separation: called with the lower part's own world and state and those of the upper part; None when
            what is above the burning stage belongs to this very vehicle.
    """

    name: str
    world: World
    state: SimState
    log: Log | None = None
    on_separation: Callable[[World, SimState], None] | None = None
    wanted: Vec = (0.0, 0.0, 0.0)
    planned_s: dict[str, float] = field(default_factory=dict)
    separated_s: float = -inf
    cut_s: float = -inf
    """When its engine was last cut by a command."""

    def __post_init__(self) -> None:
        self.wanted = self.state.pointing

    def command(self, controls: Mapping[str, Any]) -> None:
        """Take what a script tells: FIELDS, each optional; a time of null forgets it, and `engines` of null are all.

        Raises:
            GuidanceError: an unknown field, or a value that is none.
        """
        for name in controls:
            if name not in FIELDS:
                raise GuidanceError("unknown_field", f"controls.{name}", f"one of {', '.join(FIELDS)}", name)
        if "pointing" in controls:
            self.wanted = wanted_unit(vector(controls["pointing"]))
        if "throttle" in controls:
            self.state = replace(self.state, throttle_frac=number("throttle", controls["throttle"]))
        if "engines" in controls:
            self.state = regroup(self.state, self.world, count("engines", controls["engines"]))
        if "cut_on_contact" in controls and bool(controls["cut_on_contact"]) != self.state.cut_on_contact:
            self.state = replace(self.state, cut_on_contact=bool(controls["cut_on_contact"]))
        for action in ACTIONS:
            if f"{action}_at_s" in controls:
                self._plan(action, controls[f"{action}_at_s"])
        if "engine_on" in controls and bool(controls["engine_on"]) != self.state.engine_on:
            self._do("ignite" if controls["engine_on"] else "cutoff")

    def fly(self, seconds: float) -> None:
        """Let time pass; what is planned for an instant happens there, the end included."""
        if not 0.0 < seconds <= LONGEST_ADVANCE_S:
            raise GuidanceError("bad_value", "seconds", f"above 0, at most {LONGEST_ADVANCE_S:g}", seconds)
        until_s = round(self.state.time_s + seconds, CLOCK_DIGITS)  # or tenths would pile up their rounding
        while self.state.time_s < until_s - INSTANT_S:
            step_s = LOG_STEP_S if self.state.engine_on else LOG_COAST_STEP_S
            next_s = min(until_s, self.state.time_s + step_s, *self.planned_s.values())
            self._move(next_s)
            self._do_what_is_due()
            self._write("")

    def _move(self, until_s: float) -> None:
        """Fly to an instant with nothing planned in between, or to a contact; in large steps where it is long and
        unpowered."""
        state, span_s = self.state, until_s - self.state.time_s
        if state.engine_on or state.held_down or span_s < LONG_COAST_S:
            self.state = advance(state, self.wanted, until_s, self.world, to_contact=True)
        else:
            flown = coast(state, span_s, self.world, self.wanted, to_contact=True)
            self.state = replace(flown, time_s=until_s) if flown.contact is None else flown
        if state.contact is None and self.state.contact is not None:
            self.cut_s = self.state.time_s if state.engine_on and not self.state.engine_on else self.cut_s
            self._write("contact")

    def telemetry(self) -> dict[str, Any]:
        """What the vehicle's own instruments read; vectors inertial, z along the pole."""
        s, stage = self.state, present_stage(self.state, self.world)
        return {
            "vehicle": self.name,
            "time_s": s.time_s,
            "position_m": list(s.position_m),
            "velocity_m_s": list(s.velocity_m_s),
            "pointing": list(s.pointing),
            "mass_kg": mass_kg(s, self.world),
            "propellant_kg": s.propellant_kg[s.stage] if stage is not None else 0.0,
            "stage": s.stage,
            "engine_on": burning_frac(s, self.world) > 0.0,
            "throttle": burning_frac(s, self.world),
            "thrust_n": thrust_n(s, self.world),
        } | readings_message(readings(s, self.world, Frame()))

    def _plan(self, action: str, at_s: object) -> None:
        """Note a time; one that is past is not, nor the separation that has just been."""
        self.planned_s.pop(action, None)
        if at_s is None:
            return
        time_s = number(f"{action}_at_s", at_s)
        acted = action == "separate" and abs(time_s - self.separated_s) < REPEAT_S
        if time_s >= self.state.time_s - INSTANT_S and not acted:
            self.planned_s[action] = max(time_s, self.state.time_s)

    def _do_what_is_due(self) -> None:
        for action in ACTIONS:
            if self.planned_s.get(action, inf) <= self.state.time_s + INSTANT_S:
                del self.planned_s[action]
                self._do(action)

    def _do(self, action: str) -> None:
        """Act now; an action that changes nothing is not logged."""
        before = self.state
        if action == "separate":
            self._write("separate")
            self.separated_s = self.state.time_s
            self._separate()
            return
        jump = {"cutoff": cut_off, "drop_cover": drop_cover, "ignite": ignite, "release": release}[action]
        self.state = jump(self.state, self.world)
        if self.state != before:
            self.cut_s = self.state.time_s if action == "cutoff" else self.cut_s
            self._write(action)

    def _separate(self) -> None:
        if self.on_separation is None:
            self.state = separate(self.state, self.world)
            return
        (self.world, self.state), (world, state) = split(self.state, self.world, 1)
        self.on_separation(world, state)
        self.on_separation = None

    def _write(self, mark: str) -> None:
        if self.log is not None:
            touched = {"touched": asdict(self.state.contact)} if mark == "contact" and self.state.contact else {}
            self.log(self.telemetry() | {"mark": mark} | touched)


def craft_on_pad(name: str, plan: FlightPlan, carried: FlightPlan | None, log: Log) -> Craft:
    """A vehicle on its pad, with another plan's vehicle on top of it, if any.

    Raises:
        GuidanceError: the plan has no site, or its payload is not what the carried vehicle weighs.
    """
    if plan.site is None:
        raise GuidanceError("missing_field", "site", f"a launch site in flight plan {plan.name}", "none")
    vehicle = plan.vehicle
    if carried is not None:
        above = carried.vehicle
        weighs = above.mass_at_ignition_kg(0)
        if abs(weighs - vehicle.payload_kg) > 0.5:
            expected = f"{weighs:g}, what {above.name} weighs"
            raise GuidanceError("bad_value", f"{vehicle.name}.payload_kg", expected, vehicle.payload_kg)
        vehicle = replace(vehicle, stages=vehicle.stages + above.stages, payload_kg=above.payload_kg)
    world = World(plan.body, vehicle)
    return Craft(name, world, on_pad(plan.site, world), log)


def moment(line: Mapping[str, Any]) -> Moment:
    """One line of the flight log as a true state."""
    (x, y, z), (u, v, w) = line["position_m"], line["velocity_m_s"]
    return Moment(
        line["time_s"], (x, y, z), (u, v, w), line["mass_kg"], line["propellant_kg"], line["stage"], line["mark"]
    )


def vector(value: object) -> Vec:
    """Three finite numbers as a vector."""
    if not isinstance(value, list) or len(value) != 3:
        raise GuidanceError("bad_value", "pointing", "three numbers", value)
    return (number("pointing.0", value[0]), number("pointing.1", value[1]), number("pointing.2", value[2]))


def count(name: str, value: object) -> int | None:
    """The value, if it is a number of engines, or null for all."""
    if value is None or (isinstance(value, int) and not isinstance(value, bool) and value >= 1):
        return value
    raise GuidanceError("bad_value", f"controls.{name}", "a whole number from 1 on, or null for all", value)


def number(name: str, value: object) -> float:
    """The value, if it is a finite number."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not -inf < value < inf:
        raise GuidanceError("bad_value", f"controls.{name}", "a finite number", value)
    return float(value)
