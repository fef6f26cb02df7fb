"""A vehicle's calibration as a table for people and as a vehicle file for the next flight."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from guidance_svc.constants import CAUTION
from guidance_svc.domain import Stage, Vehicle
from guidance_svc.report.calibration import StageEstimate, planned_drag
from guidance_svc.report.engine_fit import Estimate


@dataclass(frozen=True, slots=True)
class Calibrated:
    """The figures of one vehicle of a recording.

    Args:
        vehicle: name of its session.
        known: as its flight plan had it.
        planned: the same as the table of a vehicle file.
        missed: sentences on stages that could not be seen.
        states: how many the figures come from.
    """

    vehicle: str
    known: Vehicle
    planned: Mapping[str, Any]
    stages: tuple[StageEstimate, ...]
    missed: tuple[str, ...]
    states: int


PLANNED: Final = "from the flight plan, not measured"

Row = tuple[str, Estimate, float | None]


def table_lines(one: Calibrated) -> Iterator[str]:
    """Figures with uncertainties beside those of the flight plan, and what could not be seen."""
    yield f"{one.vehicle}: {one.states} states"
    for stage in one.stages:
        planned = planned_stage(one.known, stage.index)
        name = "not in the flight plan" if planned is None else planned.name
        yield f"  stage {stage.index} ({name}): {stage.burn_s:z.1f} s of steady burn, noise {stage.noise_m_s:.2g} m/s"
        yield f"    {'':34}{'measured':>14}{'one sigma':>12}{'flight plan':>14}"
        for label, estimate, nominal in (*engine_rows(stage, planned), *drag_rows(stage, one.known)):
            shown = "" if nominal is None else f"{nominal:.6g}"
            yield f"    {label:34}{estimate.value:>14.6g}{estimate.sigma:>12.2g}{shown:>14}".rstrip()
        for text in stage.unseen:
            yield f"    not seen: {text}"
    for text in one.missed:
        yield f"  not seen: {text}"


def planned_stage(known: Vehicle, index: int) -> Stage | None:
    """The flight plan's stage of that number."""
    return known.stages[index] if index < len(known.stages) else None


def engine_rows(stage: StageEstimate, planned: Stage | None) -> Iterator[Row]:
    """Everything that was seen of the engine, with the flight plan's value."""
    rows = (
        ("thrust, vacuum, full (N)", stage.thrust_n, planned.thrust_n if planned else None),
        ("mass flow, full (kg/s)", stage.mass_flow_kg_s, planned.mass_flow_kg_s if planned else None),
        ("exhaust velocity (m/s)", stage.exhaust_velocity_m_s, planned.exhaust_velocity_m_s if planned else None),
        ("exit area (m2)", stage.exit_area_m2, planned.exit_area_m2 if planned else None),
        ("spool-up (s of full thrust)", stage.spool_up_s, None),
        ("tail-off at full throttle (N s)", stage.tail_off_n_s, planned.tail_off_impulse_n_s if planned else None),
    )
    yield from ((label, estimate, nominal) for label, estimate, nominal in rows if estimate is not None)
    if len(stage.levels) > 1:
        for throttle, thrust in stage.levels:
            yield f"thrust at throttle {throttle:z.3f} (N)", thrust, throttle * planned.thrust_n if planned else None


def drag_rows(stage: StageEstimate, known: Vehicle) -> Iterator[Row]:
    """Drag areas that were seen."""
    for mach, area in stage.drag_area_m2:
        yield f"drag area at Mach {mach:g} (m2)", area, known.drag_area_m2 * planned_drag(known, mach)


def vehicle_file(one: Calibrated) -> str:
    """The vehicle as a TOML file: measured figures with their uncertainty, the others as the flight plan had them."""
    measured = {stage.index: stage for stage in one.stages}
    rest = {key: value for key, value in one.planned.items() if key not in ("stages", "drag_area_m2", "drag_curve")}
    lines = [
        f"# {one.vehicle}, calibrated from {one.states} recorded states. Uncertainties are one sigma.",
        f"# {CAUTION}",
        *(f"{key} = {toml_value(value)}  # {PLANNED}" for key, value in rest.items() if value is not None),
        *drag_file_lines(one),
    ]
    for index, table in enumerate(one.planned["stages"]):
        lines += ["", "[[stages]]", *stage_file_lines(table, measured.get(index))]
    lines += [f"# not seen: {text}" for text in one.missed]
    return "\n".join(lines) + "\n"


def stage_file_lines(planned: Mapping[str, Any], seen: StageEstimate | None) -> Iterator[str]:
    """One [[stages]] table without its head."""
    figures = {} if seen is None else {
        "thrust_n": seen.thrust_n, "exhaust_velocity_m_s": seen.exhaust_velocity_m_s,
        "exit_area_m2": seen.exit_area_m2, "tail_off_impulse_n_s": seen.tail_off_n_s,
    }  # fmt: skip
    for key, nominal in planned.items():
        estimate = figures.get(key)
        if estimate is not None:
            value = float(f"{max(estimate.value, 0.0):.7g}")
            yield f"{key} = {value!r}  # measured, +- {estimate.sigma:.2g}; flight plan {nominal:g}"
        elif nominal is not None:
            yield f"{key} = {toml_value(nominal)}  # {PLANNED}"
    if seen is None:
        return
    if seen.spool_up_s is not None:
        lost = seen.spool_up_s
        yield f"# spool-up: {lost.value:.4g} s of full thrust lost after ignition, +- {lost.sigma:.2g}"
    for throttle, thrust in seen.levels:
        yield f"# thrust at throttle {throttle:z.3f}: {thrust.value:.7g} N, +- {thrust.sigma:.2g}"
    yield from (f"# not seen: {text}" for text in seen.unseen)


def drag_file_lines(one: Calibrated) -> Iterator[str]:
    """Reference area and drag curve: measured where seen, the flight plan's points elsewhere."""
    known = one.known
    best: dict[float, Estimate] = {}
    for stage in one.stages:
        for mach, area in stage.drag_area_m2:
            if mach not in best or area.sigma < best[mach].sigma:
                best[mach] = area
    reference = known.drag_area_m2 or 1.0
    points = dict(known.drag_curve) if known.drag_area_m2 > 0.0 or not best else {}
    points.update({mach: float(f"{max(area.value, 0.0) / reference:.5g}") for mach, area in best.items()})
    yield f"drag_area_m2 = {float(reference if best else known.drag_area_m2)!r}"
    yield f"drag_curve = {toml_value([[m, points[m]] for m in sorted(points)])}  # [Mach, coefficient]"
    for mach in sorted(points):
        if mach in best:
            yield f"# Mach {mach:g}: {best[mach].value / reference:.4g} measured, +- {best[mach].sigma / reference:.2g}"
        else:
            yield f"# Mach {mach:g}: {PLANNED}"


def toml_value(value: object) -> str:
    """A number, text, truth value or list as TOML; JSON's forms of these are TOML's too."""
    return json.dumps(value)
