"""The plane as typed on the command line: units, and refusals that name option and key."""

from __future__ import annotations

from math import radians

import pytest

from guidance_svc.errors import ConfigError
from guidance_svc.planning.windows.request import PlaneText, plane_text, state_text


def test_a_plane_is_read_in_degrees_and_kilometres() -> None:
    text = "inclination=30, node=262.5,at=2026-03-01,height=460,argument=40"
    wanted = PlaneText(radians(30.0), radians(262.5), "2026-03-01", 460e3, None, radians(40.0))
    assert plane_text(text) == wanted
    assert plane_text("inclination=30,node=0,rate=-6.5").rate_rad_s == pytest.approx(radians(-6.5) / 86400.0)
    assert plane_text("at=2026-03-20,height=460", moon=True).at == "2026-03-20"


@pytest.mark.parametrize(
    ("text", "moon", "key", "expected"),
    [
        ("inclination=190,node=0", False, "--plane.inclination", "the nearest is 180"),
        ("inclination=-1,node=0", False, "--plane.inclination", "the nearest is 0"),
        ("inclination=30", False, "--plane.node", "deg"),
        ("node=30", False, "--plane.inclination", "deg"),
        ("inclination=x,node=0", False, "--plane.inclination", "deg"),
        ("inclination=nan,node=0", False, "--plane.inclination", "deg"),
        ("inclination=30,node=1,node=2", False, "--plane.node", "one value"),
        ("inclination=30,node=1,colour=2", False, "--plane", "inclination, node"),
        ("inclination=30,node=1,height=-5", False, "--plane.height", "above 0"),
        ("inclination=30,node=1,height=5,rate=1", False, "--plane.rate", "one of them"),
        ("node=1", True, "--moon", "at, height"),
    ],
)
def test_what_is_no_plane_is_refused(text: str, moon: bool, key: str, expected: str) -> None:
    with pytest.raises(ConfigError) as caught:
        plane_text(text, moon)
    assert caught.value.field == key
    assert expected in caught.value.expected


def test_a_state_is_read_in_metres() -> None:
    at, position_m, velocity_m_s = state_text("position=6.8e6/-1/2.5,velocity=0/6600/3800")
    assert (at, position_m, velocity_m_s) == ("0", (6.8e6, -1.0, 2.5), (0.0, 6600.0, 3800.0))


@pytest.mark.parametrize(
    ("text", "key"),
    [("velocity=1/2/3", "--orbit.position"), ("position=1/2,velocity=1/2/3", "--orbit.position"),
     ("position=1/2/3,velocity=1/2/nan", "--orbit.velocity"), ("position=0/0/0,velocity=1/2/3", "--orbit.position"),
     ("node=3", "--orbit")],
)  # fmt: skip
def test_what_is_no_state_is_refused(text: str, key: str) -> None:
    with pytest.raises(ConfigError) as caught:
        state_text(text)
    assert caught.value.field == key
