"""The report as one self-contained HTML page: no script, no network, light and dark, fit for paper and phone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape
from math import degrees, isfinite

import numpy as np

from guidance_svc.constants import CAUTION
from guidance_svc.domain import OrbitReport
from guidance_svc.report.burns import Burns
from guidance_svc.report.drawing import PAPER, Lane, lanes_svg, svg
from guidance_svc.report.flight import Row
from guidance_svc.report.flown import Flown, Said
from guidance_svc.report.losses import Losses
from guidance_svc.report.outcome import outcome_rows, verdict
from guidance_svc.report.overview import panel_groups
from guidance_svc.report.overview import together as all_together
from guidance_svc.report.page_style import STYLE
from guidance_svc.report.panels import Panel
from guidance_svc.report.tables import TOP_OF_COAST, error

LARGE_M = 1e4  # an error beyond this reads better in kilometres
NOTHING = "\N{EN DASH}"
SHARES = (
    ("gained_m_s", "speed gained"), ("gravity_m_s", "gravity"), ("drag_m_s", "drag"), ("steering_m_s", "steering"),
    ("out_of_plane_m_s", "out of plane"), ("back_pressure_m_s", "back pressure"), ("held_m_s", "held down"),
)  # fmt: skip


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
        ImportError: matplotlib is not installed.
    """
    title = f"Flight report: {', '.join(dict.fromkeys(f.vehicle for f, _ in flights))}"
    parts = [head(title), "<body><main>", opening(about, title), together(about, flights)]
    parts += [vehicle_section(flown, burns, number) for number, (flown, burns) in enumerate(flights, 1)]
    parts += [closing(about), "</main></body></html>\n"]
    return "".join(parts)


def head(title: str) -> str:
    """Title, colours of both schemes, style."""
    paper = "".join(f"--{name}:{colour};" for name, colour in PAPER.items())
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f"<title>{escape(title)}</title><style>:root{{{paper}}}{STYLE}</style></head>"
    )


def opening(about: About, title: str) -> str:
    """What this is, and what it must not be used for."""
    span = about.end - about.start
    facts = [
        f"Recording {about.recording}",
        f"{about.start:%Y-%m-%d %H:%M:%S} UTC, {length_text(span.total_seconds())} of wall time",
        f"service version {about.version}" if about.version else "",
    ]
    remarks = "".join(f'<p class="remark">{escape(sentence(text))}</p>' for text in about.remarks if text)
    return (
        f"<header><h1>{escape(title)}</h1><p class=facts>{escape(' · '.join(f for f in facts if f))}</p>"
        f"<p class=caution>{escape(CAUTION)}</p>{remarks}</header>"
    )


def together(about: About, flights: Sequence[tuple[Flown, Burns]]) -> str:
    """All vehicles: a summary, and both time lines."""
    rows = []
    for number, (flown, burns) in enumerate(flights, 1):
        orbit = flown.orbits[-1]
        left = f"{burns.tanks[-1].left_kg:z,.0f} kg" if burns.tanks else NOTHING
        rows.append((
            f'<a href="#v{number}">{escape(flown.name)}</a>', escape(flown.plan.name), escape(verdict(flown)),
            escape(size_text(orbit)), left, str(sum(f.count for f in flown.link.faults)),
        ))  # fmt: skip
    names = ("vehicle", "flight plan", "how it ended", "orbit in its last state", "propellant left", "faults")
    summary = table(names, rows, numbers=(4, 5), raw=True)
    shared = "".join(figure(p.title, svg(p)) for p in all_together(flights))
    lines = time_lines(about, flights)
    return f'<section class="all"><h2>All vehicles</h2>{summary}{lines}<div class="grid">{shared}</div></section>'


def time_lines(about: About, flights: Sequence[tuple[Flown, Burns]]) -> str:
    """The same flights by the vehicles' clocks and by the wall clock of the recording."""
    own, wall = [], []
    for f, burns in flights:
        own.append(Lane(f.name, ends(f.track.times_s), tuple((b.start_s, b.end_s) for b in burns.list)))
        burning = tuple((float(f.wall_s[b.first]), float(f.wall_s[b.last])) for b in burns.list)
        wall.append(Lane(f.name, ends(f.wall_s), burning))
    zero = f"wall time, s since {about.start:%H:%M:%S} UTC"
    return (
        '<div class="wide">'
        + figure("By the vehicles' clocks: thick where the engine burns", scrolling(lanes_svg(own, "vehicle time, s")))
        + figure("By the recording's clock: who flew at the same time", scrolling(lanes_svg(wall, zero)))
        + "</div>"
    )


def scrolling(drawing: str) -> str:
    """A wide plot that a narrow screen scrolls sideways, by keyboard too."""
    return f'<div class="scroll" tabindex="0" role="region" aria-label="time line">{drawing}</div>'


def ends(times: np.ndarray) -> tuple[tuple[float, float], ...]:
    """From the first to the last state."""
    return ((float(times[0]), float(times[-1])),)


# --- one vehicle -------------------------------------------------------------------------------------------------


