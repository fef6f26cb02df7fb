"""The plots of launch windows: one self-contained page, the same each time."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from guidance_svc.constants import CAUTION
from guidance_svc.planning.windows.plots import WindowLine, WindowPicture, window_figure, window_images, window_page


def picture() -> WindowPicture:
    minutes = [-10.0, 0.0, 10.0]
    lines = [
        WindowLine(k % 2 == 0, 0.5 * k - 0.01, 0.5 * k, 0.5 * k + 0.01, 200.0 - 3.0 * k, minutes, [0.5, 0.0, 0.5],
                   [60.0, 0.0, 65.0])
        for k in range(5)
    ]  # fmt: skip
    return WindowPicture(lines, 20.0)


def test_each_window_is_a_bar_on_its_day_and_hour() -> None:
    panel = window_figure(picture()).axes[3]
    bars = [(bar.get_x(), bar.get_width(), bar.get_y() + 0.5 * bar.get_height()) for bar in panel.patches]
    assert len(bars) == 5
    for k, (left, width, day) in enumerate(bars):
        assert day == int(0.5 * k - 0.0)
        assert abs(left - 24.0 * (0.5 * k - 0.01 - int(0.5 * k))) < 1e-9
        assert abs(width - 24.0 * 0.02) < 1e-9
    assert panel.yaxis_inverted()


def test_the_curves_are_those_of_the_first_of_each_direction() -> None:
    angle, cost = window_figure(picture()).axes[:2]
    assert [list(line.get_ydata()) for line in angle.lines] == [[0.5, 0.0, 0.5]] * 2
    assert [line.get_label() for line in angle.lines] == ["northwards", "southwards"]
    assert list(cost.lines[-1].get_ydata()) == [20.0, 20.0]  # the margin


@pytest.fixture(scope="module")
def images() -> tuple[str, bytes]:
    return window_images(picture())


def test_images_are_whole_and_the_same_each_time(images: tuple[str, bytes]) -> None:
    svg, png = images
    ElementTree.fromstring(svg[svg.index("<svg") :])
    assert png.startswith(b"\x89PNG")
    assert window_images(picture()) == (svg, png)


def test_the_page_is_self_contained_and_carries_the_caution(images: tuple[str, bytes]) -> None:
    page = window_page("a <title>", images[0], "a & b")
    assert CAUTION in page
    assert "a &lt;title&gt;" in page
    assert "a &amp; b" in page
    assert not re.search(r'(src|href)="(?!#)', page)
