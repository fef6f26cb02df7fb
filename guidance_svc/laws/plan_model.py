"""A flight plan as it stands in a file or in an `open`: its phases may be those of every law of the phase table."""

from __future__ import annotations

from functools import cache, reduce
from operator import or_
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, create_model

from guidance_svc.domain import Boost, Circularize, Coast, Hold, Insertion, Orbit, Phase, Role
from guidance_svc.laws.receive import Receive
from guidance_svc.laws.table import LAWS
from guidance_svc.wire.plans import (
    BodyReference,
    LandingModel,
    PhaseModel,
    SiteModel,
    StartModel,
    TargetModel,
    VehicleReference,
)
from guidance_svc.wire.quantities import MODEL, Title

_AFTER_ASCENT: tuple[Phase, ...] = (Coast(), Circularize(), Orbit())
_PAD_TO_ORBIT: tuple[Phase, ...] = (Hold(), Boost(), Insertion(first_stage=1), *_AFTER_ASCENT)

DEFAULT_PHASES: dict[Role, tuple[Phase, ...]] = {
    "booster": (Hold(), Boost()),
    "upper_stage": (Insertion(), *_AFTER_ASCENT),
    "tanker": _PAD_TO_ORBIT,
    "launch_vehicle": _PAD_TO_ORBIT,
    "tower": (Receive(),),
}


class FlightPlanModel(BaseModel):
    """One vehicle's flight; body and vehicle by name or as tables. Checked by what `flight_plan_model` makes of it."""

    model_config = MODEL

    name: Title = ""
    """As shown for an inline plan; a file's plan has the name of the file."""
    title: Annotated[str, Field(max_length=200)] = ""
    body: BodyReference
    vehicle: VehicleReference = ""
    """Empty for a tower, which has none."""
    gravity: Literal["sphere", "j2"] = "j2"
    major_cycle_s: Annotated[float, Field(ge=0.05, le=10.0)] = 0.5
    """Vehicle time between solutions of the guidance equations."""
    site: SiteModel | None = None
    landing: LandingModel | None = None
    start: StartModel | None = None
    """Where `rehearse` begins."""
    target: TargetModel | None = None
    phases: Annotated[list[PhaseModel], Field(min_length=1, max_length=20)] | None = None
    """None: those of the role."""

    def phases_for(self, role: Role) -> tuple[Phase, ...]:
        """The phases of the plan, or the default ones of the role."""
        if self.phases is None:
            return DEFAULT_PHASES[role]
        return tuple(phase.to_domain() for phase in self.phases)


def flight_plan_model() -> type[FlightPlanModel]:
    """The model of a flight plan with the laws that the phase table has now."""
    return _model_with(tuple(row.model for row in LAWS.values() if row.model is not None))


@cache
def _model_with(models: tuple[type[PhaseModel], ...]) -> type[FlightPlanModel]:
    phase: Any = Annotated[reduce(or_, models), Field(discriminator="law")]
    phases: Any = (Annotated[list[phase], Field(min_length=1, max_length=20)] | None, None)
    return create_model("FlightPlanModel", __base__=FlightPlanModel, phases=phases)
