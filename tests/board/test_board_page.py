"""The page, driven in headless Chromium: it lives, it scrubs, it works by keyboard, and what it shows is text."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from board_process import WAIT_MS, boards
from board_recordings import Writer, climb, state_at

AXE = Path(__file__).resolve().parent / "vendor" / "axe.min.js"
PATIENT = {"next_contact_s": 1e6}  # so that a slow machine does not make a vehicle silent


def expect(target: Any) -> Any:
    """Playwright's waiting assertions, bounded."""
    from playwright.sync_api import expect as waiting

    waiting.set_options(timeout=WAIT_MS)
    return waiting(target)


def strip(page: Any, vehicle: str) -> Any:
    """One vehicle's strip."""
    return page.locator(f'.strip[data-vehicle="{vehicle}"]')


def field(page: Any, vehicle: str, name: str) -> Any:
    """One value of it."""
    return strip(page, vehicle).locator(f'[data-is="{name}"]')


def live_writer(path: Path, *vehicles: str) -> Writer:
    """A recording that is being written now."""
    writer = Writer(path, start_ns=time.time_ns())
    for vehicle in vehicles:
        writer.open(vehicle)
    return writer


def test_live_values_change_while_the_recording_grows(
    tmp_path: Path, start_board: Callable[..., Any], open_page: Callable[..., Any]
) -> None:
    writer = live_writer(tmp_path / "a.mcap", "kite-1")
    page = open_page(start_board(writer.path).url)
    expect(page.locator("#feed-word")).to_have_text("live")
    expect(field(page, "kite-1", "word")).to_have_text("no state yet")
    for k in (0, 1, 2):
        writer.pair("kite-1", state_at(k), **PATIENT)
        to_go = 240.0 - 0.2 * k
        expect(field(page, "kite-1", "big")).to_have_text(f"{int(to_go // 60)}:{to_go % 60:04.1f}")
    expect(field(page, "kite-1", "word")).to_have_text("going well")
    expect(field(page, "kite-1", "altitude")).to_have_text("80.2")
    expect(field(page, "kite-1", "perigeeThen")).to_have_text("aim 200.0 km")
    expect(field(page, "kite-1", "link")).to_contain_text("3 states")
    writer.pair("kite-1", state_at(9), **PATIENT, warnings=["an engine is lost"], status="short_of_propellant")
    expect(field(page, "kite-1", "word")).to_have_text("short of propellant")
    expect(field(page, "kite-1", "warnings").locator("li")).to_have_text("an engine is lost")
    expect(field(page, "kite-1", "link")).to_contain_text("6 gaps")
    expect(page.locator("#tally")).to_have_text("1 in trouble")
    writer.open("kite-2")
    writer.pair("kite-2", state_at(0), **PATIENT)
    expect(page.locator(".strip")).to_have_count(2)
    writer.close_session("kite-2")
    expect(field(page, "kite-2", "word")).to_have_text("closed by its script")
    writer.abandon()


@pytest.mark.slow
def test_the_curves_grow_as_it_flies(
    tmp_path: Path, start_board: Callable[..., Any], open_page: Callable[..., Any]
) -> None:
    writer = live_writer(tmp_path / "a.mcap", "kite-1")
    page = open_page(start_board(writer.path).url)
    for k in range(4):
        writer.pair("kite-1", state_at(20 * k), **PATIENT)
        expect(field(page, "kite-1", "clock")).to_have_text(f"0:{10 + 4 * k}.0")
        expect(page.locator("#altitude")).to_have_attribute("data-points", str(k + 1))
    expect(page.locator("#altitude")).to_have_attribute(
        "aria-label", "Altitude against downrange of kite-1: now 85 km high, 71 km downrange"
    )
    assert page.locator("#altitude canvas").count() == 1
    writer.abandon()


