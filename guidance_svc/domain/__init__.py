"""The values the whole service speaks in: bodies, vehicles, plans, states and commands.

SI units and radians throughout; a vector without a frame in its name is body-centred inertial (BCI):
origin at the body's centre, z along the north pole, x towards the reference direction from which nodes
are measured, right-handed. Everything here is immutable and free of behaviour that needs I/O.
"""

from guidance_svc.domain.body import AirRow, Body, Site, Vec
from guidance_svc.domain.command import (
    Act,
    Command,
    Detail,
    Event,
    LandingReport,
    OpenRequest,
    OrbitReport,
    Status,
    ThrottleDown,
)
from guidance_svc.domain.plan import (
    Aim,
    Bears,
    Boost,
    Circularize,
    Coast,
    FlightPlan,
    Hold,
    Insertion,
    Landing,
    Orbit,
    Phase,
    PlaneMode,
    Raise,
    Role,
    Roundness,
    SecondBurn,
    Start,
    Target,
)
from guidance_svc.domain.state import Answer, Clearance, Frame, LocalState, Readings, VehicleState
from guidance_svc.domain.vehicle import Stage, Vehicle

__all__ = [
    "Act",
    "Aim",
    "AirRow",
    "Answer",
    "Bears",
    "Body",
    "Boost",
    "Circularize",
    "Clearance",
    "Coast",
    "Command",
    "Detail",
    "Event",
    "FlightPlan",
    "Frame",
    "Hold",
    "Insertion",
    "Landing",
    "LandingReport",
    "LocalState",
    "OpenRequest",
    "Orbit",
    "OrbitReport",
    "Phase",
    "PlaneMode",
    "Raise",
    "Readings",
    "Role",
    "Roundness",
    "SecondBurn",
    "Site",
    "Stage",
    "Start",
    "Status",
    "Target",
    "ThrottleDown",
    "Vec",
    "Vehicle",
    "VehicleState",
]
