"""What is left to burn, against scipy's quadrature and the rocket equation."""

from __future__ import annotations

from itertools import pairwise
from math import inf, log

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from guidance_svc.core.arcs import thrust_acceleration
from guidance_svc.core.burn_flight import MASS_FLOOR_FRAC
from guidance_svc.core.burns import (
    Arc,
    allot,
    burn_for_gain_s,
    mass_at_end_kg,
    thrust_integrals,
)
from guidance_svc.core.burns import gain_m_s as gain_of

FIRST = Arc(100e3, 100.0, 2e6, 3000.0, stage=0)
PAUSE = Arc(25e3, 5.0, stage=1)
SECOND = Arc(25e3, 250.0, 2.2e5, 3500.0, stage=1)
STACK = (FIRST, PAUSE, SECOND)


def pushes(arcs: tuple[Arc, ...], burn_s: float) -> list[tuple[float, float, Arc]]:
    """Begin, end and arc of every powered stretch, on one clock."""
    out, clock = [], 0.0
    for arc, duration in allot(arcs, burn_s):
        if arc.powered:
            out.append((clock, clock + duration, arc))
        clock += duration
    return out


def integral(arcs: tuple[Arc, ...], burn_s: float, weight) -> float:  # type: ignore[no-untyped-def]
    """Integral over the burn of thrust acceleration times weight(t)."""
    total = 0.0
    for begin, end, arc in pushes(arcs, burn_s):
        flow = arc.thrust_n / arc.exhaust_velocity_m_s

        def rate(t: float, arc: Arc = arc, begin: float = begin, flow: float = flow) -> float:
            return thrust_acceleration(arc.mass_kg, arc.thrust_n, flow, arc.held_m_s2, t - begin) * weight(t)

        total += quad(rate, begin, end, epsrel=1e-11)[0]
    return total


@pytest.mark.parametrize("burn_s", [60.0, 140.0, 330.0])
def test_thrust_integrals_agree_with_quadrature_within_two_per_cent(burn_s: float) -> None:
    # McHenry et al. 1979 define them so; L is exact, the others are a starting value (core.burns: 2 %).
    got = thrust_integrals(STACK, burn_s)
    end = sum(duration for _, duration in allot(STACK, burn_s))
    assert got.total_s == end
    assert got.speed_gain_m_s == pytest.approx(integral(STACK, burn_s, lambda t: 1.0), rel=1e-9)
    assert got.first_moment_m == pytest.approx(integral(STACK, burn_s, lambda t: t), rel=0.02)
    assert got.distance_m == pytest.approx(integral(STACK, burn_s, lambda t: end - t), rel=0.02)
    assert got.distance_moment_m_s == pytest.approx(integral(STACK, burn_s, lambda t: t * (end - t)), rel=0.02)


def test_more_slices_bring_the_thrust_integrals_to_the_quadrature() -> None:
    end = 335.0
    exact = integral(STACK, 330.0, lambda t: t * (end - t))
    errors = [abs(thrust_integrals(STACK, 330.0, n).distance_moment_m_s / exact - 1.0) for n in (6, 12, 24, 48)]
    assert all(after < 0.5 * before for before, after in pairwise(errors))


def test_a_coast_is_flown_whole_when_a_burn_follows_it() -> None:
    assert allot(STACK, 140.0) == [(FIRST, 100.0), (PAUSE, 5.0), (SECOND, 40.0)]


def test_a_burn_that_ends_in_the_first_arc_leaves_coast_and_second_stage_out() -> None:
    assert allot(STACK, 60.0) == [(FIRST, 60.0)]
    assert allot(STACK, 100.0) == [(FIRST, 100.0)]


def test_a_wait_before_ignition_is_flown_first() -> None:
    wait = Arc(100e3, 12.0)
    assert allot((wait, FIRST), 30.0) == [(wait, 12.0), (FIRST, 30.0)]