@pytest.mark.slow
def test_a_silent_vehicle_is_told(
    tmp_path: Path, start_board: Callable[..., Any], open_page: Callable[..., Any]
) -> None:
    writer = Writer(tmp_path / "a.mcap", start_ns=time.time_ns() - 60_000_000_000)
    writer.open("kite-1")
    writer.pair("kite-1", state_at(0))
    page = open_page(start_board(writer.path).url)
    expect(field(page, "kite-1", "word")).to_contain_text("silent for")
    expect(page.locator("#tally")).to_have_text("1 to look at")
    writer.abandon()


@pytest.fixture(scope="module")
def past_board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a board of a past recording, a minute of three vehicles."""
    path = tmp_path_factory.mktemp("past") / "a.mcap"
    with boards() as start:
        yield start(climb(path, ("kite-1", "kite-2", "kite-3"), steps=200).finish()).url


def test_the_scrubber_scrubs_a_past_recording_by_keyboard(past_board: str, open_page: Callable[..., Any]) -> None:
    page = open_page(past_board)
    expect(page.locator("#feed-word")).to_have_text("recording")
    expect(field(page, "kite-1", "clock")).to_have_text("0:49.8")
    page.locator("#scrub").focus()
    page.keyboard.press("Home")
    expect(page.locator("#moment")).to_have_text("0:00.0 of 1:00.0")
    expect(field(page, "kite-1", "word")).to_have_text("no state yet")
    page.keyboard.press("PageUp")  # a tenth of the range
    expect(page.locator("#moment")).to_have_text("0:06.0 of 1:00.0")
    expect(field(page, "kite-2", "clock")).to_have_text("0:13.8")
    faint = page.locator("#altitude").get_attribute("data-points")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("End")
    expect(field(page, "kite-2", "clock")).to_have_text("0:49.8")
    expect(page.locator("#altitude")).not_to_have_attribute("data-points", faint or "")


@pytest.mark.slow
def test_a_past_recording_plays_and_pauses(past_board: str, open_page: Callable[..., Any]) -> None:
    page = open_page(past_board)
    expect(field(page, "kite-1", "clock")).to_have_text("0:49.8")
    page.locator("#pace").select_option("16")
    page.locator("#play").click()
    expect(page.locator("#play")).to_have_text("Pause")
    expect(page.locator("#moment")).not_to_have_text("1:00.0 of 1:00.0")
    expect(page.locator("#play")).to_have_text("Play")  # it stops at the end by itself
    expect(page.locator("#moment")).to_have_text("1:00.0 of 1:00.0")
    expect(field(page, "kite-1", "clock")).to_have_text("0:49.8")


@pytest.mark.slow
def test_looking_back_while_live_and_back_to_now(
    tmp_path: Path, start_board: Callable[..., Any], open_page: Callable[..., Any]
) -> None:
    writer = live_writer(tmp_path / "a.mcap", "kite-1")
    for k in range(50):
        writer.pair("kite-1", state_at(k), **PATIENT)
    page = open_page(start_board(writer.path).url)
    expect(field(page, "kite-1", "clock")).to_have_text("0:19.8")
    page.locator("#scrub").focus()
    page.keyboard.press("Home")
    page.keyboard.press("PageUp")
    expect(field(page, "kite-1", "clock")).to_have_text("0:10.8")
    writer.pair("kite-1", state_at(60), **PATIENT)  # goes on meanwhile, and does not disturb the look back
    expect(page.locator("#moment")).to_contain_text("of 0:05.1")
    expect(field(page, "kite-1", "clock")).to_have_text("0:10.8")
    page.locator("#live").click()
    expect(field(page, "kite-1", "clock")).to_have_text("0:22.0")
    expect(page.locator("#live")).to_be_hidden()
    writer.abandon()


def test_vehicles_are_walked_and_chosen_by_keyboard(past_board: str, open_page: Callable[..., Any]) -> None:
    page = open_page(past_board)
    expect(page.locator(".strip")).to_have_count(3)
    reached = []
    for _ in range(12):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("() => document.activeElement.textContent || document.activeElement.id"))
    for name in ("kite-1", "kite-3", "Play", "scrub", "Scheme: as the system"):
        assert name in reached, reached
    strip(page, "kite-1").locator("button").focus()
    page.keyboard.press("ArrowDown")
    expect(strip(page, "kite-2").locator("button")).to_be_focused()
    expect(strip(page, "kite-2").locator("button")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#curves-title")).to_have_text("kite-2")
    page.keyboard.press("End")
    expect(page.locator("#curves-title")).to_have_text("kite-3")
    strip(page, "kite-1").locator("button").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#curves-title")).to_have_text("kite-1")


@pytest.mark.slow
def test_one_in_trouble_among_a_hundred_is_one_key_away(
    tmp_path: Path, start_board: Callable[..., Any], open_page: Callable[..., Any]
) -> None:
    writer = Writer(tmp_path / "a.mcap")
    for k in range(100):
        writer.open(f"v{k}")
        writer.pair(f"v{k}", state_at(k), status="unreachable" if k == 77 else "ok", **PATIENT)
    page = open_page(start_board(writer.finish()).url)
    expect(page.locator(".strip")).to_have_count(100)
    expect(page.locator("#tally li")).to_have_text(["1 in trouble", "99 going well"])
    page.locator("#tally button").first.focus()
    page.keyboard.press("Enter")
    expect(strip(page, "v77").locator("button")).to_be_focused()
    expect(strip(page, "v77")).to_be_in_viewport()
    expect(field(page, "v77", "word")).to_have_text("target out of reach")


MARKUP = '<img src=x onerror="alert(1)"><b>kite</b>'


def test_what_looks_like_markup_is_shown_as_text(
    tmp_path: Path, start_board: Callable[..., Any], open_page: Callable[..., Any]
) -> None:
    writer = Writer(tmp_path / "a.mcap")
    writer.open(MARKUP)
    writer.pair(MARKUP, state_at(0), warnings=["<script>alert(2)</script>", MARKUP], phase="<i>boost</i>", **PATIENT)
    writer.fault(MARKUP, "<h1>refused</h1>")
    writer.fault(None, "<u>before</u>")
    page = open_page(start_board(writer.finish()).url)
    expect(page.locator(".strip .name")).to_have_text(MARKUP)
    expect(page.locator(".warnings li")).to_have_text(["<script>alert(2)</script>", MARKUP])
    expect(page.locator(".strip .phase b")).to_have_text("<i>boost</i>")
    expect(page.locator(".strip .link")).to_contain_text("<h1>refused</h1>")
    expect(page.locator("#notice")).to_contain_text("<u>before</u>")
    expect(page.locator("#curves-title")).to_have_text(MARKUP)
    assert page.locator("main img, main i:not(.key i), main script, main h1, main u").count() == 0


def varied(path: Path) -> Path:
    """Every kind of verdict, warnings, long names."""
    writer = Writer(path)
    said: dict[str, dict[str, Any]] = {
        "going-well": {},
        "settling": {"status": "converging"},
        "warned": {"warnings": ["an engine is lost; the cutoff is 12 s later", "propellant short by 30 kg"]},
        "short": {"status": "short_of_propellant", "time_to_cutoff_s": 400.0},
        "done": {"status": "complete", "phase": "orbit", "engine_on": False, "event": None},
        "a-very-long-name-for-a-vehicle_that.is-just-allowed-0123456789": {},
    }
    for vehicle in said:
        writer.open(vehicle)
    for k in range(60):
        for vehicle, command in said.items():
            writer.pair(vehicle, state_at(k), **PATIENT | command)
    writer.open("waiting")
    writer.fault(None, "type: unknown; expected one of open, state, close; got nothing")
    return writer.finish()


@pytest.fixture(scope="module")
def varied_board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a board that shows `varied`."""
    with boards() as start:
        yield start(varied(tmp_path_factory.mktemp("varied") / "a.mcap")).url


