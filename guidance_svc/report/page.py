"""The report as one self-contained HTML page: no script, no network, light and dark, fit for paper and phone.

Its text and numbers are made here, its markup by `templates/report.html`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import degrees, isfinite
from typing import Any, NamedTuple

import numpy as np

from guidance_svc.domain import OrbitReport
from guidance_svc.report.burn_table import BY_BURN, LOSS, by_burn_rows
from guidance_svc.report.burns import Burns
from guidance_svc.report.drawing import PAPER, Lane, lanes_svg, svg
from guidance_svc.report.flight import Row
from guidance_svc.report.flown import Flown, Said
from guidance_svc.report.losses import Losses
from guidance_svc.report.outcome import outcome_rows, verdict
from guidance_svc.report.overview import panel_groups
from guidance_svc.report.overview import together as all_together
from guidance_svc.report.rendering import Plot, render
from guidance_svc.report.tables import TOP_OF_COAST, error
from guidance_svc.report.way_down import WayDown

LARGE_M = 1e4  # an error beyond this reads better in kilometres
NOTHING = "\N{EN DASH}"
MOST_TEXTS = 40  # warnings or faults of one vehicle on the page
MOST_RELOADS = 20
SHARES = (
    ("gained_m_s", "speed gained"), ("gravity_m_s", "gravity"), ("drag_m_s", "drag"), ("steering_m_s", "steering"),
    ("out_of_plane_m_s", "out of plane"), ("back_pressure_m_s", "back pressure"), ("held_m_s", "held down"),
)  # fmt: skip


class Link(NamedTuple):
    """A cell that leads to another place of the page."""

    href: str
    text: str


class Bar(NamedTuple):
    """A cell with a bar, as long as this part of the cell."""

    percent: str


class Cells(NamedTuple):
    """A table; `numbers` are the columns set to the right. Without rows the page leaves it out."""

    headings: Sequence[str]
    rows: Sequence[Sequence[str | Link | Bar]]
    numbers: Sequence[int] = ()


@dataclass(frozen=True)
class About:
    """What the report is of.

    Args:
        recording: the file's name.
        start, end: wall time (UTC) of its first and last message.
        version: of the service that wrote it; "" if unknown.
        remarks: sentences on the recording as a whole.
        strangers: faults before any session.
    """

    recording: str
    start: datetime
    end: datetime
    version: str = ""
    remarks: tuple[str, ...] = ()
    strangers: tuple[Said, ...] = ()


def report_page(about: About, flights: Sequence[tuple[Flown, Burns]]) -> str:
    """The page as text; everything from the recording is escaped.

    Raises:
        ImportError: matplotlib or jinja2 is not installed.
    """
    span = about.end - about.start
    facts = (
        f"Recording {about.recording}",
        f"{about.start:%Y-%m-%d %H:%M:%S} UTC, {length_text(span.total_seconds())} of wall time",
        f"service version {about.version}" if about.version else "",
    )
    return render(
        "report.html",
        title=f"Flight report: {', '.join(dict.fromkeys(f.vehicle for f, _ in flights))}",
        paper=PAPER,
        facts=[fact for fact in facts if fact],
        remarks=[sentence(text) for text in about.remarks if text],
        summary=summary_table(flights),
        lanes=time_lines(about, flights),
        together=[Plot(panel.title, svg(panel)) for panel in all_together(flights)],
        vehicles=[vehicle_values(flown, burns) for flown, burns in flights],
        strangers=said_table(about.strangers),
    )


def summary_table(flights: Sequence[tuple[Flown, Burns]]) -> Cells:
    """One row a vehicle, each with a link to its section."""
    rows = []
    for number, (flown, burns) in enumerate(flights, 1):
        left = f"{burns.tanks[-1].left_kg:z,.0f} kg" if burns.tanks else NOTHING
        rows.append((
            Link(f"#v{number}", flown.name), flown.plan.name, verdict(flown), where_text(flown), left,
            str(sum(f.count for f in flown.link.faults)),
        ))  # fmt: skip
    names = ("vehicle", "flight plan", "how it ended", "in its last state", "propellant left", "faults")
    return Cells(names, rows, numbers=(4, 5))


def time_lines(about: About, flights: Sequence[tuple[Flown, Burns]]) -> list[Plot]:
    """The same flights by the vehicles' clocks and by the wall clock of the recording."""
    own, wall = [], []
    for f, burns in flights:
        own.append(Lane(f.name, ends(f.track.times_s), tuple((b.start_s, b.end_s) for b in burns.list)))
        burning = tuple((float(f.wall_s[b.first]), float(f.wall_s[b.last])) for b in burns.list)
        wall.append(Lane(f.name, ends(f.wall_s), burning))
    zero = f"wall time, s since {about.start:%H:%M:%S} UTC"
    return [
        Plot("By the vehicles' clocks: thick where the engine burns", lanes_svg(own, "vehicle time, s")),
        Plot("By the recording's clock: who flew at the same time", lanes_svg(wall, zero)),
    ]


