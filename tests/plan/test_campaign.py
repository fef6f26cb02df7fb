"""A campaign's plan: schedule, phasing, what breaks, and what is refused with which cure. All of it invented.

The tanker comes from figures in the file, so nothing is flown here; flights are in closed_loop/test_campaign_flown.py.
"""

from __future__ import annotations

import copy
import tomllib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from math import degrees, pi, radians, sqrt
from pathlib import Path
from typing import Any, NoReturn

import erfa
import numpy as np
import pytest
import tomlkit
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from guidance_svc.domain import Body
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.planning.campaign.file_model import parse_campaign
from guidance_svc.planning.campaign.files import campaign_of, flight_table, load_campaign
from guidance_svc.planning.campaign.model import Campaign, CampaignPlan
from guidance_svc.planning.campaign.phasing import phasing
from guidance_svc.planning.campaign.planner import plan_campaign

DAY_S = 86400.0
FIGURES = {"used_to_orbit_kg": 686300.0, "left_below_kg": 20000.0, "source": "invented"}


@cache
def library() -> Library:
    return load_library(default_folder())


@cache
def demo_text() -> str:
    return (default_folder() / "campaigns" / "lagoon.toml").read_text()


def table(**changes: Any) -> dict[str, Any]:
    """The demo's campaign by figures, with changes such as departure__at=12.0; None takes a key away."""
    found = tomllib.loads(demo_text())
    found["tankers"]["figures"] = dict(FIGURES)
    for path, value in changes.items():
        *parts, key = path.split("__")
        inner = found
        for part in parts:
            inner = inner[part]
        if value is None:
            del inner[key]
        else:
            inner[key] = value
    return found


def never_flown(*_: Any) -> NoReturn:
    raise AssertionError("a campaign by figures flies nothing")


def asked(**changes: Any) -> Campaign:
    return campaign_of(parse_campaign(table(**changes)), library(), never_flown)


def plan_of(**changes: Any) -> CampaignPlan:
    return plan_campaign(asked(**changes))


def refusal(**changes: Any) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        plan_of(**changes)
    return caught.value


