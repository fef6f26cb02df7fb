"""How a descent stands: what is predicted of it, and what of it will not come out as asked for."""

from __future__ import annotations

from math import hypot, sqrt

from guidance_svc.core.vectors import norm
from guidance_svc.domain import FlightPlan, Landing, LandingReport, Status
from guidance_svc.laws.descent_divert import clearance_warnings
from guidance_svc.laws.descent_engines import lost_words
from guidance_svc.laws.descent_memory import DescentMemory, frame_at
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.landing_places import landing_of
from guidance_svc.laws.memory import Memory
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.stack import burnout_alone_kg

MISS_TOLD_M = 1.0  # of the predicted place of contact: further off it is out of reach, ...
MISS_FRAC = 0.01  # ... plus this part of the height
DOUBTED_S = 1.0  # so long it must last
CONTACT_BELOW_M, AT_REST_M_S = 100.0, 5.0  # above both no contact is believed
SPEED_TOLD_M_S = 0.5  # over the speed asked for, likewise


def is_belied(own: DescentMemory, now: Navigation) -> bool:
    """Whether a contact is told by a vehicle that is far above the contact point and moves."""
    return now.contact is True and own.guided.filtered.position_m[2] > CONTACT_BELOW_M and is_moving(now)


def is_moving(now: Navigation) -> bool:
    """Whether a vehicle is too fast over ground to stand."""
    return norm(now.ground_velocity_m_s) > AT_REST_M_S


def is_elsewhere(own: DescentMemory, now: Navigation) -> bool:
    """Whether a vehicle is far above or below the contact point and moves: an engine off is no landing there."""
    return abs(own.guided.filtered.position_m[2]) > CONTACT_BELOW_M and is_moving(now)


def verdict(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent
) -> tuple[Status, tuple[str, ...]]:
    """How the landing stands; what is found is believed when it lasts: an ignition shakes the prediction."""
    own, landing = memory.own, landing_of(plan)
    status, words = judged_for_long(memory, now, plan, phase)
    words = (*words, *lost_words(own.burners), *contact_words(own, now, landing))
    if own.diverted is not None:
        place = landing.places[own.spot].site.name
        return status, (*words, f"diverted to {place} at {own.diverted.at_s:.1f} s: {own.diverted.why}")
    return status, (*words, *clearance_warnings(landing, own.around, now))


def contact_words(own: DescentMemory, now: Navigation, landing: Landing) -> tuple[str, ...]:
    """A contact that is not believed."""
    if not is_belied(own, now):
        return ()
    height_m, place = own.guided.filtered.position_m[2], landing.places[own.spot].site.name
    return (
        f"contact is told {height_m:.0f} m above {place} at {norm(now.ground_velocity_m_s):.0f} m/s: it is not "
        f"believed above {CONTACT_BELOW_M:g} m and {AT_REST_M_S:g} m/s",
    )  # fmt: skip


def judged_for_long(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent
) -> tuple[Status, tuple[str, ...]]:
    """How the landing stands, once it has for a time."""
    doubted_s = memory.own.doubted_s
    if doubted_s is None or (now.time_s - doubted_s < DOUBTED_S and doubted_s > memory.flight.since_s):
        return "ok", ()
    return judge(memory, plan, phase)


def judge(memory: Memory[DescentMemory], plan: FlightPlan, phase: Descent) -> tuple[Status, tuple[str, ...]]:
    """How the landing stands by this state alone, in words with its number."""
    own, report = memory.own, report_of(memory, plan, phase)
    landing, height = landing_of(plan), max(own.guided.filtered.position_m[2], 0.0)
    down_m_s = fall_speed_m_s(own)
    if not own.guided.stop.stops or down_m_s > landing.contact_speed_m_s + SPEED_TOLD_M_S + MISS_FRAC * height:
        return "unreachable", (
            f"the engines cannot stop the vehicle: {down_m_s:.1f} m/s down at contact, throttle "
            f"{report.throttle_frac:.2f} wanted",
        )  # fmt: skip
    if report.propellant_left_kg < 0.0:
        return "short_of_propellant", (f"{-report.propellant_left_kg:.0f} kg of propellant are missing at contact",)
    if report.miss_m > MISS_TOLD_M + MISS_FRAC * height:
        place = landing.places[own.spot].site.name
        return "unreachable", (
            f"{place} is {report.miss_m:.0f} m beyond reach; as flown now, contact there with "
            f"{report.speed_m_s:.1f} m/s",
        )  # fmt: skip
    return "ok", ()


def fall_speed_m_s(own: DescentMemory) -> float:
    """Downward speed at contact: what is asked for, and more where the vehicle would stop below the contact point."""
    stop = own.guided.stop
    down_m_s = stop.velocity_m_s[2]
    return sqrt(down_m_s * down_m_s + 2.0 * max(stop.rise_m_s2, 0.0) * max(-stop.position_m[2], 0.0))


def report_of(memory: Memory[DescentMemory], plan: FlightPlan, phase: Descent) -> LandingReport:
    """The landing as it is predicted."""
    own = memory.own
    g, stop = own.guided, own.guided.stop
    lander = frame_at(memory, plan, phase).lander
    wanted = stop.throttle_frac + stop.beyond_frac
    (x, y, _), (u, v, _), noise = stop.position_m, stop.velocity_m_s, g.filtered.noise
    margin = min(lander.most_frac - wanted, wanted - lander.least_frac)
    return LandingReport(
        stop.end_s, hypot(x, y), hypot(u, v, fall_speed_m_s(own)), wanted, margin,
        stop.mass_kg - burnout_alone_kg(plan), sqrt(noise.position_m2), sqrt(noise.velocity_m2_s2),
    )  # fmt: skip