def ends(times_s: np.ndarray) -> tuple[tuple[float, float], ...]:
    """From the first to the last state."""
    return ((float(times_s[0]), float(times_s[-1])),)


# --- one vehicle -------------------------------------------------------------------------------------------------


def vehicle_values(flown: Flown, burns: Burns) -> dict[str, Any]:
    """Everything about one session, under the names that the template uses."""
    rows = outcome_rows(flown, burns)
    held = any(row.moment == "circular" and row.target is not None for row in rows)
    groups = [
        {"title": title, "shaded": any(p.bands for p in made), "panels": [Plot(p.title, svg(p)) for p in made]}
        for title, made in panel_groups(flown, burns)
    ]
    return {
        "name": flown.name,
        "verdict": verdict(flown),
        "who": f"{flown.role.replace('_', ' ')}, flight plan {flown.plan.name}, {flown.plan.body.name}",
        "outcome": outcome_table(rows),
        "outcome_key": TOP_OF_COAST if held else "",
        "groups": groups,
        "burns": burns_table(burns),
        "by_burn": Cells(BY_BURN, by_burn_rows(burns), numbers=(2, 3, 5, 6, 7)),
        "by_burn_key": LOSS,
        "landing": landing_table(flown),
        "losses": losses_cards(burns),
        "losses_key": losses_key(burns),
        "tanks": tanks_table(burns),
        "events": events_table(flown),
        "link": link_table(flown),
        "warnings": said_table(flown.warnings),
        "faults": said_table(flown.link.faults),
        "notes": flown.notes,
    }


def outcome_table(rows: Sequence[Row]) -> Cells:
    """Target, achieved and error."""
    cells, seen = [], ""
    for row in rows:
        target = "" if row.target is None else number_text(row.target, row.places, row.unit)
        moment = "" if row.moment == seen else row.moment
        cells.append((moment, row.quantity, target, number_text(row.achieved, row.places, row.unit), miss(row)))
        seen = row.moment
    return Cells(("at", "quantity", "target", "achieved", "error"), cells, numbers=(2, 3, 4))


def miss(row: Row) -> str:
    """The error in metres, or in kilometres where it is no small one."""
    if row.error is None or row.error_unit != "m" or abs(row.error) < LARGE_M:
        return error(row)
    return f"{row.error / 1e3:+z,.1f} km"


def burns_table(burns: Burns) -> Cells:
    """The orbit before and after each burn."""
    rows = []
    for number, burn in enumerate(burns.list, 1):
        rows.append((
            f"{number}, {burns.budget.stage(burn.stage).name}", burn.phase, f"{burn.start_s:z.3f}",
            f"{burn.end_s - burn.start_s:z.3f}", orbit_text(burn.before), orbit_text(burn.after),
        ))  # fmt: skip
    names = ("burn", "phase", "ignition, s", "length, s", "orbit before", "orbit after")
    return Cells(names, rows, numbers=(2, 3))


