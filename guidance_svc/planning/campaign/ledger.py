"""The propellant ledger of a campaign: where each tanker's propellant goes, and what the depot holds after each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, sqrt
from typing import Literal

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.errors import ConfigError

HandOver = Literal["all_but_reserve", "cargo"]


@dataclass(frozen=True, slots=True)
class Tanks:
    """One vehicle's propellant from the pad to the depot's height; all kg.

    Args:
        loaded_kg: in the stages' own tanks on the pad, cargo not counted.
        used_to_orbit_kg: burnt until the orbit is round.
        left_below_kg: still in stages that were dropped (a booster's return).
        on_board_kg: in the own tanks of what is in orbit.
        cargo_kg: propellant carried as payload.
        dry_kg: of what is in orbit, without any propellant.
        exhaust_velocity_m_s: of the stage that is in orbit.
    """

    loaded_kg: float
    used_to_orbit_kg: float
    left_below_kg: float
    on_board_kg: float
    cargo_kg: float
    dry_kg: float
    exhaust_velocity_m_s: float


@dataclass(frozen=True, slots=True)
class Entry:
    """One tanker's line of the ledger, kg: loaded = used to orbit + left below + phasing + reserve + kept + given.

    Args:
        loaded_kg: own tanks and cargo.
        phasing_m_s: speed that the phasing costs.
        kept_kg: what stays on board beyond the reserve, because only the cargo is handed over or the depot is full.
    """

    name: str
    time_s: float
    loaded_kg: float
    used_to_orbit_kg: float
    left_below_kg: float
    phasing_kg: float
    phasing_m_s: float
    return_reserve_kg: float
    kept_kg: float
    transferred_kg: float

    @property
    def open_kg(self) -> float:
        """What the line does not account for; zero but for rounding."""
        spent = self.used_to_orbit_kg + self.left_below_kg + self.phasing_kg
        return self.loaded_kg - spent - self.return_reserve_kg - self.kept_kg - self.transferred_kg


@dataclass(frozen=True, slots=True)
class Dispersion:
    """How far one flight's propellant in orbit scatters, 1 sigma, kg.

    Args:
        own_kg: different on each flight (engine, weather); n flights add up in quadrature.
        common_kg: the same on all flights (the model is wrong alike); n flights add up linearly.
        source: where the numbers come from.
        sigmas: at which the plan must hold.
    """

    own_kg: float = 0.0
    common_kg: float = 0.0
    source: str = "none given: no dispersion"
    sigmas: float = 1.0

    def reaching_depot(self, kept_kg: float) -> tuple[float, float]:
        """The own and common parts of what a hand-over scatters by, kg.

        What a tanker keeps on board beyond its reserve makes good a shortage first: only the rest of it, at the sigmas
        that the plan must hold at, is missing in the depot.

        >>> Dispersion(120.0, 60.0, "", 2.0).reaching_depot(0.0)
        (120.0, 60.0)
        >>> Dispersion(120.0, 60.0, "", 2.0).reaching_depot(300.0)
        (0.0, 0.0)
        """
        short = max(self.sigmas, 1.0) * hypot(self.own_kg, self.common_kg)
        part = max(0.0, 1.0 - kept_kg / short) if short > 0.0 else 0.0
        return part * self.own_kg, part * self.common_kg


@dataclass(frozen=True, slots=True)
class Level:
    """The depot just after something; `boiled_kg` since the line before; sigma is 1 sigma."""

    name: str
    time_s: float
    boiled_kg: float
    added_kg: float
    level_kg: float
    own_variance_kg2: float
    common_kg: float

    @property
    def sigma_kg(self) -> float:
        """1 sigma: the flights' own parts in quadrature, the common part linearly, the two in quadrature."""
        return sqrt(self.own_variance_kg2 + self.common_kg**2)


def entry(
    name: str, time_s: float, tanks: Tanks, phasing_m_s: float, return_reserve_kg: float, hand_over: HandOver
) -> Entry:
    """The ledger line of a tanker that hands over at `time_s`.

    Args:
        phasing_m_s: speed change after the orbit is round and before the hand-over, with the cargo on board.
        return_reserve_kg: must be left on board after the hand-over.
        hand_over: all but the reserve, or the cargo alone.

    Raises:
        ConfigError: what is on board does not cover phasing and reserve.

    Source: rocket equation for the phasing propellant.
    """
    mass_kg = tanks.dry_kg + tanks.on_board_kg + tanks.cargo_kg
    phasing_kg = mass_kg * (1.0 - exp(-phasing_m_s / tanks.exhaust_velocity_m_s))
    beyond_kg = tanks.on_board_kg - phasing_kg - return_reserve_kg
    kept_kg = max(0.0, beyond_kg) if hand_over == "cargo" else 0.0
    transferred_kg = tanks.cargo_kg + beyond_kg - kept_kg
    short_of = beyond_kg < 0.0 if hand_over == "cargo" else transferred_kg < 0.0
    if short_of:
        most = tanks.on_board_kg + (0.0 if hand_over == "cargo" else tanks.cargo_kg) - phasing_kg
        expected = f"at most {max(0.0, most):.0f} kg, what is on board {name} after {phasing_kg:.0f} kg for phasing"
        raise ConfigError("short_of_propellant", "tankers.return_reserve_kg", expected, f"{return_reserve_kg:g} kg")
    return Entry(
        name, time_s, tanks.loaded_kg + tanks.cargo_kg, tanks.used_to_orbit_kg, tanks.left_below_kg, phasing_kg,
        phasing_m_s, return_reserve_kg, kept_kg, transferred_kg,
    )  # fmt: skip


def levels(
    entries: Sequence[Entry], start: Level, end_s: float, boil_off_frac_per_day: float, dispersion: Dispersion
) -> list[Level]:
    """The depot's level after each hand-over and at the end, in order of time; the first is `start`.

    Args:
        end_s: departure; hand-overs after it do not count.
        boil_off_frac_per_day: part of what is there that a day takes.
        dispersion: of one flight. Linear error propagation: boil-off shrinks earlier errors with the propellant.

    >>> one = Entry("a", 86400.0, 30.0, 20.0, 0.0, 0.0, 0.0, 0.0, 0.0, 10.0)
    >>> start = Level("depot", 0.0, 0.0, 0.0, 100.0, 0.0, 0.0)
    >>> [round(x.level_kg, 3) for x in levels([one], start, 86400.0, 0.1, Dispersion())]
    [100.0, 100.0, 100.0]
    """
    found = [start]
    for line in sorted((e for e in entries if start.time_s <= e.time_s <= end_s), key=lambda e: e.time_s):
        before = boil_off(found[-1], line.time_s, boil_off_frac_per_day, line.name)
        own_kg, common_kg = dispersion.reaching_depot(line.kept_kg)
        found.append(
            Level(
                line.name, line.time_s, before.boiled_kg, line.transferred_kg, before.level_kg + line.transferred_kg,
                before.own_variance_kg2 + own_kg**2, before.common_kg + common_kg,
            )
        )
    return [*found, boil_off(found[-1], end_s, boil_off_frac_per_day, "departure")]


def boil_off(last: Level, time_s: float, frac_per_day: float, name: str) -> Level:
    """The level at a later time with nothing added."""
    left = (1.0 - frac_per_day) ** ((time_s - last.time_s) / SECONDS_PER_DAY)
    return Level(
        name, time_s, last.level_kg * (1.0 - left), 0.0, last.level_kg * left,
        last.own_variance_kg2 * left**2, last.common_kg * left,
    )  # fmt: skip


def fit_capacity(
    entries: Sequence[Entry], start: Level, capacity_kg: float, boil_off_frac_per_day: float
) -> list[Entry]:
    """The lines with what a full depot cannot take kept on board; in order of time."""
    level, found = start, []
    for line in sorted(entries, key=lambda e: e.time_s):
        level = boil_off(level, line.time_s, boil_off_frac_per_day, line.name)
        taken = min(line.transferred_kg, max(0.0, capacity_kg - level.level_kg))
        found.append(
            Entry(
                line.name, line.time_s, line.loaded_kg, line.used_to_orbit_kg, line.left_below_kg, line.phasing_kg,
                line.phasing_m_s, line.return_reserve_kg, line.kept_kg + line.transferred_kg - taken, taken,
            )
        )
        level = Level(line.name, line.time_s, 0.0, taken, level.level_kg + taken, 0.0, 0.0)
    return found