# --- schedule ----------------------------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(
    cadence=st.floats(0.3, 2.5), slack=st.floats(0.0, 1.0), scrub=st.floats(0.0, 3.0),
    closed=st.lists(st.integers(0, 12), max_size=4, unique=True),
)  # fmt: skip
def test_every_plan_keeps_cadence_slack_scrub_and_closed_days(
    cadence: float, slack: float, scrub: float, closed: list[int]
) -> None:
    plan = plan_of(
        tankers__cadence_days=cadence, tankers__slack_days=slack, tankers__scrub_days=scrub,
        tankers__closed_days=closed, departure__at=16.0, departure__propellant_kg=60e3,
    )  # fmt: skip
    launches = plan.outcome.launches
    assert launches
    assert plan.depot_launch is not None
    assert launches[0].release_s > plan.depot_launch.ready_s
    for before, after in pairwise(launches):
        assert after.release_s - before.release_s >= (cadence + slack) * DAY_S - 1.0  # releases on whole seconds
    for launch in launches:
        assert int(launch.release_s // DAY_S) not in closed
        assert launch.opens_s < launch.release_s < launch.closes_s
        assert launch.ready_s <= (16.0 - scrub) * DAY_S
    assert plan.outcome.level_kg - 2.0 * plan.outcome.sigma_kg >= 60e3


def test_as_many_as_needed_is_the_least_number_that_fills() -> None:
    plan = plan_of()
    count = len(plan.outcome.launches)
    assert plan.needed[1] == count
    error = refusal(tankers__count=count - 1)
    assert error.field == "tankers.count"
    assert f"{count} tankers" in error.expected
    assert plan_of(tankers__count=count).outcome.holds


def test_scatter_asks_for_another_tanker_where_the_expected_level_just_does() -> None:
    level = plan_of(departure__at=12.0).outcome.level_kg
    plan = plan_of(departure__at=12.0, departure__propellant_kg=level - 100.0)  # 2 sigma are about 900 kg
    expected, sure = plan.needed
    assert expected is not None
    assert sure == expected + 1
    assert len(plan.outcome.launches) == sure
    too_few = refusal(departure__at=12.0, departure__propellant_kg=level - 100.0, tankers__count=expected)
    assert (too_few.field, too_few.code) == ("tankers.count", "cannot_fill")


def test_scrub_days_end_the_launches_that_much_earlier() -> None:
    last = plan_of().outcome.launches[-1]
    spare = 10.0 - last.ready_s / DAY_S
    assert plan_of(tankers__scrub_days=spare - 0.01).outcome.holds
    assert refusal(tankers__scrub_days=spare + 0.01).code == "cannot_fill"


def test_the_latest_good_days_keep_the_cadence() -> None:
    plan = plan_of(tankers__cadence_days=1.5, departure__at=20.0)
    assert len(plan.latest_s) > 3
    assert all(b - a >= 1.5 * DAY_S for a, b in pairwise(plan.latest_s))


def test_the_latest_good_days_are_a_plan_that_still_works_and_none_is_later() -> None:
    plan = plan_of()
    days, launches = plan.latest_s, plan.outcome.launches
    assert len(days) == len(launches)
    assert all(latest >= one.release_s for latest, one in zip(days, launches, strict=True))
    assert all(b - a >= 0.9 * DAY_S for a, b in pairwise(days))
    late = plan_of(tankers__earliest=(days[0] - 1.0) / DAY_S, tankers__scrub_days=0.0)  # releases on whole seconds
    assert late.outcome.launches[0].release_s == days[0]
    assert len(late.outcome.launches) == len(launches)
    later = refusal(tankers__earliest=days[0] / DAY_S + 0.1, tankers__scrub_days=0.0)
    assert later.code == "cannot_fill"


def test_a_lost_tanker_leaves_the_depot_short_by_what_it_carried() -> None:
    plan = plan_of()
    for case, entry in zip(plan.lost, plan.outcome.entries, strict=True):
        assert case.without is not None
        assert not case.without.holds
        short = plan.outcome.level_kg - case.without.level_kg
        left = (1.0 - 0.0005) ** ((10.0 * DAY_S - entry.time_s) / DAY_S)  # the demo's boil-off
        assert short == pytest.approx(entry.transferred_kg * left, abs=1e-6)


def test_a_slip_within_the_slack_moves_no_other_launch() -> None:
    free = {"tankers__closed_days": [], "departure__at": 20.0, "departure__propellant_kg": 80e3}
    plan = plan_of(tankers__slack_days=1.0, **free)
    slips = [case for case in plan.slipped if case.name.startswith("Bargeman")]
    assert len(slips) == len(plan.outcome.launches)
    assert all(case.cure is not None and case.moved == 0 for case in slips)
    tight = plan_of(**free)
    assert [case.moved for case in tight.slipped][:3] == [len(tight.outcome.launches), 2, 1]


def test_a_slip_that_the_departure_does_not_wait_for_is_said_so() -> None:
    last = plan_of(tankers__scrub_days=0.0).outcome.launches[-1]
    day = last.ready_s / DAY_S + 0.3
    node = 205.0 + 6.7709 * (10.0 - day)  # so that the depot leaves on the same day; degrees a day as the demo's
    plan = plan_of(tankers__scrub_days=0.0, departure__at=day, departure__node_deg=node)
    assert all(case.cure is None for case in plan.slipped if case.name.endswith("late"))
    assert all(case.cure is None for case in plan.lost)


# --- phasing -----------------------------------------------------------------------------------------------------


@given(ahead=st.floats(0.05, 6.2), days=st.floats(0.3, 3.0))
@settings(max_examples=10, deadline=None)
def test_phasing_ends_where_the_depot_is(ahead: float, days: float) -> None:
    """Both orbits integrated by DOP853 on a sphere; 1 km of 43,000 km is 1e-5 of the two-body periods' rounding."""
    ball = Body("ball", 3.986004418e14, 6378137.0)
    radius = 6838e3
    way = phasing(ahead, radius, 0.5, ball, days * DAY_S, 6378e3 + 150e3)
    assume(way is not None)
    assert way is not None
    circle = sqrt(ball.mu_m3_s2 / radius)
    speed = sqrt(ball.mu_m3_s2 * (2.0 / radius - 1.0 / way.semi_major_m))
    assert way.in_plane_m_s == pytest.approx(2.0 * abs(circle - speed), rel=1e-9)

    def pull(_t: float, y: np.ndarray) -> np.ndarray:
        return np.concatenate([y[2:], -ball.mu_m3_s2 * y[:2] / np.linalg.norm(y[:2]) ** 3])

    tanker = solve_ivp(pull, (0.0, way.time_s), [radius, 0.0, 0.0, speed], "DOP853", rtol=1e-11, atol=1e-6).y[:2, -1]
    angle = ahead + circle / radius * way.time_s
    assert np.linalg.norm(tanker - radius * np.array([np.cos(angle), np.sin(angle)])) < 1e3
    assert way.time_s <= days * DAY_S


@pytest.mark.parametrize("tilt_deg", [5.0, 30.0, 97.0])
def test_the_plane_turned_while_phasing_is_turned_back_where_the_planes_cross(tilt_deg: float) -> None:
    """Two planes of one inclination, nodes apart: the change of velocity at their crossing, by their normals alone.

    How far the node turns is J2's; what is looked at here is the sine of the inclination.
    """
    earth = library().bodies["earth"].to_domain("j2", "earth")
    way = phasing(1.5, 6838e3, radians(tilt_deg), earth, 0.5 * DAY_S, 6378e3 + 150e3)
    assert way is not None
    tilt, nodes = radians(tilt_deg), (0.0, way.plane_rad)
    normals = [np.array([np.sin(tilt) * np.sin(n), -np.sin(tilt) * np.cos(n), np.cos(tilt)]) for n in nodes]
    crossing = np.cross(*normals) / np.linalg.norm(np.cross(*normals))
    speed = sqrt(earth.mu_m3_s2 / 6838e3)
    before, after = (speed * np.cross(normal, crossing) for normal in normals)
    assert way.plane_m_s > 0.1
    assert way.plane_m_s == pytest.approx(float(np.linalg.norm(after - before)), rel=1e-6)


def test_a_waiting_orbit_never_dips_below_its_floor() -> None:
    earth = library().bodies["earth"].to_domain("j2", "earth")
    ways = [phasing(radians(a), 6838e3, 0.5, earth, 0.5 * DAY_S, 6378e3 + 300e3) for a in range(0, 360, 20)]
    kept = [way for way in ways if way is not None]
    assert kept
    assert all(2.0 * way.semi_major_m - 6838e3 >= 6678e3 for way in kept)


# --- bad input ---------------------------------------------------------------------------------------------------


def test_a_time_beyond_all_days_and_a_share_of_two_are_refused_with_their_limits() -> None:
    error = refusal(departure__at=1e300)
    assert (error.field, error.expected) == ("departure.at", "at most 3660 days from the epoch")
    error = refusal(depot__boil_off_frac_per_day=2.0)
    assert error.field == "depot.boil_off_frac_per_day"
    assert error.expected == "a finite number of at least 0 and below 1"


def test_a_date_before_the_epoch_is_refused_with_its_key() -> None:
    epoch = datetime(2027, 3, 1, tzinfo=UTC)
    error = refusal(departure__at=-2.0)
    assert (error.field, error.code) == ("departure.at", "before_epoch")
    error = refusal(epoch=epoch, tankers__earliest=epoch - timedelta(days=1))
    assert (error.field, error.code) == ("tankers.earliest", "before_epoch")
    assert "2027-03-01" in error.expected


def test_dates_and_days_give_the_same_plan() -> None:
    epoch = datetime(2027, 3, 1, tzinfo=UTC)
    first, end = epoch + timedelta(days=1), epoch + timedelta(days=10)
    by_date = plan_of(epoch=epoch, departure__at=end, tankers__earliest=first)
    assert [one.release_s for one in by_date.outcome.launches] == [one.release_s for one in plan_of().outcome.launches]


def test_a_date_as_epoch_brings_the_earths_sidereal_time() -> None:
    """Against erfa.gmst06 (IAU 2006), within 0.001 deg of the 1982 formula that the service uses."""
    epoch = datetime(2027, 3, 1, tzinfo=UTC)
    days, first = epoch + timedelta(days=10), epoch + timedelta(days=1)
    changes = {"epoch": epoch, "departure__at": days, "tankers__earliest": first, "meridian_at_epoch_deg": None}
    told = asked(**changes).meridian_at_zero_rad
    jd = 2451545.0 + (epoch - datetime(2000, 1, 1, 12, tzinfo=UTC)).total_seconds() / DAY_S
    assert told == pytest.approx(erfa.gmst06(jd, 0.0, jd, 69.184 / DAY_S), abs=radians(0.001))


def test_a_date_without_an_epoch_or_an_offset_is_refused() -> None:
    assert refusal(departure__at=datetime(2027, 3, 11, tzinfo=UTC)).code == "no_epoch"
    error = refusal(epoch=datetime(2027, 3, 1, tzinfo=UTC), departure__at=datetime(2027, 3, 11))
    assert (error.field, error.code) == ("departure.at", "no_offset")
    assert refusal(epoch=datetime(2027, 3, 1)).field == "epoch"


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"departure__propellant_kg": -1.0}, "departure.propellant_kg"),
        ({"depot__level_kg": -5.0}, "depot.level_kg"),
        ({"tankers__return_reserve_kg": -5.0}, "tankers.return_reserve_kg"),
        ({"departure__inclination_deg": 190.0}, "departure.inclination_deg"),
        ({"depot__inclination_deg": 0.0}, "depot.inclination_deg"),
        ({"tankers__count": 0}, "tankers.count"),
        ({"tankers__flight": "no_such"}, "tankers.flight"),
        ({"tankers__flight": "curlew_to_lagoon"}, "tankers.flight"),
        ({"tankers__site": "Nowhere"}, "tankers.site"),
        ({"body": "pluto"}, "body"),
        ({"depot__altitude_km": 300.0}, "depot.altitude_km"),
        ({"depot__boil_off_frac_per_day": 1.0}, "depot.boil_off_frac_per_day"),
        ({"departure__speling": 1.0}, "departure.speling"),
        ({"departure__propellant_kg": 300e3}, "departure.propellant_kg"),
        ({"tankers__figures__used_to_orbit_kg": 800e3}, "tankers.figures.used_to_orbit_kg"),
        ({"tankers__return_reserve_kg": 40e3}, "tankers.return_reserve_kg"),
    ],
)
def test_a_bad_value_is_refused_with_its_key(changes: dict[str, Any], field: str) -> None:
    error = refusal(**changes)
    assert error.field == field
    assert error.expected