def landing_table(flown: Flown) -> Cells:
    """What the tower said, until when it could be decided, and what another site would have cost."""
    said, times = flown.replies.landing, flown.track.times_s
    rows = [(f"clearance: {word.replace('_', ' ')}", f"from {times[k]:z.1f} s") for k, word in changes(said.clearance)]
    told = np.flatnonzero(np.isfinite(said.decide_at_s))
    if len(told):
        rows.append(("the site could still be changed until", f"{said.decide_at_s[told[-1]]:z.1f} s"))
    for divert in flown.diverts:
        until = "" if divert.last_s is None else f"in reach until {divert.last_s:z.1f} s"
        extra = "" if divert.extra_kg is None else f"{divert.extra_kg:+z,.0f} kg"
        rows.append((f"divert to {divert.site}", ", ".join(filter(None, [until, extra])) or "never in reach"))
    return Cells((), rows, numbers=(1,))


def changes(words: Sequence[str]) -> list[tuple[int, str]]:
    """Where a word comes up that is not the one before; empty ones are passed over."""
    known = [(k, word) for k, word in enumerate(words) if word]
    return [one for before, one in zip([(0, ""), *known], known, strict=False) if one[1] != before[1]]


def losses_cards(burns: Burns) -> list[dict[str, Any]]:
    """Where the ideal velocity went, a card a burn; that of a whole ascent after the burns that make it up."""
    columns = [
        (f"burn {k}, {burns.budget.stage(b.stage).name}", b.losses, b.counted == "braking")
        for k, b in enumerate(burns.list, 1)
    ]
    rising = [b for b in burns.list if b.counted == "over ground"]
    if burns.ascent is not None and len(rising) > 1:
        columns.insert(len(rising), ("ascent with its pauses", burns.ascent, False))
    return [{"title": title, "shares": shares_table(losses, brakes)} for title, losses, brakes in columns]


def losses_key(burns: Burns) -> str:
    """How the shares were counted."""
    key = (
        "Shares of the ideal velocity, the integral of vacuum thrust over mass. Burns below orbit are counted with the "
        "speed over ground, burns in orbit with the inertial speed."
    )
    if any(b.counted == "over ground" for b in burns.list) and burns.flown.plan.body.rotation_rad_s:
        key += f" The body's turning adds {burns.turning_m_s:z.1f} m/s to it at the end of the ascent."
    if any(b.counted == "braking" for b in burns.list):
        key += " A burn that brakes is counted with the speed over ground that it takes off: there drag is a gain."
    blind = int(np.sum(burns.budget.gap & burns.budget.burning))
    if blind:
        key += f" Across {blind} gaps of over 5 s under thrust, gravity's share is what closes the sum."
    return f"{key} {engine_text(burns)}"


def shares_table(losses: Losses, brakes: bool = False) -> Cells:
    """One burn's shares with bars; `brakes` where speed was taken off."""
    rows: list[tuple[str, str, str | Bar]] = []
    for name, label in SHARES:
        value = float(getattr(losses, name))
        label = "speed taken off" if brakes and name == "gained_m_s" else label
        rows.append((label, f"{value:z.1f}", bar(value / losses.ideal_m_s if losses.ideal_m_s else 0.0)))
    rest = losses.rest_m_s if abs(losses.rest_m_s) >= 0.05 else 0.0
    rows += [("not explained", f"{rest:z.1f}", ""), ("ideal velocity", f"{losses.ideal_m_s:z.1f}", "")]
    return Cells(("share", "m/s", ""), rows, numbers=(1,))


def bar(part_frac: float) -> Bar:
    """A bar of this part of the whole."""
    return Bar(f"{100.0 * min(1.0, max(0.0, part_frac)) if isfinite(part_frac) else 0.0:z.1f}")


def engine_text(burns: Burns) -> str:
    """Where the exhaust velocities are from."""
    parts = []
    for index, (speed, told) in burns.budget.exhaust_velocity_m_s.items():
        source = "told thrust over loss of mass" if told else "the flight plan"
        parts.append(f"{burns.budget.stage(index).name} {speed:z.1f} m/s from {source}")
    return f"Exhaust velocity: {'; '.join(parts)}. Drag and exit areas are the flight plan's." if parts else ""


def tanks_table(burns: Burns) -> Cells:
    """Propellant of each stage: at its start, burnt, left, and what does not add up."""
    rows = [
        (t.name, f"{t.start_kg:z,.1f}", f"{t.burnt_kg:z,.1f}", f"{t.left_kg:z,.1f}", f"{t.reserve_kg:z,.1f}",
         f"{t.left_kg - t.reserve_kg:z,.1f}", f"{t.open_kg:+z,.1f}" if abs(t.open_kg) >= 0.05 else "0.0",
         "told" if t.told else "from mass")
        for t in burns.tanks
    ]  # fmt: skip
    names = ("stage", "at its start", "burnt", "left", "reserve", "left above reserve", "does not add up", "source")
    return Cells(names, rows, numbers=(1, 2, 3, 4, 5, 6))


