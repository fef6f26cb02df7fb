"""What the service will do, one sentence a phase: sent with `opened` so that script and service mean the same."""

from __future__ import annotations

from math import degrees, inf

from guidance_svc.domain import Boost, Circularize, Coast, FlightPlan, Hold, Insertion, Phase, Stage
from guidance_svc.laws.stack import mass_at_burnout_kg


def phase_sentences(plan: FlightPlan) -> tuple[str, ...]:
    """One sentence for each phase of the plan."""
    return tuple(f"{phase.law}: {sentence(phase, plan)}" for phase in plan.phases)


def plan_warnings(plan: FlightPlan) -> tuple[str, ...]:
    """What of the plan will not be kept in flight: an acceleration limit that a stage's lowest throttle exceeds."""
    vehicle, words = plan.vehicle, []
    for i, stage in enumerate(vehicle.stages):
        lowest_n = stage.throttle_min_frac * stage.thrust_n
        lightest_kg = mass_at_burnout_kg(vehicle, i) - vehicle.cover_mass_kg
        if lowest_n <= stage.acceleration_limit_m_s2 * lightest_kg:
            continue
        throttle = "it does not throttle" if stage.throttle_min_frac == 1.0 else (
            f"its lowest throttle is {stage.throttle_min_frac:g}")  # fmt: skip
        words.append(
            f"{stage.name} cannot keep its acceleration limit of {stage.acceleration_limit_m_s2:g} m/s2: {throttle}, "
            f"which gives more below {lowest_n / stage.acceleration_limit_m_s2:.0f} kg and "
            f"{lowest_n / lightest_kg:.1f} m/s2 at its end"
        )
    return tuple(words)


def held(stages: tuple[Stage, ...]) -> str:
    """The acceleration limits of some stages, in words; empty where there are none."""
    limits = [f"{s.acceleration_limit_m_s2:g} m/s2 ({s.name})" for s in stages if s.acceleration_limit_m_s2 < inf]
    return f"; thrust acceleration at most {', '.join(limits)}" if limits else ""


def sentence(phase: Phase, plan: FlightPlan) -> str:
    """What one phase does."""
    match phase:
        case Hold():
            lead = f", engines lit {phase.ignition_lead_s:g} s before" if phase.ignition_lead_s else ""
            return f"upright on the pad until vehicle time {phase.release_at_s:g} s{lead}"
        case Boost():
            return boost_sentence(phase) + held(plan.vehicle.stages[:1])
        case Insertion():
            return insertion_sentence(phase, plan)
        case Coast():
            return "engine off to the next apoapsis, attitude of the next burn held"
        case Circularize():
            return "burn centred on apoapsis that makes the osculating orbit circular there, in the present plane"
        case _:
            return "nothing left to do; the orbit is reported"


def boost_sentence(phase: Boost) -> str:
    """Rise, tip over, follow, separate."""
    limits = []
    if phase.separate_at_reserve:
        limits.append("the propellant reserve is reached")
    else:
        limits.append("the propellant is spent")
    if phase.separate_at_speed_m_s < inf:
        limits.append(f"the speed over ground is {phase.separate_at_speed_m_s:g} m/s")
    if phase.separate_at_s < inf:
        limits.append(f"{phase.separate_at_s:g} s have passed since release")
    heading = "in the target's plane" if phase.azimuth_rad is None else f"{degrees(phase.azimuth_rad):.3f} deg"
    way = f"tip {degrees(phase.pitch_over_rad):g} deg towards heading {heading}, then along the velocity over ground"
    if phase.pitch:
        last_s, last = phase.pitch[-1]
        way = f"then a pitch program towards heading {heading}, down to {degrees(last):.1f} deg at {last_s:g} s"
    elif phase.bias:
        way += f" with a program of {len(phase.bias)} angles of attack"
    held = boost_limits(phase)
    return (
        f"vertical for {phase.rise_s:g} s, {way}"
        f"{'; within ' + ', '.join(held) if held else ''}; separate when {' or '.join(limits)}"
    )


def boost_limits(phase: Boost) -> list[str]:
    """The limits that a boost keeps, in words."""
    named = (
        (phase.max_dynamic_pressure_pa, "dynamic pressure {:g} Pa"),
        (degrees(phase.max_q_alpha_pa_rad), "dynamic pressure times angle of attack {:g} Pa deg"),
        (degrees(phase.max_alpha_rad), "angle of attack {:g} deg"),
        (phase.max_acceleration_m_s2, "acceleration {:g} m/s2"),
    )
    return [text.format(value) for value, text in named if value < inf]


def insertion_sentence(phase: Insertion, plan: FlightPlan) -> str:
    """Ignition, stages, cutoff."""
    when = f"at vehicle time {phase.ignite_at_s:g} s" if phase.ignite_at_s is not None else (
        f"{phase.pause_s:g} s after the phase begins")  # fmt: skip
    stages = ", ".join(stage.name for stage in plan.vehicle.stages[phase.first_stage :])
    if plan.target is None:
        return f"ignite {when} ({stages})"
    altitude_km = (plan.target.cutoff_radius_m - plan.body.radius_m) / 1000.0
    coast = "; a coast part of the way where that saves propellant" if phase.may_coast else ""
    return (
        f"ignite {when}, steer {stages} closed loop to cutoff at {altitude_km:.3f} km, "
        f"{plan.target.cutoff_speed_m_s:.3f} m/s, {degrees(plan.target.cutoff_flight_path_angle_rad):z.4f} deg{coast}"
        f"{held(plan.vehicle.stages[phase.first_stage :])}"
    )