def test_an_inclination_that_the_site_cannot_reach_is_answered_with_those_it_can() -> None:
    error = refusal(depot__inclination_deg=20.0, departure__inclination_deg=20.0)
    assert error.field == "depot.inclination_deg"
    assert "28.0" in error.expected  # geocentric latitude of 28.2 deg geodetic
    assert "151.9" in error.expected


def test_a_phasing_time_that_is_too_short_is_answered_with_one_that_works() -> None:
    error = refusal(tankers__phasing_days=0.05)
    assert error.field == "tankers.phasing_days"
    days = number_after(error.expected, "at least ")
    assert plan_of(tankers__phasing_days=days, departure__propellant_kg=1000.0).outcome.holds


def test_two_sites_with_one_name_are_refused() -> None:
    sites = table()["sites"]
    error = refusal(sites=[*sites, copy.deepcopy(sites[0])])
    assert (error.field, error.got) == ("sites.1.name", "Saltmarsh Point")


def number_after(text: str, word: str) -> float:
    return float(text.split(word, 1)[1].split()[0].rstrip(",;:"))


def test_a_departure_before_the_last_tanker_is_answered_with_the_first_day_that_works() -> None:
    error = refusal(tankers__count=9)
    assert (error.field, error.code) == ("departure.at", "departure_too_early")
    day = number_after(error.expected, "day ")
    assert len(plan_of(tankers__count=9, departure__at=day, depot__capacity_kg=400e3).outcome.launches) == 9
    earlier = refusal(tankers__count=9, departure__at=day - 0.5, depot__capacity_kg=400e3)
    assert earlier.code == "departure_too_early"


