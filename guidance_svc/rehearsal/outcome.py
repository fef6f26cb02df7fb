"""What a rehearsed flight came to: the story line by line, target against achieved, and what is missed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from math import degrees, radians, sin
from typing import Any, Final

from guidance_svc.domain import Circularize, FlightPlan, Landing
from guidance_svc.laws.table import aim_of
from guidance_svc.rehearsal.craft import moment
from guidance_svc.rehearsal.loop import FlightLog
from guidance_svc.report.flight import Moment, Row, flight_rows, insertion_rows, left_row
from guidance_svc.sim.pad import Contact


@dataclass(frozen=True, slots=True)
class Bounds:
    """How far an orbit may be from the target, apsides (m), inclination and plane (deg), and a contact from its place
    (m) and from the speed asked for (m/s)."""

    apsides_m: float = 1000.0
    plane_deg: float = 0.01
    miss_m: float = 2.0
    contact_m_s: float = 1.0

    def sentence(self, legs: Iterable[Leg]) -> str:
        """What of them was asked of these flights."""
        parts = []
        if any(leg.plan.target is not None for leg in legs):
            parts.append(f"{self.apsides_m:g} m and {self.plane_deg:g} deg of the target")
        if any(leg.plan.landing is not None for leg in legs):
            parts.append(f"{self.miss_m:g} m and {self.contact_m_s:g} m/s of the contact asked for")
        return f"within {' and within '.join(parts)}" if parts else "to the plan's end"


USUAL: Final = Bounds()
NUMBER: Final = re.compile(r"\d[\d.,]*")
CRASH_M_S: Final = 20.0  # no landing any more, whatever was asked for


@dataclass
class Leg:
    """One vehicle's flight.

    Args:
        log: set as soon as it flies.
        acts: what the vehicle did, with the phase in which it did.
        last: line of its flight log.
    """

    name: str
    plan: FlightPlan
    log: FlightLog | None = None
    acts: list[tuple[str, Moment]] = field(default_factory=list)
    last: Moment | None = None

    def note(self, line: Mapping[str, Any]) -> None:
        """Take a line of the vehicle's flight log."""
        self.last = moment(line)
        if self.last.mark:
            self.acts.append((self.phase, self.last))

    @property
    def phase(self) -> str:
        """The phase that was told last; empty before the first reply."""
        return self.log.phases[-1][1] if self.log is not None and self.log.phases else ""

    @property
    def inserts(self) -> bool:
        """Whether the plan goes to orbit."""
        return self.plan.target is not None and any(phase.aims == "target" for phase in self.plan.phases)


def story(leg: Leg) -> Iterator[str]:
    """Phases, what was done and what was warned of, by vehicle time."""
    log = leg.log
    if log is None:
        return
    lines = [(time_s, 0, f"phase {phase}") for time_s, phase in log.phases]
    lines += [(m.time_s, 1, m.mark.replace("_", " ")) for _, m in leg.acts]
    lines += [(time_s, 2, f"warning: {text}") for text, time_s in firsts(log.warnings)]
    for time_s, _, text in sorted(lines):
        yield f"{time_s:10.2f} s  {text}"


def firsts(warnings: Mapping[str, float]) -> Iterator[tuple[str, float]]:
    """Warnings with their times, of those that differ in numbers alone the first, with the last of them behind it."""
    kinds: dict[str, list[tuple[str, float]]] = {}
    for text, time_s in warnings.items():
        kinds.setdefault(NUMBER.sub("0", text), []).append((text, time_s))
    for (text, time_s), *more in kinds.values():
        yield (f"{text} (later: {more[-1][0]}, at {more[-1][1]:.2f} s)" if more else text), time_s