def test_a_burn_beyond_the_propellant_stretches_the_last_arc_alone() -> None:
    assert allot(STACK, 370.0) == [(FIRST, 100.0), (PAUSE, 5.0), (SECOND, 270.0)]


def test_the_last_arc_is_never_stretched_past_its_mass() -> None:
    (_, _, (arc, duration)) = allot(STACK, 1e6)
    assert duration == SECOND.longest_s
    assert arc.mass_after_kg(duration) == pytest.approx(MASS_FLOOR_FRAC * SECOND.mass_kg)


def test_arcs_without_a_burn_are_a_callers_bug() -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        allot((PAUSE,), 10.0)


@given(st.floats(0.1, 349.0))
def test_allotted_burn_adds_up_to_what_was_asked(burn_s: float) -> None:
    powered = sum(duration for arc, duration in allot(STACK, burn_s) if arc.powered)
    assert powered == pytest.approx(burn_s, rel=1e-12)


@given(st.floats(1.0, 8000.0))
def test_burn_time_for_a_gain_gives_that_gain(gain_m_s: float) -> None:
    burn_s = burn_for_gain_s(STACK, gain_m_s)
    got = sum(arc.speed_gain_m_s(duration) for arc, duration in allot(STACK, burn_s))
    assert got == pytest.approx(gain_m_s, rel=1e-9)


def test_burn_time_for_an_impossible_gain_ends_at_the_mass_floor() -> None:
    assert burn_for_gain_s(STACK, 1e6) == pytest.approx(FIRST.duration_s + SECOND.longest_s)


def test_a_closing_arc_comes_after_any_burn_with_the_mass_that_is_left() -> None:
    closing = Arc(1.0, 4.0, 0.5 * SECOND.thrust_n, SECOND.exhaust_velocity_m_s, stage=SECOND.stage, closing=True)
    (*_, (before, used), (taper, lasts)) = allot((*STACK, closing), 140.0)
    assert (before, used, lasts) == (SECOND, 40.0, 4.0)
    assert taper.mass_kg == SECOND.mass_after_kg(40.0)


@given(st.floats(3400.0, 8000.0))  # the first stage gives 3296 m/s; the closing arc is the second one's
def test_burn_time_for_a_gain_allows_for_the_closing_arc(gain_m_s: float) -> None:
    closing = Arc(1.0, 4.0, 0.5 * SECOND.thrust_n, SECOND.exhaust_velocity_m_s, stage=SECOND.stage, closing=True)
    arcs = (*STACK, closing)
    assert gain_m_s == pytest.approx(gain_of(arcs, burn_for_gain_s(arcs, gain_m_s)), rel=1e-9)


@pytest.mark.parametrize("arc", [SECOND, Arc(25e3, 250.0, 2.2e5, 3500.0, held_m_s2=12.0)], ids=["thrust", "held"])
def test_speed_gain_is_the_rocket_equation_and_its_inverse(arc: Arc) -> None:
    # Tsiolkovsky; Sutton and Biblarz, Rocket Propulsion Elements, chapter 4
    gain = arc.speed_gain_m_s(120.0)
    assert gain == pytest.approx(3500.0 * log(25e3 / arc.mass_after_kg(120.0)))
    assert gain == pytest.approx(integral((arc,), 120.0, lambda t: 1.0), rel=1e-9)
    assert arc.time_for_gain_s(gain) == pytest.approx(120.0)


def test_a_coast_gains_nothing_and_lasts_as_long_as_it_likes() -> None:
    assert PAUSE.speed_gain_m_s(5.0) == 0.0
    assert PAUSE.longest_s == inf
    assert not PAUSE.powered


def test_mass_at_the_end_is_that_of_the_stage_that_burns_last() -> None:
    flow = SECOND.thrust_n / SECOND.exhaust_velocity_m_s
    assert mass_at_end_kg(STACK, 140.0) == pytest.approx(25e3 - 40.0 * flow)