def test_a_departure_before_the_depot_or_any_tanker_says_when_they_are_there() -> None:
    error = refusal(departure__at=0.5, tankers__earliest=0.0)
    assert error.field == "departure.at"
    assert number_after(error.expected, "day ") > 0.5


def test_a_depot_that_cannot_be_full_by_then_is_answered_with_a_day_and_an_amount_that_work() -> None:
    error = refusal(departure__propellant_kg=195e3)
    assert (error.field, error.code) == ("departure.at", "cannot_fill")
    day, amount = number_after(error.expected, "day "), number_after(error.expected, "at most ")
    assert plan_of(departure__propellant_kg=195e3, departure__at=day).outcome.holds
    assert plan_of(departure__propellant_kg=amount - 1.0).outcome.holds  # the text is rounded to the kilogram
    assert refusal(departure__propellant_kg=amount + 1.0).code == "cannot_fill"


def in_orbit(**changes: Any) -> dict[str, Any]:
    orbit = {"at": 0.0, "node_deg": 272.7, "argument_of_latitude_deg": 40.0}
    return {
        "depot__flight": None, "depot__site": None, "depot__earliest": None, "depot__orbit": orbit,
        "depot__level_kg": 20e3,
    } | changes  # fmt: skip


def test_a_depot_in_orbit_is_filled_where_it_is() -> None:
    plan = plan_of(**in_orbit())
    assert plan.depot_launch is None
    assert plan.outcome.levels[0].level_kg == pytest.approx(20e3)
    assert plan.outcome.holds
    assert degrees(plan.angle_rad) < 0.5


