"""Moon and Sun: what is said when the library is missing, and the table that the integrator reads between."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from guidance_svc.errors import ConfigError
from guidance_svc.orbits.integrator import SKY_STEP_S, interpolate_columns, third_body_pull
from guidance_svc.orbits.third_body import DAY_S, moon_plane, states


def test_a_missing_library_is_named_with_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "erfa", None)
    with pytest.raises(ConfigError, match=r"pip install '\.\[sky\]'"):
        moon_plane(2461100.5)


@pytest.mark.parametrize("which", ["moon", "sun"])
def test_the_table_between_its_lines_is_good_to_a_millionth(which: str) -> None:
    """1e-6 of a pull that moves the node by 1e-3 deg in ten days is nothing."""
    start = 2461100.5
    table = states(which, start + SKY_STEP_S / DAY_S * np.arange(40))[0]  # type: ignore[arg-type]
    at = np.linspace(1.0, 37.9, 200)
    exact = states(which, start + SKY_STEP_S / DAY_S * at)[0]  # type: ignore[arg-type]
    assert np.abs(interpolate_columns(table, at) - exact).max() < 1e-6 * np.linalg.norm(exact, axis=0).max()


def test_the_pull_stretches_towards_the_moon_and_squeezes_across() -> None:
    """Tide of a far body: 2 mu r / d^3 along, -mu r / d^3 across, to r / d."""
    mu, d, r = 4.9e12, 3.84e8, 7e6
    there = np.array([[d, d], [0.0, 0.0], [0.0, 0.0]])
    pull = third_body_pull(np.array([[r, 0.0], [0.0, r], [0.0, 0.0]]), there, mu)
    tide = mu * r / d**3
    assert pull[0, 0] == pytest.approx(2.0 * tide, rel=0.04)
    assert pull[1, 1] == pytest.approx(-tide, rel=0.04)
