"""What drift is counted in: a gravity field, an osculating state, and mean elements, kept apart by name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from guidance_svc.domain import Body, Vec

ThirdBody = Literal["moon", "sun"]


@dataclass(frozen=True, slots=True)
class Field:
    """The gravity that the user's simulator really has.

    Args:
        body: its mu and equatorial radius count; its own `j2` does not, `zonals` does.
        zonals: (J2, J3, J4), unnormalised, with the body's equatorial radius; zeros for a sphere.
        third_bodies: pull of "moon" and "sun", in the integrator only; needs `zero_jd_tt` and the extra `sky`.
        zero_jd_tt: Julian date in Terrestrial Time at time_s = 0 (`timescale.Epoch.jd_tt`).
    """

    body: Body
    zonals: tuple[float, float, float] = (0.0, 0.0, 0.0)
    third_bodies: tuple[ThirdBody, ...] = ()
    zero_jd_tt: float | None = None


def field_of(body: Body) -> Field:
    """The field of a flight plan's body: a sphere, or with its J2."""
    return Field(body, (body.j2, 0.0, 0.0))


@dataclass(frozen=True, slots=True)
class OrbitState:
    """An osculating state, BCI: where the vehicle really is."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec


@dataclass(frozen=True, slots=True)
class MeanOrbit:
    """Mean elements: what is left of the osculating ones when the oscillation within a revolution is taken away.

    The angles are those of `epoch_s`. On a circular orbit the perigee is an arbitrary direction and only perigee plus
    mean anomaly counts; on an equatorial one only their sum with the node. An orbit with inclination pi is out of reach
    of the theory.
    """

    epoch_s: float
    semi_major_m: float
    eccentricity: float
    inclination_rad: float
    node_rad: float
    perigee_rad: float
    mean_anomaly_rad: float