@pytest.mark.parametrize(("width", "height", "scheme"), [
    (1440, 900, "light"), (390, 844, "dark"),
    *(pytest.param(*row, marks=pytest.mark.slow) for row in ((1440, 900, "dark"), (390, 844, "light"))),
])  # fmt: skip
def test_no_serious_accessibility_finding(
    varied_board: str, open_page: Callable[..., Any], width: int, height: int, scheme: str
) -> None:
    """By axe-core, all rules of WCAG 2.2 A and AA and its best practices; contrast is among them."""
    page = open_page(varied_board, width, height, scheme)
    expect(page.locator(".strip")).to_have_count(7)
    expect(page.locator("#pitch canvas")).to_have_count(1)
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations', 'incomplete']})")
    assert len(found["passes"]) > 20  # it has looked
    serious = [
        f"{rule['id']}: {rule['help']}: {node['target']} {node.get('failureSummary', '')}"
        for rule in found["violations"]
        for node in rule["nodes"]
        if rule["impact"] in ("serious", "critical")
    ]
    assert serious == []


def test_nothing_is_wider_than_the_screen(varied_board: str, open_page: Callable[..., Any]) -> None:
    page = open_page(varied_board)
    expect(page.locator(".strip")).to_have_count(7)
    for width in (320, 390, 768, 1100, 1440):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
        cut = page.evaluate(
            "() => [...document.querySelectorAll('.strip .big, .strip .facts dd')]"
            ".filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.textContent)"
        )
        assert cut == []


