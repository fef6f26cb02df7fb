"""The propellant ledger: nothing appears or vanishes, and its scatter is what a Monte-Carlo run of flights shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from guidance_svc.errors import ConfigError
from guidance_svc.planning.campaign.ledger import Dispersion, Entry, HandOver, Level, Tanks, entry, fit_capacity, levels

DAY_S = 86400.0
TANKS = Tanks(710e3, 686e3, 20e3, 4e3, 26e3, 9.5e3, 3620.0)  # about the demo tanker's
EMPTY = Level("depot", 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def lines(count: int, each_kg: float = 28e3) -> list[Entry]:
    one = entry("t", 0.0, TANKS, 0.0, 0.0, "all_but_reserve")
    return [replace(one, name=f"t{k}", time_s=(k + 1) * DAY_S, transferred_kg=each_kg) for k in range(count)]


@given(
    speed=st.floats(0.0, 300.0),
    reserve=st.floats(0.0, 500.0),
    hand_over=st.sampled_from(["all_but_reserve", "cargo"]),
    capacity=st.floats(1.0, 1e5),
)
def test_every_line_accounts_for_all_that_was_loaded(
    speed: float, reserve: float, hand_over: HandOver, capacity: float
) -> None:
    line = entry("t", 0.0, TANKS, speed, reserve, hand_over)
    assert abs(line.open_kg) < 1e-6  # rounding of 7e5 kg
    full = fit_capacity([line], EMPTY, capacity, 0.0)[0]
    assert abs(full.open_kg) < 1e-6
    assert full.transferred_kg <= capacity


def test_phasing_burns_what_an_integrated_burn_burns() -> None:
    """An engine burn integrated by DOP853 as the outside: dv = T/m dt, dm = -T/c dt."""
    thrust = 1.5e6
    mass = TANKS.dry_kg + TANKS.on_board_kg + TANKS.cargo_kg

    def rates(_t: float, y: np.ndarray) -> list[float]:
        return [thrust / y[1], -thrust / TANKS.exhaust_velocity_m_s]

    def reached(_t: float, y: np.ndarray) -> float:
        return float(y[0]) - 120.0

    reached.terminal = True  # type: ignore[attr-defined]
    flown = solve_ivp(rates, (0.0, 100.0), [0.0, mass], "DOP853", events=reached, rtol=1e-11, atol=1e-9)
    line = entry("t", 0.0, TANKS, 120.0, 0.0, "all_but_reserve")
    assert line.phasing_kg == pytest.approx(mass - flown.y[1, -1], abs=1e-3)  # a gram of 1300 kg


def test_a_tanker_that_cannot_keep_its_reserve_is_refused_with_what_it_could_keep() -> None:
    with pytest.raises(ConfigError, match=r"tankers\.return_reserve_kg.*at most 2\d\d\d kg.*got 4500 kg"):
        entry("t", 0.0, TANKS, 150.0, 4500.0, "cargo")
    assert entry("t", 0.0, TANKS, 150.0, 4500.0, "all_but_reserve").transferred_kg < TANKS.cargo_kg  # out of the cargo


def test_boil_off_between_hand_overs_is_that_of_an_integrated_tank() -> None:
    """DOP853 of d level/dt = level ln(1 - f) per day, the hand-overs as jumps."""
    frac = 0.01
    found = levels(lines(3), EMPTY, 5.5 * DAY_S, frac, Dispersion())
    level = 0.0
    for start, end in ((1.0, 2.0), (2.0, 3.0), (3.0, 5.5)):
        level += 28e3
        tank = solve_ivp(lambda _t, y: np.log1p(-frac) * y, (start, end), [level], "DOP853", rtol=1e-12, atol=1e-9)
        level = float(tank.y[0, -1])
    assert found[-1].level_kg == pytest.approx(level, abs=1e-3)
    gone = sum(row.boiled_kg for row in found)
    assert sum(row.added_kg for row in found) - gone == pytest.approx(found[-1].level_kg, abs=1e-6)


def test_the_scatter_is_that_of_a_monte_carlo_run() -> None:
    """20000 campaigns of six flights by NumPy's generator: own errors anew each flight, one common error a campaign."""
    dispersion, frac = Dispersion(120.0, 60.0, "invented"), 0.01
    found = levels(lines(6), EMPTY, 9.0 * DAY_S, frac, dispersion)
    dice = np.random.default_rng(7)
    runs = 20000
    level, common = np.zeros(runs), 60.0 * dice.standard_normal(runs)
    for _ in range(6):
        level = level * (1.0 - frac) + 28e3 + 120.0 * dice.standard_normal(runs) + common
    level *= (1.0 - frac) ** 3.0
    assert found[-1].level_kg == pytest.approx(level.mean(), abs=5.0 * level.std() / runs**0.5)
    assert found[-1].sigma_kg == pytest.approx(level.std(), rel=0.03)  # 3 % is six sigma of a sample's deviation


def test_hand_overs_after_the_departure_do_not_count() -> None:
    found = levels(lines(3), EMPTY, 2.5 * DAY_S, 0.0, Dispersion())
    assert [row.name for row in found] == ["depot", "t0", "t1", "departure"]
    assert found[-1].level_kg == pytest.approx(56e3)


def test_a_full_depot_leaves_the_rest_on_board() -> None:
    found = fit_capacity(lines(3), EMPTY, 70e3, 0.0)
    assert [line.transferred_kg for line in found] == pytest.approx([28e3, 28e3, 14e3])
    assert found[2].kept_kg == pytest.approx(14e3)


def test_what_is_kept_on_board_makes_good_the_scatter_first() -> None:
    """Against a Monte-Carlo run: each flight has more or less on board, the cargo alone is handed over."""
    scatter = Dispersion(120.0, 60.0, "invented", 2.0)
    line = replace(entry("t", DAY_S, TANKS, 0.0, 600.0, "cargo"), name="t")
    assert line.kept_kg > 2.0 * 134.2  # 3.4 t over the reserve: no flight of 10,000 comes short
    drawn = np.random.default_rng(5).normal(0.0, 134.2, 10_000)
    handed = [min(TANKS.cargo_kg, TANKS.cargo_kg + line.kept_kg + off) for off in drawn]
    assert np.std(handed) == 0.0
    assert levels([line], EMPTY, 2.0 * DAY_S, 0.0, scatter)[-1].sigma_kg == 0.0


def test_a_little_kept_on_board_makes_good_a_part_and_none_nothing() -> None:
    scatter = Dispersion(120.0, 60.0, "invented", 2.0)
    (bare,) = lines(1)
    whole = levels([bare], EMPTY, 2.0 * DAY_S, 0.0, scatter)[-1].sigma_kg
    assert whole == pytest.approx(134.16, abs=0.01)
    some = levels([replace(bare, kept_kg=134.16)], EMPTY, 2.0 * DAY_S, 0.0, scatter)[-1].sigma_kg
    # two sigma short of what was expected is one sigma short of what is handed over
    assert 2.0 * some == pytest.approx(2.0 * whole - 134.16, abs=0.01)