def rows_of(leg: Leg) -> list[Row]:
    """Target, achieved, error: at separation, insertion and circular orbit, as far as the flight came.

    An insertion that was flown in several burns counts where its last one ended; one that never ended by a cutoff
    is shown at the last state.
    """
    inserted = [m for phase, m in leg.acts if m.mark == "cutoff" and aim_of(phase) == "target"]
    dropped = {id(m) for m in inserted[:-1]}
    rows = flight_rows(leg.name, leg.plan, [m for _, m in leg.acts if id(m) not in dropped])
    if leg.inserts and not inserted and leg.last is not None and leg.plan.target is not None:
        rows += [
            replace(row, moment="last state")
            for row in insertion_rows(leg.name, leg.plan.body, leg.plan.target, leg.last)
        ]
        rows.append(left_row(leg.name, leg.last))
    contact = leg.log.state.contact if leg.log is not None else None
    if contact is not None and leg.plan.landing is not None and leg.last is not None:
        rows += contact_rows(leg.name, contact, leg.plan.landing, leg.last.propellant_kg)
    return rows


def contact_rows(name: str, contact: Contact, landing: Landing, left_kg: float) -> list[Row]:
    """How it touched down: where, how fast, how upright, and what it had left."""
    at, asked_m_s, tilt_deg = f"contact, {contact.site}", landing.contact_speed_m_s, degrees(contact.tilt_rad)
    down_m_s, across_m_s, off_m = contact.down_m_s, contact.across_m_s, contact.miss_m
    return [
        Row(name, at, "miss", 0.0, off_m, off_m, "m", "m"),
        Row(name, at, "downward speed", asked_m_s, down_m_s, down_m_s - asked_m_s, "m/s", "m/s"),
        Row(name, at, "speed across", 0.0, across_m_s, across_m_s, "m/s", "m/s"),
        Row(name, at, "tilt", None, tilt_deg, None, "deg", "deg", 2),
        Row(name, at, "propellant left", None, left_kg, None, "kg", "kg", 1),
    ]


def misses(leg: Leg, rows: list[Row], bounds: Bounds) -> list[str]:
    """What a flight missed, in words; nothing for one that did as planned."""
    log = leg.log
    if log is None:
        return [f"{leg.name}: never let go"]
    found = [f"{leg.name}: {text}" for text in endings(log)]
    for row in rows:
        limit = limit_of(row, leg, bounds)
        if limit is not None and row.error is not None and not abs(row.error) <= limit:
            found.append(f"{leg.name}: {row.quantity} at {row.moment} off by {row.error:+z.5g} {row.error_unit}, "
                         f"allowed {limit:.5g}")  # fmt: skip
    return found


def endings(log: FlightLog) -> Iterator[str]:
    """How a flight ended, unless by the end of its plan."""
    contact = log.state.contact
    if log.refused is not None:
        yield f"state refused: {log.refused.sentence()}"
    elif contact is not None and contact.speed_m_s > CRASH_M_S:
        yield f"hit the ground at {contact.speed_m_s:.0f} m/s"
    elif log.grounded:
        yield "hit the ground"
    elif log.last is None or log.out_of_time:
        yield "the plan did not come to its end in time"
    elif log.last.status != "complete":
        yield "; ".join([f"ended {log.last.status}", *log.last.warnings])


def limit_of(row: Row, leg: Leg, bounds: Bounds) -> float | None:
    """The bound for a row's error, in the row's unit; None where nothing is bounded."""
    if row.moment.startswith("contact"):
        return {"miss": bounds.miss_m, "downward speed": bounds.contact_m_s, "speed across": bounds.contact_m_s}.get(
            row.quantity
        )
    if row.moment in ("insertion", "last state"):
        if row.quantity in ("perigee", "apogee"):
            return bounds.apsides_m
        tilt = leg.plan.target.inclination_rad if leg.plan.target is not None else 0.0
        return bounds.plane_deg if row.quantity == "inclination" else bounds.plane_deg / max(abs(sin(tilt)), radians(1))
    round_one = any(isinstance(p, Circularize) and p.roundness == "osculating" for p in leg.plan.phases)
    return bounds.apsides_m if round_one and row.quantity == "apogee less perigee" else None