def vehicle_section(flown: Flown, burns: Burns, number: int) -> str:
    """Everything about one session."""
    rows = outcome_rows(flown, burns)
    who = f"{flown.role.replace('_', ' ')}, flight plan {flown.plan.name}, {flown.plan.body.name}"
    parts = [
        f'<section class=vehicle id="v{number}"><h2>{escape(flown.name)}</h2>',
        f"<p class=lead>{escape(verdict(flown))}</p>",
        f"<p class=facts>{escape(who)}</p>",
        "<h3>Target, achieved, error</h3>", outcome_table(rows),
        *(group(title, made) for title, made in panel_groups(flown, burns)),
        burns_tables(burns), losses_tables(burns), tanks_table(burns),
        f'<div class="pair"><div>{events_table(flown)}</div><div>{link_table(flown)}</div></div>',
        said_table("Warnings", flown.warnings), said_table("Faults", flown.link.faults), notes(flown.notes),
        "</section>",
    ]  # fmt: skip
    return "".join(parts)


def group(title: str, made: Sequence[Panel]) -> str:
    """A heading and a grid of plots."""
    shaded = '<p class="key">Shaded: the engine is on.</p>' if any(p.bands for p in made) else ""
    return f'<h3>{escape(title)}</h3>{shaded}<div class="grid">{"".join(figure(p.title, svg(p)) for p in made)}</div>'


def figure(title: str, drawing: str) -> str:
    """A plot under its title."""
    return f"<figure><figcaption>{escape(title)}</figcaption>{drawing}</figure>"


def outcome_table(rows: Sequence[Row]) -> str:
    """Target, achieved and error."""
    cells, seen = [], ""
    for row in rows:
        target = "" if row.target is None else number_text(row.target, row.places, row.unit)
        moment = "" if row.moment == seen else row.moment
        cells.append((moment, row.quantity, target, number_text(row.achieved, row.places, row.unit), miss(row)))
        seen = row.moment
    text = table(("at", "quantity", "target", "achieved", "error"), cells, numbers=(2, 3, 4))
    held = any(row.moment == "circular" and row.target is not None for row in rows)
    return text + (f'<p class="key">{escape(TOP_OF_COAST)}.</p>' if held else "")


def miss(row: Row) -> str:
    """The error in metres, or in kilometres where it is no small one."""
    if row.error is None or row.error_unit != "m" or abs(row.error) < LARGE_M:
        return error(row)
    return f"{row.error / 1e3:+z,.1f} km"


def burns_tables(burns: Burns) -> str:
    """The orbit before and after each burn."""
    if not burns.list:
        return "<h3>Burns</h3><p>No burn in this recording.</p>"
    rows = []
    for number, burn in enumerate(burns.list, 1):
        rows.append((
            f"{number}, {burns.budget.stage(burn.stage).name}", burn.phase, f"{burn.start_s:z.3f}",
            f"{burn.end_s - burn.start_s:z.3f}", orbit_text(burn.before), orbit_text(burn.after),
        ))  # fmt: skip
    names = ("burn", "phase", "ignition, s", "length, s", "orbit before", "orbit after")
    return (
        "<h3>Orbit before and after each burn</h3>" + table(names, rows, numbers=(2, 3))
        + '<p class="key">Osculating perigee by apogee above the equatorial radius, inclination, node.</p>'
    )  # fmt: skip


def losses_tables(burns: Burns) -> str:
    """Where the ideal velocity went."""
    if not burns.list:
        return ""
    columns = [(f"burn {k}, {burns.budget.stage(b.stage).name}", b.losses) for k, b in enumerate(burns.list, 1)]
    ascent = burns.ascent
    rising = [b for b in burns.list if b.counted == "over ground"]
    if ascent is not None and len(rising) > 1:
        columns.insert(len(rising), ("ascent with its pauses", ascent))
    cards = "".join(losses_card(title, losses) for title, losses in columns)
    key = (
        "Shares of the ideal velocity, the integral of vacuum thrust over mass. Burns below orbit are counted with the "
        "speed over ground, burns in orbit with the inertial speed."
    )
    if rising and burns.flown.plan.body.rotation_rad_s:
        key += f" The body's turning adds {burns.turning_m_s:z.1f} m/s to it at the end of the ascent."
    blind = int(np.sum(burns.budget.gap & burns.budget.burning))
    if blind:
        key += f" Across {blind} gaps of over 5 s under thrust, gravity's share is what closes the sum."
    return (
        f'<h3>Where the ideal velocity went</h3><div class="grid">{cards}</div>'
        f'<p class="key">{escape(key)} {escape(engine_text(burns))}</p>'
    )


def losses_card(title: str, losses: Losses) -> str:
    """One burn's shares as a table with bars."""
    rows = []
    for name, label in SHARES:
        value = float(getattr(losses, name))
        rows.append((label, f"{value:z.1f}", bar(value / losses.ideal_m_s if losses.ideal_m_s else 0.0)))
    rest = losses.rest_m_s if abs(losses.rest_m_s) >= 0.05 else 0.0
    rows += [("not explained", f"{rest:z.1f}", ""), ("ideal velocity", f"{losses.ideal_m_s:z.1f}", "")]
    body = table(("share", "m/s", ""), rows, numbers=(1,), raw=True)
    return f'<figure class="card"><figcaption>{escape(title)}</figcaption>{body}</figure>'


