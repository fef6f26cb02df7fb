"""The report of a landing, recorded as its script flew it: the last kilometre, impact points, propellant by burn.

The truth is the simulator's; closed forms stand beside the check. Words and tables that a tower brings are put into a
recorded command here.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from io import StringIO
from itertools import count
from math import sqrt
from typing import Any

import numpy as np
import pytest

from guidance_svc.domain import Body
from guidance_svc.playback.report_reading import Kept, detail_of, note_divert
from guidance_svc.rehearsal.speaking import obey
from guidance_svc.rehearsal.starts import craft_of_plan
from guidance_svc.report.burn_table import by_burn_rows, landing_text
from guidance_svc.report.burns import Burns
from guidance_svc.report.csv_text import csv_pieces
from guidance_svc.report.flown import Flown, Forecast
from guidance_svc.report.impact import fall_to_height
from guidance_svc.report.landing_panels import landing_groups
from guidance_svc.report.outcome import outcome_rows, verdict
from guidance_svc.report.page import changes, landing_table, report_page
from guidance_svc.report.way_down import WayDown
from guidance_svc.sim.pad import Contact
from tests.clients.loading import load
from tests.clients.plover_down import library_with_plover
from tests.report.reported import ABOUT, Service, reported

STEP_S = 0.1


@dataclass
class Landed:
    """The flight as a report reads it, and the truth."""

    flown: Flown
    burns: Burns
    contact: Contact
    burnt_kg: float


@pytest.fixture(scope="module")
def landed(tmp_path_factory: pytest.TempPathFactory) -> Landed:
    """Plover on three engines, then one; detail recorded, so that nothing is played again."""
    path = tmp_path_factory.mktemp("plover") / "plover.mcap"
    library, example = library_with_plover(), load("examples/simulated_vehicle")
    plan = library.plan("plover_down", "booster")
    service, craft = Service(path, library), craft_of_plan(plan.vehicle.name, plan, None, lambda line: None)
    first_kg = craft.state.propellant_kg[0]
    opening = {"type": "open", "protocol": 1, "vehicle": "Plover", "role": "booster", "plan": "plover_down"}
    service.ask(1, {**opening, "detail": True})
    done = None
    for seq in count(1):
        told = craft.telemetry()
        names = [name for name in (*example.STATE_FIELDS, *example.RETURN_FIELDS) if name in told]
        state = {name: told[name] for name in names} | {"type": "state", "seq": seq}
        command = service.ask(1, state | ({"seen_event": done} if done else {}))
        if command["status"] == "complete":
            break
        done = obey(craft, command, STEP_S)
    service.ask(1, {"type": "close"})
    service.recorder.close()
    assert craft.state.contact is not None
    _, ((flown, burns),) = reported(path)
    return Landed(flown, burns, craft.state.contact, first_kg - craft.state.propellant_kg[0])


def test_the_outcome_is_the_contact_that_the_simulator_saw(landed: Landed) -> None:
    rows = {row.quantity: row for row in outcome_rows(landed.flown, landed.burns)}
    assert rows["miss"].achieved == pytest.approx(landed.contact.miss_m, abs=0.02)  # states 0.1 s apart
    assert rows["downward speed"].achieved == pytest.approx(landed.contact.down_m_s, abs=0.05)
    assert rows["downward speed"].target == 0.3
    assert rows["miss"].moment == "contact, Samphire"
    assert verdict(landed.flown) == "The flight plan was flown to its end."


def test_the_burn_has_its_engines_its_propellant_and_where_its_speed_went(landed: Landed) -> None:
    (burn,) = landed.burns.list
    assert burn.counted == "braking"
    assert burn.end_s == pytest.approx(landed.contact.time_s, abs=0.01)
    assert burn.burnt_kg == pytest.approx(landed.burnt_kg, abs=1.0)
    # the rocket equation over the whole burn, at the stage's exhaust velocity
    ideal = 3050.0 * np.log(33.5e3 / (33.5e3 - landed.burnt_kg))
    assert burn.losses.ideal_m_s == pytest.approx(ideal, rel=2e-3)
    assert burn.losses.drag_m_s < 0.0 < burn.losses.gravity_m_s
    assert abs(burn.losses.rest_m_s) < 0.01 * ideal
    row = by_burn_rows(landed.burns)[0]
    assert row[4] == "3, then 1"
    assert row[5] == f"{burn.burnt_kg:,.1f}"
    text = landing_text(landed.flown, landed.burns)
    assert "Plover: The flight plan was flown to its end." in text
    assert "contact, Samphire" in text
    assert row[5] in text


def test_the_last_kilometre_has_its_panels(landed: Landed) -> None:
    groups = dict(landing_groups(landed.flown, landed.burns))
    titles = " | ".join(panel.title for panel in groups["The last kilometre"])
    for words in ("Height over level distance", "Speed over height", "Throttle", "Lean", "Predicted miss",
                  "Predicted contact speed"):  # fmt: skip
        assert words in titles
    assert groups["The way down"][0].map


@pytest.mark.slow  # the panels' titles and the tables' rows stand for it in the default run
def test_the_page_of_a_landing_has_all_of_it(landed: Landed) -> None:
    page = report_page(ABOUT, [(landed.flown, landed.burns)])
    assert "The last kilometre" in page
    assert "Propellant by burn" in page
    assert "stands, Samphire" in page


def test_the_impact_point_comes_to_the_site_as_the_burn_goes_on(landed: Landed) -> None:
    off = np.hypot(*WayDown(landed.flown).impacts_m.T)
    known = off[np.isfinite(off)]
    assert known[0] > 5.0  # the wind-free fall from the start misses by what guidance then takes out
    assert known[-1] < 0.3


def test_the_columns_of_a_landing_stand_in_the_csv(landed: Landed) -> None:
    rows = list(csv.DictReader(StringIO("".join(csv_pieces(landed.flown, ABOUT.start)))))
    burning = [row for row in rows if row["engine_on"] == "1"]
    assert burning[-1]["commanded_engines"] == "1.0"
    assert float(rows[0]["from_contact_point_up_m"]) == pytest.approx(1900.0 - 12.0, abs=0.1)  # its feet are 12 m lower
    assert float(burning[-1]["predicted_contact_speed_m_s"]) == pytest.approx(0.3, abs=0.1)
    assert rows[0]["clearance"] == ""


def test_a_fall_without_air_ends_where_the_closed_form_says() -> None:
    """A ball that does not turn, far flatter than the fall is long: s = v t, t = sqrt(2 h / g) (elementary)."""
    still, radius, h = Body("still", 4.9028e12, 1.7374e6), 1.7374e6, 500.0
    gravity = still.mu_m3_s2 / (radius + 0.5 * h) ** 2
    places, speeds = np.array([[radius + h, 0.0, 0.0]]), np.array([[0.0, 20.0, 0.0]])
    ends, down = fall_to_height(places, speeds, np.array([1e3]), still, (0.0, ()), radius)
    assert down.all()
    assert ends[0, 1] == pytest.approx(20.0 * sqrt(2.0 * h / gravity), abs=0.2)


def test_what_a_tower_and_other_sites_bring_is_shown(landed: Landed) -> None:
    flown, kept = landed.flown, Kept(session=None)  # type: ignore[arg-type]
    for time_s, in_reach, extra in ((3.0, True, 120.0), (4.0, True, 150.0), (5.0, False, None)):
        told = {"site": "Mudflat", "in_reach": in_reach, "decide_at_s": 4.5 if in_reach else None, "extra_kg": extra}
        note_divert(kept, told, time_s)
    n = len(flown.seqs)
    said: Forecast = replace(
        flown.replies.landing, clearance=("",) * 3 + ("not_ready",) * 4 + ("ready",) * (n - 7),
        decide_at_s=np.full(n, 4.5), inside_m=np.linspace(300.0, 40.0, n),
    )  # fmt: skip
    towered = replace(flown, replies=replace(flown.replies, landing=said), diverts=tuple(kept.diverts.values()))
    rows = [tuple(map(str, row)) for row in landing_table(towered).rows]
    assert rows == [
        ("clearance: not ready", "from 0.3 s"), ("clearance: ready", "from 0.7 s"),
        ("the site could still be changed until", "4.5 s"), ("divert to Mudflat", "in reach until 4.0 s, +150 kg"),
    ]  # fmt: skip
    titles = [panel.title for _, panels in landing_groups(towered, Burns(towered)) for panel in panels]
    assert any(title.startswith("Reach: the site is ") and "inside it at least" in title for title in titles)
    assert changes(("", "a", "a", "", "b")) == [(1, "a"), (4, "b")]


def test_a_detail_with_reach_is_read() -> None:
    detail: dict[str, Any] = dict.fromkeys(
        ("velocity_to_gain_m_s", "propellant_margin_kg", "exhaust_velocity_m_s", "mass_flow_kg_s", "predicted_orbit")
    )
    assert detail_of(detail)[-1] is None
    assert detail_of(detail | {"reach": {"inside_m": 77.0}})[-1] == 77.0
