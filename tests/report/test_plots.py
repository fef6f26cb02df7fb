"""The plot page: one file that needs nothing else, the same for the same flight."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser

import pytest
from jinja2 import UndefinedError

from guidance_svc.constants import CAUTION
from guidance_svc.report.plots import Sample, plot_page
from guidance_svc.report.rendering import Plot, plots_page, render

FLIGHTS = {
    "Curlew <1>": [
        Sample(float(t), 60.0 + t, 2.0 + 0.01 * t, -5000.0 + 12.0 * t, 100.0, 20.0, 400.0 - t) for t in range(450)
    ],
    "Sandpiper": [Sample(0.0, 0.0, 0.4), Sample(100.0, 40.0, 2.0)],
}


@pytest.fixture(scope="module")
def page() -> str:
    return plot_page("t", FLIGHTS, "a < b")


class Links(HTMLParser):
    """Collects everything that a browser would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if tag in {"link", "script", "img", "iframe"}:
            self.fetched.append(tag)
        self.fetched += [v for k in ("src", "href", "xlink:href") if (v := values.get(k)) and not v.startswith("#")]


def test_the_page_fetches_nothing(page: str) -> None:
    links = Links()
    links.feed(page)
    assert links.fetched == []


def test_every_figure_is_well_formed_and_names_each_vehicle(page: str) -> None:
    figures = [part.split("</svg>")[0] for part in page.split("<svg ")[1:]]
    assert len(figures) == 2
    for figure in figures:
        ElementTree.fromstring(f"<svg {figure}</svg>")
        assert "Sandpiper" in figure


def test_table_and_caution_are_shown_with_markup_escaped(page: str) -> None:
    assert "a &lt; b" in page
    assert CAUTION in page


def test_the_same_flight_gives_the_same_page(page: str) -> None:
    assert plot_page("t", FLIGHTS, "a < b") == page


def test_a_page_shows_its_text_where_it_was_asked_for_and_escapes_all_but_the_drawing() -> None:
    page = plots_page("<t>", [Plot("<p>", "<svg></svg>")], above="<a>", below="<b>")
    places = [page.index(text) for text in ("&lt;a&gt;", "&lt;p&gt;", "<svg></svg>", "&lt;b&gt;")]
    assert places == sorted(places)
    assert page.count("&lt;t&gt;") == 2
    assert "<pre>" not in plots_page("t", [])


def test_a_page_with_a_value_missing_is_an_error_and_not_an_empty_place() -> None:
    with pytest.raises(UndefinedError, match="plots"):
        render("plots.html", title="t", above="", below="")