@pytest.mark.slow
def test_the_scheme_can_be_chosen_and_is_kept(past_board: str, open_page: Callable[..., Any]) -> None:
    page = open_page(past_board)
    ground = "() => getComputedStyle(document.documentElement).backgroundColor"
    light = page.evaluate(ground)
    page.locator("#scheme").click()
    page.locator("#scheme").click()
    expect(page.locator("#scheme")).to_have_text("Scheme: dark")
    dark = page.evaluate(ground)
    assert dark != light
    page.reload()
    expect(page.locator("#scheme")).to_have_text("Scheme: dark")
    assert page.evaluate(ground) == dark
    expect(page.locator(".strip")).to_have_count(3)


@pytest.mark.slow
def test_a_board_that_is_gone_is_told_to_the_viewer(
    tmp_path: Path, start_board: Callable[..., Any], browser: Any
) -> None:
    writer = live_writer(tmp_path / "a.mcap", "kite-1")
    shown = start_board(writer.path)
    page = browser.new_page()  # the lost connection is on its console, rightly
    page.goto(shown.url)
    expect(page.locator("#feed-word")).to_have_text("live")
    shown.process.kill()
    expect(page.locator("#feed-word")).to_have_text("the board does not answer")
    page.close()
    writer.abandon()


def test_a_board_that_comes_back_with_another_recording_shows_that_one(
    tmp_path: Path, start_board: Callable[..., Any], browser: Any
) -> None:
    before = live_writer(tmp_path / "a.mcap", "kite-1")
    before.pair("kite-1", state_at(0), **PATIENT)
    shown = start_board(before.path)
    page = browser.new_page()  # the lost connection is on its console, rightly
    page.goto(shown.url)
    expect(field(page, "kite-1", "clock")).to_have_text("0:10.0")
    shown.process.kill()
    shown.process.wait()
    after = live_writer(tmp_path / "b.mcap", "kite-2")
    after.pair("kite-2", state_at(5), **PATIENT)
    start_board(after.path, shown.url)
    expect(field(page, "kite-2", "clock")).to_have_text("0:11.0")
    expect(page.locator(".strip")).to_have_count(1)
    expect(page.locator("#curves-title")).to_have_text("kite-2")
    page.close()
    before.abandon()
    after.abandon()
