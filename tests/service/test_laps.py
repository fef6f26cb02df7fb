"""The stopwatch of the loop, on clocks that the test sets."""

from __future__ import annotations

import pytest

from guidance_svc.service import laps
from guidance_svc.service.laps import Lap, Laps
from guidance_svc.service.pace import TOKEN_S


class Clocks:
    """Real time, and the processor time of it; counts how often the latter is read."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.real_s = self.work_s = 100.0
        self.read = 0
        monkeypatch.setattr(laps, "work_clock_s", self.work_clock_s)

    def work_clock_s(self) -> float:
        self.read += 1
        return self.work_s

    def run(self, real_s: float, work_s: float) -> None:
        self.real_s += real_s
        self.work_s += work_s


@pytest.fixture
def clocks(monkeypatch: pytest.MonkeyPatch) -> Clocks:
    return Clocks(monkeypatch)


def test_a_short_lap_counts_its_real_time_without_asking_for_the_processors(clocks: Clocks) -> None:
    watch = Laps(lambda: clocks.real_s)
    for _ in range(10):
        clocks.run(0.5 * TOKEN_S, 0.4 * TOKEN_S)
        assert watch.lap() == pytest.approx(Lap(0.5 * TOKEN_S, 0.5 * TOKEN_S))
    assert clocks.read == 1


def test_a_long_lap_counts_its_processor_time_whatever_short_ones_came_before(clocks: Clocks) -> None:
    watch = Laps(lambda: clocks.real_s)
    clocks.run(0.5 * TOKEN_S, 0.5 * TOKEN_S)
    watch.lap()
    clocks.run(1.0, 0.003)  # the machine had other things to do
    assert watch.lap() == pytest.approx(Lap(1.0, 0.003))


def test_a_lap_never_counts_less_than_nothing(clocks: Clocks) -> None:
    watch = Laps(lambda: clocks.real_s)
    clocks.run(0.9 * TOKEN_S, 0.0)  # counted as work, though it was none
    watch.lap()
    clocks.run(1.0, 0.1 * TOKEN_S)
    assert watch.lap() == (pytest.approx(1.0), 0.0)


def test_what_passes_before_a_lap_begins_is_not_counted(clocks: Clocks) -> None:
    watch = Laps(lambda: clocks.real_s)
    clocks.run(5.0, 5.0)
    watch.begin()
    clocks.run(0.01, 0.01)
    assert watch.lap() == pytest.approx(Lap(0.01, 0.01))