def bar(part: float) -> str:
    """A bar of this part of the whole."""
    width = 100.0 * min(1.0, max(0.0, part)) if isfinite(part) else 0.0
    return f'<span class="bar"><span style="width:{width:z.1f}%"></span></span>'


def engine_text(burns: Burns) -> str:
    """Where the exhaust velocities are from."""
    parts = []
    for index, (speed, told) in burns.budget.exhaust_velocity_m_s.items():
        source = "told thrust over loss of mass" if told else "the flight plan"
        parts.append(f"{burns.budget.stage(index).name} {speed:z.1f} m/s from {source}")
    return f"Exhaust velocity: {'; '.join(parts)}. Drag and exit areas are the flight plan's." if parts else ""


def tanks_table(burns: Burns) -> str:
    """The propellant ledger."""
    if not burns.tanks:
        return ""
    rows = [
        (t.name, f"{t.start_kg:z,.1f}", f"{t.burnt_kg:z,.1f}", f"{t.left_kg:z,.1f}", f"{t.reserve_kg:z,.1f}",
         f"{t.left_kg - t.reserve_kg:z,.1f}", f"{t.open_kg:+z,.1f}" if abs(t.open_kg) >= 0.05 else "0.0",
         "told" if t.told else "from mass")
        for t in burns.tanks
    ]  # fmt: skip
    names = ("stage", "at its start", "burnt", "left", "reserve", "left above reserve", "does not add up", "source")
    return "<h3>Propellant by stage, kg</h3>" + table(names, rows, numbers=(1, 2, 3, 4, 5, 6))


def events_table(flown: Flown) -> str:
    """Events of the replies."""
    rows = [
        (e.name, f"{e.at_s:z.3f}", f"{e.announced_s:z.3f}", NOTHING if e.done_s is None else f"{e.done_s:z.3f}")
        for e in sorted(flown.events, key=lambda e: e.at_s)
    ]
    if not rows:
        return ""
    names = ("event", "at, s", "first announced, s", "acknowledged, s")
    return "<h3>Events, vehicle time</h3>" + table(names, rows, numbers=(1, 2, 3))


def link_table(flown: Flown) -> str:
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
    rows += [("save loaded again", f"at {a:z.2f} s, back to {b:z.2f} s") for a, b in link.reloads[:20]]
    if len(link.reloads) > 20:
        rows.append(("more of them", f"{len(link.reloads) - 20}"))
    return "<h3>Link</h3>" + table(("", ""), rows, numbers=(1,))


def said_table(title: str, said: Sequence[Said]) -> str:
    """Warnings or faults with their counts; nothing where there are none."""
    if not said:
        return ""
    rows = [(s.text, f"{s.count:,}", when(s.first_s), when(s.last_s)) for s in said[:40]]
    if len(said) > 40:
        rows.append((f"and {len(said) - 40} other texts", f"{sum(s.count for s in said[40:]):,}", "", ""))
    return f"<h3>{escape(title)}</h3>" + table(("text", "times", "first, s", "last, s"), rows, numbers=(1, 2, 3))


def notes(texts: Sequence[str]) -> str:
    """What is estimated or missing."""
    items = "".join(f"<li>{escape(text)}</li>" for text in texts)
    return f"<h3>What these numbers rest on</h3><ul class=notes>{items}</ul>" if items else ""


def closing(about: About) -> str:
    """Messages of no session, and what the page is."""
    return f"<footer>{said_table('Refused before any session', about.strangers)}<p>{escape(CAUTION)}</p></footer>"


# --- small pieces ------------------------------------------------------------------------------------------------


def table(names: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = (), raw: bool = False) -> str:
    """A table that scrolls sideways by itself; `numbers` are the columns set to the right."""

    def cells(tag: str, values: Sequence[str]) -> Iterator[str]:
        for k, value in enumerate(values):
            kind = " class=n" if k in numbers else ""
            yield f"<{tag}{kind}>{value if raw and tag == 'td' else escape(value)}</{tag}>"

    heading = f"<thead><tr>{''.join(cells('th', names))}</tr></thead>" if any(names) else ""
    body = "".join(f"<tr>{''.join(cells('td', row))}</tr>" for row in rows)
    return f'<div class="scroll" tabindex="0"><table>{heading}<tbody>{body}</tbody></table></div>'


def number_text(value: float, places: int, unit: str) -> str:
    """A number with its unit."""
    return f"{value:,.{places}f} {unit}"


def orbit_text(orbit: OrbitReport) -> str:
    """Apsides, inclination, node."""
    return f"{size_text(orbit)}, {degrees(orbit.inclination_rad):z.3f}°, {degrees(orbit.node_rad):z.3f}°"


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


