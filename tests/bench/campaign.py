"""Time to plan a campaign, the reference flight apart: python -m tests.bench.campaign"""

from __future__ import annotations

import time
import tomllib
from dataclasses import replace

from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.planning.campaign.file_model import parse_campaign
from guidance_svc.planning.campaign.files import campaign_of
from guidance_svc.planning.campaign.flight import reference_flight
from guidance_svc.planning.campaign.planner import plan_campaign


def main() -> None:
    """One line a campaign: nine tankers and the depot, and a whole month of them."""
    library = load_library(default_folder())
    table = tomllib.loads((default_folder() / "campaigns" / "lagoon.toml").read_text())
    start = time.perf_counter()
    campaign = campaign_of(parse_campaign(table), library, reference_flight)
    flown_s = time.perf_counter() - start
    print(f"reference flights: {flown_s:.2f} s, {'compiled' if HAVE_NUMBA else 'plain Python'}, first run")
    for days, count in ((16.0, 9), (30.0, 20)):
        depot = replace(campaign.depot, capacity_kg=1e6)
        fleet = replace(campaign.fleet, count=count)
        departure = replace(campaign.departure, time_s=days * 86400.0)
        asked = replace(campaign, depot=depot, fleet=fleet, departure=departure)
        start = time.perf_counter()
        plan = plan_campaign(asked)
        print(f"{1 + len(plan.outcome.launches)} launches in {days:g} days: {time.perf_counter() - start:.3f} s")


if __name__ == "__main__":
    main()
