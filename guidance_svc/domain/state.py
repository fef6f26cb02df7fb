"""Where a vehicle is: its frame, and its state in it and in the inertial frame."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from guidance_svc.domain.body import Vec

Clearance = Literal["ready", "not_ready", "no_answer"]
"""What a tower says to an arrival."""
ArrivalStatus = Literal["falling", "burning", "diverted", "caught", "missed"]
"""How a vehicle stands that comes to a tower."""


@dataclass(frozen=True, slots=True)
class Frame:
    """How the script's vectors are to be read.

    Args:
        turning: True for axes that turn with the body, False for inertial ones.
        axes: what the script's first, second and third number run along, each one of
            "x", "y", "z", "-x", "-y", "-z" of the canonical right-handed frame (z north).
            ("x", "z", "y") is the usual left-handed frame with y up.
        meridian_at_zero_rad: inertial angle of the prime meridian at time_s = 0.
        height_above: surface that altitudes are counted from.
        up: which vertical pitch and heading refer to.
        local_velocity: how vertical, north and east speeds of the local form are counted.

    `canonical`, made from these: whether vectors in it are the inertial frame's own.
    """

    turning: bool = False
    axes: tuple[str, str, str] = ("x", "y", "z")
    meridian_at_zero_rad: float = 0.0
    height_above: Literal["sphere", "ellipsoid"] = "sphere"
    up: Literal["geocentric", "geodetic"] = "geocentric"
    local_velocity: Literal["over_ground", "inertial"] = "over_ground"

    canonical: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Compare the axes once."""
        object.__setattr__(self, "canonical", not self.turning and self.axes == ("x", "y", "z"))


class LocalState(NamedTuple):
    """Position and velocity as a navigation display gives them; read according to the session's Frame."""

    latitude_rad: float
    longitude_rad: float
    altitude_m: float
    vertical_speed_m_s: float
    north_speed_m_s: float
    east_speed_m_s: float


class Readings(NamedTuple):
    """What a vehicle that comes back tells of itself; None for what it does not tell.

    Args:
        contact: the legs or the arms bear.
        engines_lit: how many burn.
        attitude_rate_script_rad_s: inertial turning rate; its cross product with the pointing, both in the script's
            own numbers, is the rate of the pointing, whichever hand the frame has.
        angle_of_attack_rad: between thrust axis and motion against the air, pi when flying engines first.
        wind_script_m_s: of the air over ground, where the vehicle is.
    """

    contact: bool | None = None
    engines_lit: int | None = None
    attitude_rate_script_rad_s: Vec | None = None
    angle_of_attack_rad: float | None = None
    wind_script_m_s: Vec | None = None


class Answer(NamedTuple):
    """What a tower had said to a vehicle when a state of the vehicle came; it is kept with that state.

    Args:
        clearance: "no_answer" while the tower has not said anything about this vehicle, or has gone silent.
        ready_at_s: vehicle time from which on it will be ready, as it says; None where it does not.
        catch_offset_m: where the arms really are, east, north and up of where the plan has them.
        wind_m_s: of the air over ground at the tower, to the east, to the north and up; None where it tells none.
    """

    clearance: Clearance
    ready_at_s: float | None = None
    catch_offset_m: Vec = (0.0, 0.0, 0.0)
    wind_m_s: Vec | None = None


class Arrival(NamedTuple):
    """A vehicle that comes to a tower, as its own session has it.

    Args:
        vehicle: its session's key.
        site: where it goes now: the tower's, or an alternate.
        time_s: of the state that this was said with; all times are the clock's.
        at_s, at_sigma_s: contact, predicted or past; one sigma, None where it is not known.
        position_fixed_m: from the body's centre, in axes that turn with it, x towards longitude 0.
        speed_m_s: over ground.
        miss_m, miss_sigma_m: level distance from the contact point, predicted; one sigma of each axis, or None.
        decide_at_s: until then the vehicle can go elsewhere; None where it cannot, or has nowhere to go.
        clearance: what the tower says to it; set by the tower's own session, as is ...
        position_script_m: ... the same position in the frame of the tower's script.
    """

    vehicle: str
    site: str
    time_s: float
    at_s: float
    at_sigma_s: float | None
    position_fixed_m: Vec
    speed_m_s: float
    miss_m: float
    miss_sigma_m: float | None
    status: ArrivalStatus
    decide_at_s: float | None = None
    clearance: Clearance = "no_answer"
    position_script_m: Vec = (0.0, 0.0, 0.0)


class TowerReport(NamedTuple):
    """What a tower tells of itself.

    Args:
        ready: whether it could hold a vehicle now.
        ready_at_s: from when on it will be, as it says.
        answers: (vehicle, "ready" or "not_ready"), each vehicle once.
        wind_script_m_s: of the air over ground, at the tower.
        catch_offset_m: where the arms really are, east, north and up of where the plan has them.
        arrivals: not the script's: what vehicles on the same clock had said when the state came; it is kept with it.
    """

    ready: bool
    ready_at_s: float | None = None
    answers: tuple[tuple[str, Clearance], ...] = ()
    wind_script_m_s: Vec | None = None
    catch_offset_m: Vec = (0.0, 0.0, 0.0)
    arrivals: tuple[Arrival, ...] = ()


class TowerWord(NamedTuple):
    """What a tower has said to all on its clock.

    Args:
        time_s: of the state that it said it with.
        silent_after_s: it counts as silent for vehicles whose time is farther from that.
        wind_m_s: to the east, to the north and up.
    """

    time_s: float
    silent_after_s: float
    report: TowerReport
    wind_m_s: Vec | None = None


Said = Arrival | TowerWord
"""What a session tells the others on its clock."""


class VehicleState(NamedTuple):
    """One `state` message; a named tuple, because one is made and kept with every state.

    Exactly one of (`position_script_m`, `velocity_script_m_s`), `local` and `tower` is given; a tower has no mass.
    `readings` is None where none of its fields was told.
    `answer` is not the script's: it is what a tower on the same clock had said when the state came; None without one.
    """

    seq: int
    time_s: float
    mass_kg: float
    position_script_m: Vec | None = None
    velocity_script_m_s: Vec | None = None
    local: LocalState | None = None
    thrust_n: float | None = None
    throttle_frac: float | None = None
    pointing_script: Vec | None = None
    stage: int | None = None
    engine_on: bool | None = None
    propellant_kg: float | None = None
    seen_event: str | None = None
    readings: Readings | None = None
    answer: Answer | None = None
    tower: TowerReport | None = None