def events_table(flown: Flown) -> Cells:
    """Events of the replies."""
    rows = [
        (e.name, f"{e.at_s:z.3f}", f"{e.announced_s:z.3f}", NOTHING if e.done_s is None else f"{e.done_s:z.3f}")
        for e in sorted(flown.events, key=lambda e: e.at_s)
    ]
    return Cells(("event", "at, s", "first announced, s", "acknowledged, s"), rows, numbers=(1, 2, 3))


def link_table(flown: Flown) -> Cells:
    """How the messages went."""
    gaps, link = flown.track.gaps_s, flown.link
    longest = int(np.argmax(gaps))
    wall = np.diff(flown.wall_s)
    rows = [
        ("states that count", f"{len(flown.seqs):,}"),
        ("usual time between states", f"{float(np.median(gaps)):z.3f} s of the vehicle's clock"),
        ("longest gap", f"{gaps[longest]:z.1f} s, from {flown.track.times_s[longest]:z.1f} s"),
        ("longest silence", f"{float(np.max(wall)):z.2f} s of wall time"),
        ("later than asked for, by over half a second", f"{link.late:,}"),
        ("numbers skipped", f"{link.skipped:,}"),
        ("states sent again", f"{link.repeats:,}"),
        ("refused messages", f"{sum(f.count for f in link.faults):,}"),
        ("replies marked stale", f"{sum(s == 'stale' for s in flown.replies.status):,}"),
        ("connections", f"{link.connections}; taken up again: {link.resumed}"),
    ]
    rows += [("save loaded again", f"at {a:z.2f} s, back to {b:z.2f} s") for a, b in link.reloads[:MOST_RELOADS]]
    if len(link.reloads) > MOST_RELOADS:
        rows.append(("more of them", f"{len(link.reloads) - MOST_RELOADS}"))
    return Cells((), rows, numbers=(1,))


def said_table(said: Sequence[Said]) -> Cells:
    """Warnings or faults with their counts."""
    rows = [(s.text, f"{s.count:,}", when(s.first_s), when(s.last_s)) for s in said[:MOST_TEXTS]]
    more = said[MOST_TEXTS:]
    if more:
        rows.append((f"and {len(more)} other texts", f"{sum(s.count for s in more):,}", "", ""))
    return Cells(("text", "times", "first, s", "last, s"), rows, numbers=(1, 2, 3))


# --- small pieces ------------------------------------------------------------------------------------------------


def number_text(value: float, places: int, unit: str) -> str:
    """A number with its unit."""
    return f"{value:,.{places}f} {unit}"


def orbit_text(orbit: OrbitReport) -> str:
    """Heights of the apsides, inclination and node as one text."""
    return f"{size_text(orbit)}, {degrees(orbit.inclination_rad):z.3f}°, {degrees(orbit.node_rad):z.3f}°"


def where_text(flown: Flown) -> str:
    """Where the last state is: the orbit, or the site at which the vehicle stands."""
    if flown.plan.landing is not None and WayDown(flown).contact is not None:
        return f"stands, {flown.plan.landing.site.name}"
    return size_text(flown.orbits[-1])


def size_text(orbit: OrbitReport) -> str:
    """Perigee and apogee altitude."""
    top = f"{orbit.apogee_altitude_m / 1e3:z,.1f} km" if isfinite(orbit.apogee_altitude_m) else "escape"
    return f"{orbit.perigee_altitude_m / 1e3:z,.1f} by {top}"


def length_text(seconds: float) -> str:
    """A length of time as people say it."""
    whole = timedelta(seconds=round(seconds))
    return f"{seconds:z.1f} s" if seconds < 120.0 else str(whole)


def when(time_s: float | None) -> str:
    """A vehicle time, or a dash."""
    return NOTHING if time_s is None else f"{time_s:z.1f}"


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


