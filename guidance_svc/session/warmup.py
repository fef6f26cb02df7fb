"""One short flight of an invented vehicle through a session: compiled kernels are compiled before a script waits."""

from __future__ import annotations

from guidance_svc.core.frames import on_ellipsoid
from guidance_svc.core.gravity import potential
from guidance_svc.domain import (
    Alternate,
    Body,
    Boost,
    Circularize,
    Coast,
    FlightPlan,
    Frame,
    Insertion,
    Landing,
    Orbit,
    Phase,
    Site,
    Stage,
    Target,
    Vec,
    Vehicle,
    VehicleState,
)
from guidance_svc.laws.descent import divert
from guidance_svc.laws.descent_memory import DescentMemory
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.entry_plan import EntryBurn
from guidance_svc.laws.fall import Fall
from guidance_svc.laws.memory import Memory
from guidance_svc.laws.navigation import navigate
from guidance_svc.session.session import Session

BODY = Body("warm-up", 4.0e14, 6.4e6, 0.003, 1.1e-3, 7.0e-5, "us1976")
BOOST = Boost(rise_s=0.0, pitch_over_rad=0.001, bias=((0.0, 0.01),), max_yaw_rad=0.1, max_dynamic_pressure_pa=3e4)
VEHICLE = Vehicle("warm-up", (Stage("only", 1.2e3, 18.8e3, 1.6e5, 3400.0, throttle_min_frac=0.4),))
PAD = Landing(Site("warm-up", 0.0, 0.0), alternates=(Alternate(Site("beside", 0.0, 1e-5)),))
LAND = Descent(soft_speed_m_s=15.0, soft_frac=0.6)
LANDING_KG = 4.0e3  # so light that the engine stops it
LANDING_FROM = ((6.4e6 + 4.0e3, 100.0, 0.0), (-200.0, 450.0, 0.0))
TARGET = Target(6.6e6, 6.9e6, 6.6e6, 7870.0, 0.0, "inclination_and_node", 0.5, 0.0)


def warm_up() -> None:
    """Run every kernel that a cycle uses once; the replies are thrown away."""
    climbing = ((6.41e6, 0.0, 0.0), (100.0, 500.0, 200.0))
    rising = ((6.48e6, 0.0, 0.0), (600.0, 2100.0, 1200.0))
    orbiting = ((6.6e6, 0.0, 0.0), (0.0, 6900.0, 3780.0))
    for phases, (position, velocity), axes in (
        ((BOOST, Orbit()), climbing, ("x", "y", "z")),
        ((Insertion(), Orbit()), rising, ("x", "y", "z")),
        ((Coast(), Circularize("least_height_spread"), Orbit()), orbiting, ("x", "z", "y")),
    ):
        one_state(phases, position, velocity, Frame(turning=axes[1] == "z", axes=axes, up="geodetic"))
    one_state((Fall(), EntryBurn(), Descent()), *climbing, Frame())
    divert_once(one_state((LAND,), *LANDING_FROM, Frame(), LANDING_KG))
    potential(rising[0], BODY.mu_m3_s2, BODY.radius_m, BODY.j2)  # near a cutoff
    on_ellipsoid(0.5, 0.1, 1e5, BODY.radius_m, BODY.flattening)  # for states in latitude and longitude


def divert_once(session: Session) -> None:
    """Send a landing to its alternate; what comes of it is thrown away."""
    point, last = session.point, session.last_message
    if point is not None and last is not None and isinstance(point.memory.own, DescentMemory):
        memory = Memory(point.memory.flight, point.memory.own)
        divert(memory, navigate(last, session.plan, session.frame), session.plan, LAND, 1, "")


def one_state(
    phases: tuple[Phase, ...], position_m: Vec, velocity_m_s: Vec, frame: Frame, mass_kg: float = 2.0e4
) -> Session:
    """Send a few states of a vehicle that stands still in its orbit."""
    session = Session(FlightPlan("warm-up", BODY, VEHICLE, TARGET, phases, landing=PAD), frame, detail=True)
    for seq in range(12):
        ahead = (1.0, 0.0, 0.0)
        session.state(
            VehicleState(seq, 0.1 * seq, mass_kg, position_m, velocity_m_s, pointing_script=ahead, engine_on=True)
        )
        session.work()
    return session