def test_a_plane_that_is_not_right_on_the_day_is_answered_with_a_day_when_it_is() -> None:
    error = refusal(**in_orbit(departure__node_deg=198.0))
    assert error.field == "departure.at"
    day = number_after(error.expected, "day ")
    assert day == pytest.approx(11.0, abs=0.2)  # 7 deg at 6.8 deg a day, to the limit of 0.5 deg between the planes
    assert degrees(plan_of(**in_orbit(departure__node_deg=198.0, departure__at=day)).angle_rad) <= 0.5


def test_planes_of_different_inclination_are_answered_with_the_depots() -> None:
    error = refusal(departure__inclination_deg=33.0)
    assert error.field == "departure.inclination_deg"
    assert error.expected.startswith("30.000 deg")


def test_an_error_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(demo_text().replace("propellant_kg = 150000.0", "propellant_kg = -1.0"))
    with pytest.raises(ConfigError, match=r"bad\.toml: departure\.propellant_kg"):
        load_campaign(path)


# --- hand-over ---------------------------------------------------------------------------------------------------


def test_a_written_flight_plan_reads_back_as_the_plan_of_its_launch() -> None:
    """TOML by the standard library's reader; degrees and back are good to 1e-15."""
    plan = plan_of()
    launch = plan.outcome.launches[0]
    text = tomlkit.dumps(flight_table(library(), "bargeman_to_lagoon", launch))
    read = library().plan(tomllib.loads(text), "tanker")
    assert read.target is not None
    assert launch.plan.target is not None
    assert read.target.node_rad == pytest.approx(launch.plan.target.node_rad, abs=1e-14)
    assert read.target.inclination_rad == pytest.approx(launch.plan.target.inclination_rad, abs=1e-14)
    assert read.phases == launch.plan.phases
    assert read.vehicle == launch.plan.vehicle
    assert read.body == launch.plan.body


def test_windows_repeat_with_the_nodal_day() -> None:
    """The Earth's turn against a plane that drifts -6.77 deg a day: 360 / (360.9856 + 6.77) of a day, by hand."""
    windows = plan_of().windows
    gaps = {round((b.release_s - a.release_s) / DAY_S, 3) for a, b in pairwise(windows)}
    assert min(gaps) == pytest.approx(360.0 / (360.9856 + 6.77), abs=1e-3)
    assert max(gaps) == pytest.approx(2.0 * 360.0 / (360.9856 + 6.77), abs=1e-3)  # around the closed day


def test_another_meridian_moves_the_releases_and_nothing_else() -> None:
    here, there = asked(), replace(asked(), meridian_at_zero_rad=0.5 * pi)
    a, b = plan_campaign(here), plan_campaign(there)
    turn_s = 0.5 * pi / (here.body.rotation_rad_s - a.line.node_rate_rad_s)
    gap = (a.outcome.launches[0].release_s - b.outcome.launches[0].release_s) % (4.0 * turn_s)
    assert gap == pytest.approx(turn_s, abs=1.5)  # releases on whole seconds
    assert b.outcome.holds
