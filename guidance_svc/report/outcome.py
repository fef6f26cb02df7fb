"""What a recorded flight came to: the table of target, achieved and error, and one sentence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from guidance_svc.core.kepler import orbit_report
from guidance_svc.domain import OrbitReport, Target
from guidance_svc.report.burns import LONGEST_COAST_S, Burn, Burns, follow_orbit
from guidance_svc.report.flight import (
    Moment,
    Row,
    circular_rows,
    height_row,
    insertion_rows,
    left_row,
    plane_rows,
    separation_rows,
)
from guidance_svc.report.flown import Flown
from guidance_svc.report.track import vec
from guidance_svc.report.way_down import WayDown


def outcome_rows(flown: Flown, burns: Burns) -> list[Row]:
    """Separation, insertion, circular orbit and what is left, as far as the flight came; else the last state.

    The moments are those of the burns' ends: the state after it, followed back to the told instant.
    """
    plan, rows = flown.plan, []
    parted = parting(flown, burns) if any(phase.aims == "separation" for phase in plan.phases) else None
    if parted is not None:
        rows += separation_rows(flown.name, plan, parted)
    inserted = last_in(burns, flown.phases_with(lambda kind: kind.aims == "target"))
    circular = last_in(burns, flown.phases_with(lambda kind: kind.powered and kind.aims == "circle"))
    if inserted is not None and plan.target is not None and not flown.track.engine_on[inserted.last]:
        rows += inserted_rows(flown, plan.target, inserted)
        if circular is not None and inserted.turns and circular.turns:
            rows += circular_rows(flown.name, plan.body, inserted.ended, circular.ended)
        rows.append(left_row(flown.name, (circular or inserted).ended))
    rows += contact_rows(flown, burns)
    if not rows:
        rows = last_rows(flown, burns)
    return rows


def contact_rows(flown: Flown, burns: Burns) -> list[Row]:
    """How the vehicle came down, by its states: where it stands, and the last speed before; none while it is aloft."""
    way = WayDown(flown) if flown.plan.landing is not None else None
    if way is None or way.contact is None or way.contact == 0:
        return []
    at, asked = f"contact, {way.landing.site.name}", way.landing.contact_speed_m_s
    tilt, miss = float(way.tilt_deg[way.contact]), float(way.level_m[way.contact])
    rows = [Row(flown.name, at, "miss", 0.0, miss, miss, "m", "m", 2)]
    down, across = contact_speeds(way)
    rows.append(Row(flown.name, at, "downward speed", asked, down, down - asked, "m/s", "m/s", 2))
    rows.append(Row(flown.name, at, "speed across", 0.0, across, across, "m/s", "m/s", 2))
    if tilt == tilt:  # told
        rows.append(Row(flown.name, at, "tilt", None, tilt, None, "deg", "deg", 2))
    left = burns.tanks[-1].left_kg
    return [*rows, Row(flown.name, at, "propellant left", None, left, None, "kg", "kg", 1)]


def contact_speeds(way: WayDown) -> tuple[float, float]:
    """Downward and level speed at contact: those of the last state before it, carried on to its instant."""
    times, last = way.flown.track.times_s, (way.contact or 1) - 1
    speed = way.speed_m_s[last].copy()
    if last > 0 and times[last] > times[last - 1]:
        rate = (way.speed_m_s[last] - way.speed_m_s[last - 1]) / (times[last] - times[last - 1])
        speed += rate * max(0.0, way.contact_s - float(times[last]))
    return float(-speed[2]), float(np.hypot(speed[0], speed[1]))


def inserted_rows(flown: Flown, target: Target, inserted: Burn) -> list[Row]:
    """The orbit at the insertion's end against the target; an escape path has no apogee."""
    if inserted.turns:
        return insertion_rows(flown.name, flown.plan.body, target, inserted.ended)
    return against(flown.name, "insertion", target, inserted.after, flown.plan.body.radius_m)


def last_in(burns: Burns, phases: frozenset[str]) -> Burn | None:
    """The last burn that the replies flew in one of these phases."""
    return next((b for b in reversed(burns.list) if b.phase in phases), None)


def parting(flown: Flown, burns: Burns) -> Moment | None:
    """The moment just before the first stage let go of what it carries; None if it did not."""
    last = last_in(burns, flown.phases_with(lambda kind: kind.from_ground))
    if last is not None and last.ended.mark == "separate":
        return last.ended
    event = next((e for e in flown.events if e.act == "separate"), None)
    if last is None or event is None or not last.end_s <= event.at_s <= flown.track.times_s[-1]:
        return None
    i = int(np.searchsorted(flown.track.times_s, event.at_s)) - 1
    position, velocity = vec(flown.track.positions_m[i]), vec(flown.track.velocities_m_s[i])
    span_s = event.at_s - float(flown.track.times_s[i])
    if span_s > LONGEST_COAST_S:
        return None
    position, velocity = follow_orbit(position, velocity, span_s, flown.plan.body)
    return replace(last.ended, time_s=event.at_s, position_m=position, velocity_m_s=velocity, mark="separate")


def last_rows(flown: Flown, burns: Burns) -> list[Row]:
    """Where a flight stood when its recording ends."""
    body, target = flown.plan.body, flown.plan.target
    got = orbit_report(vec(flown.track.positions_m[-1]), vec(flown.track.velocities_m_s[-1]), body)
    at = "last state"
    rows = [Row(flown.name, at, "altitude", None, float(flown.altitude_m[-1]) / 1e3, None, "km", "m")]
    rows += against(flown.name, at, target, got, body.radius_m) if target is not None else []
    if burns.tanks:
        rows.append(Row(flown.name, at, "propellant left", None, burns.tanks[-1].left_kg, None, "kg", "kg", 1))
    return rows


def against(name: str, at: str, target: Target, got: OrbitReport, radius_m: float) -> list[Row]:
    """An orbit against the target."""
    rows = [height_row(name, at, "perigee", target.perigee_radius_m - radius_m, got.perigee_altitude_m)]
    if got.apogee_altitude_m < float("inf"):
        rows.append(height_row(name, at, "apogee", target.apogee_radius_m - radius_m, got.apogee_altitude_m))
    return rows + plane_rows(name, at, target, got)


def verdict(flown: Flown) -> str:
    """One sentence: whether the plan was flown to its end, and if not, where it stands."""
    phases, laws = [p for p in flown.replies.phase if p], [phase.law for phase in flown.plan.phases]
    if not phases:
        return "No state of this session was answered."
    status = [s for s in flown.replies.status if s][-1]
    reached = phases[-1]
    if status == "complete":
        return "The flight plan was flown to its end."
    if status == "unreachable" and flown.plan.landing is not None:
        return f"NOT AS PLANNED: no landing as asked for was within reach in phase {reached}{last_words(flown)}."
    if status == "unreachable":
        return f"NO ORBIT: no safe orbit was within reach in phase {reached}{last_words(flown)}."
    if status == "short_of_propellant":
        return f"NOT AS PLANNED: short of propellant in phase {reached}{last_words(flown)}."
    if reached == laws[-1] and flown.link.closed:
        return f"The script closed the session in the plan's last phase, {reached}."
    ending = "the script closed the session" if flown.link.closed else "the recording ends"
    return f"Not finished: {ending} in phase {reached}, status {status}."


def last_words(flown: Flown) -> str:
    """What the service warned of last, as the end of a sentence."""
    return f": {flown.warnings[-1].text}" if flown.warnings else ""
