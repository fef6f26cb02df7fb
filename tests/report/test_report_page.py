"""The page in headless Chromium: both schemes, a phone's width, no text over another, no accessibility finding."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from shutil import which
from typing import Any

import pytest

AXE = Path(__file__).parents[1] / "board" / "vendor" / "axe.min.js"
CHROMIUM = which("chromium") or which("chromium-browser")
WAIT_MS = 60_000.0
TOUCHING_PX = 1.5  # of two labels' boxes, which are a little larger than their letters

OVERLAPS = """(touching) => [...document.querySelectorAll('svg')].flatMap((svg) => {
  const boxes = [...svg.querySelectorAll('text')].filter((t) => t.textContent.trim())
    .map((t) => [t.textContent, t.getBoundingClientRect()]);
  const pairs = [];
  boxes.forEach(([a, p], i) => boxes.slice(i + 1).forEach(([b, q]) => {
    if (p.left < q.right - touching && q.left < p.right - touching &&
        p.top < q.bottom - touching && q.top < p.bottom - touching) pairs.push(svg.ariaLabel + ': ' + a + ' | ' + b);
  }));
  return pairs;
})"""
OUTSIDE = """() => [...document.querySelectorAll('svg')].flatMap((svg) => {
  const edge = svg.getBoundingClientRect();
  return [...svg.querySelectorAll('text')].filter((t) => {
    const box = t.getBoundingClientRect();
    return box.right > edge.right + 1 || box.left < edge.left - 1;
  }).map((t) => svg.ariaLabel + ': ' + t.textContent);
})"""


@pytest.fixture(scope="module")
def open_page(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Callable[..., Any]]:
    """Opens the report of two vehicles; nothing may stand on its console."""
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine (Debian: apt-get install chromium)")
    if find_spec("playwright") is None:
        pytest.skip("playwright is not installed (it is in the extra `test`)")
    from playwright.sync_api import sync_playwright

    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(request.getfixturevalue("tanker_page"), encoding="utf-8")
    heard: list[str] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])

        def open_(width: int = 1280, scheme: str = "light") -> Any:
            page = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme).new_page()
            page.set_default_timeout(WAIT_MS)
            page.on("console", lambda message: heard.append(message.text))
            page.on("request", lambda r: None if r.url.startswith("file:") else heard.append(r.url))
            page.goto(path.as_uri())
            return page

        yield open_
        browser.close()
    assert heard == []


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.slow)])
def test_no_serious_accessibility_finding(open_page: Callable[..., Any], scheme: str) -> None:
    """By axe-core, contrast among its rules, on a phone's width, where tables scroll."""
    page = open_page(390, scheme)
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    assert len(found["passes"]) > 10  # it has looked
    serious = [
        f"{rule['id']}: {node['target']} {node.get('failureSummary', '')}"
        for rule in found["violations"]
        for node in rule["nodes"]
        if rule["impact"] in ("serious", "critical")
    ]
    assert serious == []


@pytest.mark.parametrize("width", [360, 800, 1280])
def test_nothing_is_wider_than_the_screen_and_no_label_lies_over_another(
    open_page: Callable[..., Any], width: int
) -> None:
    page = open_page(width)
    assert page.evaluate("() => document.documentElement.scrollWidth") <= width
    assert page.evaluate(OVERLAPS, TOUCHING_PX) == []
    assert page.evaluate(OUTSIDE) == []


def test_the_schemes_differ_and_the_plots_follow_them(open_page: Callable[..., Any]) -> None:
    ground = "() => getComputedStyle(document.body).backgroundColor"
    line = "() => getComputedStyle(document.querySelector('#v1 svg path[style*=flown]')).stroke"
    light, dark = open_page(scheme="light"), open_page(scheme="dark")
    assert light.evaluate(ground) != dark.evaluate(ground)
    assert light.evaluate(line) != dark.evaluate(line)
