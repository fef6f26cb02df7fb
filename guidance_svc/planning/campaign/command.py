"""The command `campaign`: fly the reference flights, plan, print, write the page and one flight plan a launch."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC
from pathlib import Path

from guidance_svc.constants import CAUTION
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library
from guidance_svc.files.out_paths import check_folder, require_folder
from guidance_svc.orbits.timescale import Epoch, utc_text
from guidance_svc.planning.campaign.file_model import CampaignModel
from guidance_svc.planning.campaign.files import campaign_of, left_over, load_campaign, write_flights
from guidance_svc.planning.campaign.flight import reference_flight
from guidance_svc.planning.campaign.model import CampaignPlan, Launch
from guidance_svc.planning.campaign.planner import plan_campaign
from guidance_svc.planning.campaign.plots import campaign_page
from guidance_svc.planning.campaign.rows import Clock, all_launches, day_clock, picture, tables
from guidance_svc.planning.plan_files import write_text
from guidance_svc.report.plots import HOW_TO_GET_PLOTS
from guidance_svc.report.text_tables import table_text


def run_campaign(
    library: Library, file: Path, out: Path, say: Callable[[str], None] = print,
    keep: Callable[[CampaignPlan], None] = lambda plan: None,
) -> int:  # fmt: skip
    """Plan a campaign and hand it over; the exit code.

    Args:
        keep: gets the plan, for callers that want its numbers.

    Raises:
        ConfigError: with the file, the key, the reason, and the nearest plan that works.
    """
    model = load_campaign(file)
    check_folder(out / "flights", "--out")
    try:
        plan = plan_campaign(campaign_of(model, library, reference_flight))
    except ConfigError as error:
        raise ConfigError(error.code, error.field, error.expected, error.got, error.file or str(file)) from None
    keep(plan)
    title = model.name or file.stem
    text = "\n\n".join(table_text(table) for table in tables(plan, clock_of(model)))
    say(CAUTION)
    say(f"campaign {title}")
    say(text)
    require_folder(out / "flights", "--out")
    write_text(out / f"{file.stem}.txt", f"{CAUTION}\n\ncampaign {title}\n\n{text}\n")
    paths = write_flights(out, file.stem, named_flights(model, plan), library, plan.campaign.meridian_at_zero_rad)
    say(f"\nflight plans: {len(paths)} under {out / 'flights'}; fly them with  guidance-svc serve --configs {out}")
    for path in left_over(out, file.stem, paths):
        say(f"from an earlier plan, not part of this one: {path}")
    try:
        page = campaign_page(title, picture(plan), text)
    except ImportError:
        say(HOW_TO_GET_PLOTS)
        return 0
    write_text(out / f"{file.stem}.html", page)
    say(f"page: {out / f'{file.stem}.html'}")
    return 0


def clock_of(model: CampaignModel) -> Clock:
    """Dates where the epoch is one, else days."""
    if model.epoch is None:
        return day_clock
    epoch = Epoch(model.epoch.astimezone(UTC))
    return lambda time_s: utc_text(epoch, time_s)


def named_flights(model: CampaignModel, plan: CampaignPlan) -> list[tuple[str, Launch]]:
    """Which flight plan of the folder each launch flies."""
    found = []
    for one in all_launches(plan):
        flight = model.depot.flight if one is plan.depot_launch else model.tankers.flight
        assert flight is not None  # a depot with a launch has one
        found.append((flight, one))
    return found
