"""The command `windows`: all opportunities of a span, corrected by flown ascents; table, plots, a flight plan each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import degrees, pi, radians
from pathlib import Path

from guidance_svc.constants import CAUTION, SECONDS_PER_DAY
from guidance_svc.domain import FlightPlan, Site
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library
from guidance_svc.files.out_paths import require_folder
from guidance_svc.orbits.drift import Field, circular, plane_angle_rad
from guidance_svc.orbits.third_body import moon_plane
from guidance_svc.orbits.timescale import Epoch, epoch_of, gmst_rad, utc_text
from guidance_svc.planning.boost.command import boost_role, stack_plans
from guidance_svc.planning.plan_files import write_text
from guidance_svc.planning.windows.files import write_launches
from guidance_svc.planning.windows.flights import can_fly, fly_direction
from guidance_svc.planning.windows.launches import SLIP_S, Ascent, Launch, Margin, curve, launches
from guidance_svc.planning.windows.opportunities import (
    MOST_OPPORTUNITIES,
    Opportunity,
    PlaneTarget,
    opportunities,
    why_none,
)
from guidance_svc.planning.windows.plane import Aim, aim_of, is_earth, time_of, with_drift, with_flown_end
from guidance_svc.planning.windows.plots import WindowLine, WindowPicture, window_images, window_page
from guidance_svc.report.plots import HOW_TO_GET_PLOTS
from guidance_svc.report.text_tables import Table, table_text

USUAL_MARGIN = Margin(speed_m_s=20.0)  # what an ascent's own reserve usually bears; common practice, no source
DAYS_AFTER = 3  # of the day-by-day table, behind the day that is wanted
MOST_DAYS = 3660.0
MOST_KM = 1e6
MOST_ZONAL = 0.05  # more is no body that holds together; known ones stay below 2e-5, J2 below 0.017
WORTH_SAYING_DEG = 0.01  # what the drift is promised to; less is not mentioned
AROUND_S = 1800.0  # of the curves around each in-plane time


@dataclass(frozen=True, slots=True)
class Ask:
    """What the command was asked, as typed.

    Args:
        flight: name of the plan from the pad; `carries`: of the one on top.
        plane, moon, orbit: text of the three options, one of them.
        start: date or seconds; `epoch`: date of the clock's zero, or None for a simulator's own seconds.
        meridian_rad: of longitude 0 at the clock's zero; None: the Earth's by the epoch, or 0.
        j3, j4: of the simulator's gravity, beside the flight plan's own J2.
        waiting_m: height of a waiting orbit.
        fly: correct by flown ascents.
    """

    flight: str
    carries: str | None = None
    plane: str | None = None
    moon: str | None = None
    orbit: str | None = None
    start: str = "0"
    days: float = 30.0
    epoch: str | None = None
    meridian_rad: float | None = None
    j3: float = 0.0
    j4: float = 0.0
    margin: Margin = USUAL_MARGIN
    waiting_m: float | None = None
    fly: bool = True
    out: Path | None = None


def ask_of(
    flight: str, carries: str | None, planes: tuple[str | None, str | None, str | None], start: str, days: float,
    epoch: str | None, meridian_deg: float | None, zonals: tuple[float, float],
    margin: tuple[float | None, float | None], waiting_km: float | None, fly: bool, out: Path | None,
) -> Ask:  # fmt: skip
    """The command line's values in SI and radians.

    Raises:
        ConfigError: both margins, or a number out of its range, with the option.
    """
    if margin[0] is not None and margin[1] is not None:
        raise ConfigError("given_twice", "--margin-kg", "--margin-m-s or --margin-kg, one of them", margin)
    if margin[1] is not None and not fly:
        raise ConfigError(
            "bad_value", "--margin-kg", "--margin-m-s with --impulsive, where no mass is known", margin[1]
        )
    if waiting_km is not None and not 0.0 < waiting_km <= MOST_KM:
        raise ConfigError("bad_value", "--waiting-km", f"above 0, at most {MOST_KM:g} km", waiting_km)
    for key, value in (("--j3", zonals[0]), ("--j4", zonals[1])):
        if not abs(value) <= MOST_ZONAL:
            expected = f"a number of at most {MOST_ZONAL:g} in size, unnormalised; the Earth's are -2.5e-6 and -1.6e-6"
            raise ConfigError("bad_value", key, expected, value)
    if meridian_deg is not None and not abs(meridian_deg) <= 360.0:
        raise ConfigError("bad_value", "--meridian-deg", "-360 to 360 deg", meridian_deg)
    for key, most, given in (("--margin-m-s", 1e4, margin[0]), ("--margin-kg", 1e9, margin[1])):
        if given is not None and not 0.0 <= given <= most:
            raise ConfigError("bad_value", key, f"0 to {most:g}", given)
    if not 0.0 < days <= MOST_DAYS:
        raise ConfigError("bad_value", "--days", f"above 0, at most {MOST_DAYS:g}", days)
    limit = USUAL_MARGIN if margin == (None, None) else Margin(*margin)
    turned = None if meridian_deg is None else radians(meridian_deg)
    waiting = None if waiting_km is None else 1e3 * waiting_km
    return Ask(flight, carries, *planes, start, days, epoch, turned, *zonals, limit, waiting, fly, out)


@dataclass(frozen=True, slots=True)
class Calendar:
    """What the command found.

    Args:
        angles: where the plane is wanted on a later day: (day from the clock's zero, angle rad) between the orbit that
            drifts and the plane that is wanted, the Moon's as it stands that day.
    """

    plans: Sequence[FlightPlan]
    site: Site
    epoch: Epoch | None
    meridian_rad: float
    radius_m: float
    aim: Aim
    ascents: Sequence[Ascent]
    found: Sequence[Launch]
    angles: Sequence[tuple[int, float]] = ()

    @property
    def plane(self) -> PlaneTarget:
        """Where the launches go."""
        return self.aim.plane


def run_windows(library: Library, ask: Ask, say: Callable[[str], None] = print) -> Calendar:
    """Find, correct, print, write.

    Raises:
        ConfigError: with the key, the reason, and the nearest that works.
        GuidanceError: an ascent that reaches no orbit.
    """
    if ask.out is not None:
        require_folder(ask.out / "flights", "--out")
    calendar = calendar_of(library, ask)
    text = calendar_text(calendar)
    say(CAUTION)
    say(text)
    if ask.out is not None:
        hand_over(library, ask, ask.out, calendar, text, say)
    return calendar


def calendar_of(library: Library, ask: Ask) -> Calendar:
    """All launches of the span."""
    plans = [library.plan(ask.flight, boost_role(ask.carries), own_plane=False)]
    if ask.carries is not None:
        plans.append(library.plan(ask.carries, "upper_stage", own_plane=False))
    plan = stack_plans(*plans) if len(plans) == 2 else plans[0]
    if plan.site is None or plan.target is None:
        key = "site" if plan.site is None else "target"
        raise ConfigError("missing_field", key, f"a [{key}] table in the flight plan", plan.name)
    epoch = None if ask.epoch is None else epoch_of(ask.epoch, "--epoch")
    if epoch is not None and ask.meridian_rad is None and not is_earth(plan.body):
        expected = f"the inertial angle of longitude 0 on {plan.body.name} at the date; only the Earth's is known"
        raise ConfigError("missing_field", "--meridian-deg", expected, "none")
    meridian = ask.meridian_rad if ask.meridian_rad is not None else gmst_rad(epoch) if epoch else 0.0
    field = Field(plan.body, (plan.body.j2, ask.j3, ask.j4))
    aim = aim_of((ask.plane, ask.moon, ask.orbit), plan, field, epoch)
    start_s = time_of(ask.start, epoch, "--from")
    if not abs(aim.plane.epoch_s - start_s) <= MOST_DAYS * SECONDS_PER_DAY:
        key = "--plane.at" if ask.plane else "--moon.at" if ask.moon else "--orbit.at"
        expected = f"within {MOST_DAYS:g} days of --from, {start_s:g} s"
        raise ConfigError("bad_value", key, expected, f"{aim.plane.epoch_s:g} s")
    reason = why_none(plan.site, plan.body, aim.plane)
    if reason is not None:
        key = "--plane" if ask.plane else "--moon" if ask.moon else "--orbit"
        expected = f"a plane that passes over the site: {reason}"
        raise ConfigError("no_opportunity", key, expected, f"{degrees(aim.plane.inclination_rad):z.4f} deg")
    inclination = aim.plane.inclination_rad
    waiting = None if ask.waiting_m is None else circular(0.0, ask.waiting_m, inclination, 0.0, field)
    aim, ascents = drifting_and_flown(plan, aim, (start_s, ask), meridian, field)
    found = passages(plan, aim, (start_s, ask), meridian)
    plane = aim.plane
    return Calendar(plans, plan.site, epoch, meridian, plan.body.radius_m, aim, ascents,
                    launches(found, plane, ascents, ask.margin, field, aim.target, waiting),
                    angles_to(ask, plane, epoch, start_s))  # fmt: skip


def drifting_and_flown(
    plan: FlightPlan, aim: Aim, span: tuple[float, Ask], meridian_rad: float, field: Field
) -> tuple[Aim, list[Ascent]]:
    """The drift by integration and the corrections by flights, which also show what orbit the plan ends in."""
    start_s, ask = span
    ascents: list[Ascent] = []
    if ask.fly and can_fly(plan):
        ascents = ascents_of(plan, passages(plan, aim, span, meridian_rad), aim.plane, meridian_rad, field)
        aim = with_flown_end(aim, ascents[0].cutoff, plan, field)
    return with_drift(aim, start_s, start_s + ask.days * SECONDS_PER_DAY, field), ascents


def passages(plan: FlightPlan, aim: Aim, span: tuple[float, Ask], meridian_rad: float) -> list[Opportunity]:
    """The passages of the site through the plane.

    Raises:
        ConfigError: too many of them for one calendar, or not a single one in the span.
    """
    start_s, ask = span
    assert plan.site is not None  # checked before
    assert plan.target is not None
    most = MOST_OPPORTUNITIES / max(abs(plan.body.rotation_rad_s - aim.plane.node_rate_rad_s), 1e-12) * 2.0 * pi
    if ask.days * SECONDS_PER_DAY > most:
        expected = f"at most {most / SECONDS_PER_DAY:g}, {MOST_OPPORTUNITIES} turns of {plan.body.name} below the plane"
        raise ConfigError("too_many", "--days", expected, ask.days)
    found = opportunities(plan.site, plan.body, meridian_rad, aim.plane, start_s, ask.days * SECONDS_PER_DAY,
                          plan.target.cutoff_speed_m_s)  # fmt: skip
    if not found:
        raise ConfigError("no_opportunity", "--days", f"more than {ask.days:g}, for a passage of the site", ask.days)
    return found


def angles_to(ask: Ask, plane: PlaneTarget, epoch: Epoch | None, start_s: float) -> list[tuple[int, float]]:
    """Day by day from the start to some days after the wanted one; nothing where the plane holds from the start on."""
    if plane.epoch_s <= start_s:
        return []
    still = (plane.inclination_rad, plane.node_rad)

    def wanted_plane(time_s: float) -> tuple[float, float]:
        if ask.moon is None or epoch is None:
            return still
        return moon_plane(epoch.jd_tt + time_s / SECONDS_PER_DAY)

    days = range(int(start_s // SECONDS_PER_DAY), int(plane.epoch_s // SECONDS_PER_DAY) + DAYS_AFTER + 1)
    instants = [(day, plane.epoch_s % SECONDS_PER_DAY + day * SECONDS_PER_DAY) for day in days]
    return [(day, plane_angle_rad(*plane.at(time_s), *wanted_plane(time_s))) for day, time_s in instants]


def ascents_of(
    plan: FlightPlan, found: Sequence[Opportunity], plane: PlaneTarget, meridian_rad: float, field: Field
) -> list[Ascent]:
    """One flown correction for each direction that occurs."""
    firsts = {one.ascending: one for one in reversed(found)}
    ordered = sorted(firsts.values(), key=lambda one: one.time_s)
    return [fly_direction(plan, one, plane, meridian_rad, field) for one in ordered]


def when(time_s: float, epoch: Epoch | None) -> str:
    """A date, or day and time of day of the simulator's own seconds."""
    if epoch is not None:
        return utc_text(epoch, time_s)
    day, rest = divmod(round(time_s), 86400)
    return f"day {day} {rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}"


HEADINGS = (
    "no", "release", "release, s", "opens, s", "closes, s", "to", "azimuth", "impulsive", "inclination", "node",
    f"{SLIP_S:z.0f} s early, m/s", "late, m/s", "late, kg", "phase", "phasing, h",
)  # fmt: skip


def calendar_text(calendar: Calendar) -> str:
    """The table, and what the flights found; columns that say nothing are left out."""
    title = f"Launches from {calendar.site.name}; flight plan {calendar.plans[0].name}"
    rows = [row(number, one, calendar.epoch) for number, one in enumerate(calendar.found, start=1)]
    kept = [i for i in range(len(HEADINGS)) if any(cells[i] != "-" for cells in rows)]
    shown = [[cells[i] for i in kept] for cells in rows]
    text = table_text(Table(title, [HEADINGS[i] for i in kept], shown, list(notes(calendar))))
    if not calendar.angles:
        return text
    days = [
        [f"{day}", when(at_s(calendar, day), calendar.epoch), f"{degrees(angle):.3f}"] for day, angle in calendar.angles
    ]
    return f"{text}\n\n" + table_text(
        Table("Angle of the drifting orbit to the plane wanted, deg", ("day", "at", "angle"), days)
    )


def at_s(calendar: Calendar, day: int) -> float:
    """The instant of a row of the day-by-day table: the wanted time of day."""
    return calendar.plane.epoch_s % SECONDS_PER_DAY + day * SECONDS_PER_DAY


def row(number: int, one: Launch, epoch: Epoch | None) -> list[str]:
    """One line of the table; angles in degrees, opening and closing in seconds from the release."""
    return [
        str(number), when(one.release_s, epoch), f"{one.release_s:z.1f}", f"{one.opens_s - one.release_s:+z.0f}",
        f"{one.closes_s - one.release_s:+z.0f}", "north" if one.opportunity.ascending else "south",
        f"{degrees(one.azimuth_rad):z.3f}", f"{degrees(one.opportunity.azimuth_ground_rad):z.3f}",
        f"{degrees(one.inclination_rad):z.4f}", f"{degrees(one.node_rad):z.4f}", f"{one.early[1]:z.1f}",
        f"{one.late[1]:z.1f}", f"{one.late[2]:z.0f}" if one.late[2] > 0.0 else "-",
        "-" if one.phase_rad is None else f"{degrees(one.phase_rad):z.2f}",
        "-" if one.phasing_s is None else f"{one.phasing_s / 3600.0:z.2f}",
    ]  # fmt: skip


def notes(calendar: Calendar) -> list[str]:
    """What stands under the table."""
    found = ["azimuth over ground, deg from north; inclination and node osculating at cutoff, deg"]
    rate = degrees(calendar.plane.node_rate_rad_s) * SECONDS_PER_DAY
    found.append(f"the target's node drifts by {rate:+z.4f} deg a day; meridian at 0 s: "
                 f"{degrees(calendar.meridian_rad):z.6f} deg")  # fmt: skip
    found.extend(drift_notes(calendar.aim, calendar.radius_m))
    for one in calendar.ascents:
        found.append(
            f"flown {'northwards' if one.ascending else 'southwards'}: release {one.release_shift_s:+z.1f} s from the "
            f"impulsive in-plane time, cutoff after {one.cutoff_after_s:.1f} s, {degrees(one.plane_angle_rad):.4f} deg "
            f"from the plane, {one.margin_kg:z.0f} kg left, {one.flights} flights"
        )
    if not calendar.ascents:
        found.append(
            "impulsive: real ascents fly azimuths that differ (by 0.6 deg in published flights), later or earlier"
        )
    found.append("costs are those of one plane change at insertion speed: an upper bound for an ascent that leans")
    return found


def drift_notes(aim: Aim, radius_m: float) -> list[str]:
    """Which orbit drifts, and what the even drift leaves out."""
    orbit, drift = aim.orbit, aim.drift
    if orbit is None or drift is None:
        return ["the drift is the one that was typed"]
    said = [
        f"of {'the orbit that the plan ends in' if aim.of_plan else 'the orbit typed'}: mean height "
        f"{(orbit.semi_major_m - radius_m) / 1e3:z.1f} km, mean eccentricity {orbit.eccentricity:z.5f}, "
        f"integrated over {drift.flown_s / SECONDS_PER_DAY:z.1f} days"
    ]
    theory = degrees(drift.theory_rad_s) * SECONDS_PER_DAY
    far = abs(drift.theory_rad_s - drift.node_rate_rad_s) * drift.flown_s
    off = (("node by", drift.node_off_rad), ("inclination by", drift.tilt_off_rad))
    left = [f"{what} {degrees(much):z.3f} deg" for what, much in off if degrees(much) > WORTH_SAYING_DEG]
    if degrees(far) > WORTH_SAYING_DEG:
        said.append(f"the secular rates alone would say {theory:+.4f} deg a day, {degrees(far):.3f} deg off at the end")
    if left:
        said.append(f"the integrated orbit leaves the even drift: {', '.join(left)} at most")
    if aim.target is not None and degrees(drift.place_off_rad) > WORTH_SAYING_DEG:
        said.append(f"phases are by theory, up to {degrees(drift.place_off_rad):z.2f} deg from the integrated place")
    return said


def hand_over(library: Library, ask: Ask, out: Path, calendar: Calendar, text: str, say: Callable[[str], None]) -> None:
    """Write the table, the plans and the plots."""
    timed = [(when(one.release_s, calendar.epoch), one) for one in calendar.found]
    paths = write_launches(out, calendar.plans, timed, library, calendar.meridian_rad)
    write_text(out / "windows.txt", f"{CAUTION}\n\n{text}\n")
    say(f"flight plans: {len(paths)} under {out / 'flights'}; fly them with  guidance-svc serve --configs {out}")
    picture = picture_of(calendar, ask)
    try:
        svg, png = window_images(picture)
        page = window_page(f"Launch windows of {calendar.plans[0].name}", svg, text)
    except ImportError:
        say(HOW_TO_GET_PLOTS)
        return
    write_text(out / "windows.svg", svg)
    (out / "windows.png").write_bytes(png)
    write_text(out / "windows.html", page)
    say(f"plots: {out / 'windows.html'}, windows.svg, windows.png")


def picture_of(calendar: Calendar, ask: Ask) -> WindowPicture:
    """What the plots show."""
    lines = []
    for one in calendar.found:
        points = curve(one.opportunity, AROUND_S)
        lines.append(WindowLine(
            one.opportunity.ascending, one.opens_s / SECONDS_PER_DAY,
            one.release_s / SECONDS_PER_DAY, one.closes_s / SECONDS_PER_DAY, degrees(one.node_rad),
            [t / 60.0 for t, _, _ in points], [degrees(angle) for _, angle, _ in points], [v for _, _, v in points],
        ))  # fmt: skip
    angles = [(at_s(calendar, day) / SECONDS_PER_DAY, degrees(angle)) for day, angle in calendar.angles]
    return WindowPicture(lines, ask.margin.speed_m_s, angles)
