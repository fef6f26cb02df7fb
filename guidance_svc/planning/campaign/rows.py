"""From a campaign's plan to the tables and the picture of its report."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import degrees, pi

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.orbits.plane_drift import plane_drift
from guidance_svc.planning.campaign.model import CampaignPlan, Launch, Outcome, WhatIf
from guidance_svc.planning.campaign.plots import LedgerBar, Picture, WindowMark
from guidance_svc.report.text_tables import Table

Clock = Callable[[float], str]


def day_clock(time_s: float) -> str:
    """Days from the epoch to a ten-thousandth, 9 s."""
    return f"{time_s / SECONDS_PER_DAY:z.4f}"
SURE_J2 = 1.5e-3  # below it, and nearly circular, the secular rates are good to 0.01 deg in ten days (tests/plan)
SURE_ECCENTRICITY = 0.1


def tables(plan: CampaignPlan, clock: Clock = day_clock) -> Iterator[Table]:
    """All tables of the report."""
    yield launch_table(plan, clock)
    yield plane_table(plan, clock)
    yield ledger_table(plan, clock)
    yield answer_table(plan, clock)
    yield what_if_table(plan, clock)


def all_launches(plan: CampaignPlan) -> list[Launch]:
    """The depot's, if any, and the tankers'."""
    return [*([plan.depot_launch] if plan.depot_launch is not None else []), *plan.outcome.launches]


def launch_table(plan: CampaignPlan, clock: Clock) -> Table:
    """Each launch with window, azimuth, node and phase."""
    rows = []
    for one in all_launches(plan):
        way = one.phasing
        opens, closes = (f"{t - one.release_s:+z.0f}" for t in (one.opens_s, one.closes_s))
        rows.append((
            one.name, clock(one.release_s), opens, closes,
            f"{degrees(one.azimuth_inertial_rad):z.2f}", f"{degrees(one.azimuth_ground_rad):z.2f}",
            "" if one.azimuth_flown_rad is None else f"{degrees(one.azimuth_flown_rad):z.2f}",
            f"{degrees(one.node_rad):z.3f}", "" if way is None else f"{degrees(way.ahead_rad):z.1f}",
            "" if way is None else f"{way.revolutions}", "" if way is None else f"{way.time_s / 3600.0:z.1f}",
            "" if way is None else f"{way.in_plane_m_s:z.1f}", "" if way is None else f"{way.plane_m_s:z.1f}",
            clock(one.ready_s),
        ))  # fmt: skip
    head = ("launch", "release", "opens s", "closes s", "az inert", "az ground", "az flown", "node deg", "phase deg",
            "revs", "phasing h", "m/s", "plane m/s", "done")  # fmt: skip
    notes = (
        "azimuths: inertial and over ground are impulsive, at the in-plane instant; flown is the heading at which the",
        "simulated flight leaves the vertical. window: seconds around the release in which steering into the plane",
        f"costs at most {plan.campaign.fleet.window_cost_m_s:g} m/s (impulsive, an upper "
        "bound). node: mean, at insertion.",
        "phase: how far the depot is ahead when the tanker's orbit is round. plane m/s: to take back the turn of the",
        "waiting orbit's node. done: orbit round, or handed over.",
    )
    return Table("Launches", head, rows, notes)


def plane_table(plan: CampaignPlan, clock: Clock) -> Table:
    """The angle day by day."""
    rows = [
        (clock(t), f"{degrees(plan.line.at(t)[1]):z.3f}", f"{degrees(angle):z.3f}",
         "departure" if t == plan.campaign.departure.time_s else "")
        for t, angle in plan.angles
    ]  # fmt: skip
    rate = degrees(plan.line.node_rate_rad_s) * SECONDS_PER_DAY
    notes = (f"node drift {rate:+z.4f} deg a day", *integrated_words(plan))
    return Table("Depot's plane", ("day", "node deg", "angle deg", ""), rows, notes)


def integrated_words(plan: CampaignPlan) -> tuple[str, ...]:
    """Where the secular rates are not good to 0.01 deg by the departure: what the integrated orbit does."""
    orbit, gravity = plan.depot_orbit, plan.campaign.gravity
    if abs(gravity.zonals[0]) < SURE_J2 and orbit.eccentricity < SURE_ECCENTRICITY:
        return ()
    drift = plane_drift(orbit, orbit.epoch_s, plan.campaign.departure.time_s, gravity)
    off = degrees((drift.node_rate_rad_s - drift.theory_rad_s) * (plan.campaign.departure.time_s - orbit.epoch_s))
    rate = degrees(drift.node_rate_rad_s) * SECONDS_PER_DAY
    place = degrees(drift.place_off_rad)
    return (f"integrated: node drift {rate:+z.4f} deg a day, {off:+z.3f} deg of node by the departure against this "
            f"table; phases by theory are up to {place:z.2f} deg off",)  # fmt: skip


def ledger_table(plan: CampaignPlan, clock: Clock) -> Table:
    """Where each kilogram goes."""
    rows: list[tuple[str, ...]] = []
    for line, level in zip(plan.outcome.entries, plan.outcome.levels[1:-1], strict=True):
        rows.append((
            line.name, clock(line.time_s), kg(line.loaded_kg), kg(line.used_to_orbit_kg), kg(line.left_below_kg),
            kg(line.phasing_kg), kg(line.return_reserve_kg), kg(line.kept_kg), kg(line.transferred_kg),
            kg(level.boiled_kg), kg(level.level_kg), kg(level.sigma_kg),
        ))  # fmt: skip
    last = plan.outcome.levels[-1]
    rows.append(("departure", clock(last.time_s), *[""] * 7, kg(last.boiled_kg), kg(last.level_kg), kg(last.sigma_kg)))
    head = ("kg", "at", "loaded", "to orbit", "left below", "phasing", "reserve", "kept", "handed over", "boiled off",
            "depot", "1 sigma")  # fmt: skip
    fleet = plan.campaign.fleet
    flown = "the simulator's tanks, one flight" if fleet.flight.flown else "figures in the campaign's file"
    notes = (
        f"to orbit: {flown}. phasing: impulsive burns, not flown. left below: in dropped stages, for their return.",
        f"1 sigma: linear propagation, no Monte-Carlo: {fleet.dispersion.own_kg:g} kg a flight added in quadrature, "
        f"{fleet.dispersion.common_kg:g} kg common to all flights added linearly.",
        f"source of these: {fleet.dispersion.source}",
    )
    return Table("Propellant ledger", head, rows, notes)


def kg(mass_kg: float) -> str:
    """A mass as text, to the kilogram."""
    return f"{mass_kg:z.0f}"


def answer_table(plan: CampaignPlan, clock: Clock) -> Table:
    """How many tankers, latest good days, the departure."""
    campaign, found = plan.campaign, plan.outcome
    wanted, sigmas = campaign.departure.propellant_kg, campaign.fleet.sigmas
    expected, sure = (("no number" if n is None else str(n)) for n in plan.needed)
    spare_s = campaign.departure.time_s - max((one.ready_s for one in found.launches), default=plan.line.epoch_s)
    rows = [
        ("tankers needed, expected level", expected),
        (f"tankers needed, {sigmas:g} sigma below", sure),
        ("tankers planned", str(len(found.launches))),
        ("propellant wanted", f"{wanted:z.0f} kg"),
        ("at departure", f"{found.level_kg:z.0f} kg, 1 sigma {found.sigma_kg:z.0f} kg"),
        ("plane angle at departure", f"{degrees(plan.angle_rad):z.4f} deg"),
        ("good days for the departure", f"{clock(plan.good_days_s[0])} to {clock(plan.good_days_s[1])}"),
        ("days between last hand-over and departure", f"{spare_s / SECONDS_PER_DAY:z.2f}"),
    ]
    for one, latest in zip(found.launches, plan.latest_s, strict=False):
        rows.append((f"latest good day for {one.name}", clock(latest)))
    note = "latest good day of a launch: all later ones still fit before the departure, slack and scrub days used up"
    return Table("Answers", ("", ""), rows, (note,))


def what_if_table(plan: CampaignPlan, clock: Clock) -> Table:
    """What breaks the campaign: one row a question."""
    wanted = plan.campaign.departure.propellant_kg
    rows = []
    for case in (*plan.lost, *plan.slipped):
        rows.append((case.name, short(case.without, wanted), *cure_cells(case, wanted, clock)))
    head = ("if", "nothing done", "mended", "last hand-over", "launches moved")
    return Table("What breaks", head, rows, ("short: of the propellant wanted, with the sigmas of the plan kept",))


def cure_cells(case: WhatIf, wanted_kg: float, clock: Clock) -> tuple[str, str, str]:
    """The last three cells of a row."""
    if case.cure is None:
        return "not by the departure", "", ""
    last = max((one.ready_s for one in case.cure.launches), default=0.0)
    return short(case.cure, wanted_kg), clock(last), str(case.moved)


def short(found: Outcome | None, wanted_kg: float) -> str:
    """Whether an outcome holds."""
    if found is None:
        return ""
    if found.holds:
        return f"holds, {found.level_kg:z.0f} kg"
    return f"short, {found.level_kg:z.0f} kg of {wanted_kg:z.0f}"


def picture(plan: CampaignPlan) -> Picture:
    """What the page draws."""
    day = SECONDS_PER_DAY
    times = [t for t, _ in plan.angles]
    nodes = [degrees(plan.line.node_rad + plan.line.node_rate_rad_s * (t - plan.line.epoch_s)) for t in times]
    departure = plan.campaign.departure
    end = degrees(plan.line.node_rad + plan.line.node_rate_rad_s * (departure.time_s - plan.line.epoch_s))
    wanted = end + degrees((departure.node_rad - plan.line.at(departure.time_s)[1] + pi) % (2.0 * pi) - pi)
    used = {one.release_s: one.name for one in all_launches(plan)}
    first = [plan.depot_launch] if plan.depot_launch is not None else []
    return Picture(
        days=[t / day for t in times],
        angle_deg=[degrees(angle) for _, angle in plan.angles],
        node_deg=nodes,
        departure_day=departure.time_s / day,
        wanted_node_deg=wanted,
        most_angle_deg=degrees(departure.most_angle_rad),
        wanted_kg=departure.propellant_kg,
        sigmas=plan.campaign.fleet.sigmas,
        bars=[
            LedgerBar(e.name, e.transferred_kg, e.phasing_kg, e.return_reserve_kg, e.kept_kg,
                      level.level_kg, level.sigma_kg)
            for e, level in zip(plan.outcome.entries, plan.outcome.levels[1:-1], strict=True)
        ],
        level=[(level.time_s / day, level.level_kg) for level in plan.outcome.levels],
        windows=[
            WindowMark(w.opens_s / day, w.closes_s / day, w.release_s / day, used.get(w.release_s, ""))
            for w in (*first, *plan.windows)
        ],
    )  # fmt: skip
