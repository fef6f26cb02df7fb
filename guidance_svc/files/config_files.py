"""The folder of TOML files: bodies/, vehicles/, flights/ and service.toml."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from math import radians
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from guidance_svc import domain
from guidance_svc.errors import ConfigError
from guidance_svc.files.settings import Settings
from guidance_svc.laws.plan_model import FlightPlanModel, flight_plan_model
from guidance_svc.laws.plan_rules import check_order, check_phases
from guidance_svc.plan.checks import check_plan
from guidance_svc.plan.targets import resolve_target
from guidance_svc.wire.plans import BodyModel, TargetModel, VehicleModel, parse_table

M = TypeVar("M")
Model = TypeVar("Model", bound=BaseModel)

FILE_SIZE_LIMIT_BYTES = 1_000_000
_STEM = re.compile(r"[A-Za-z0-9][A-Za-z0-9_\-]{0,63}")
_TOML_LINE = re.compile(r"\(at (line \d+, column \d+|end of document)\)$")


@dataclass(frozen=True, slots=True)
class Library:
    """Bodies, vehicles and flight plans by name; everything that an `open` may refer to.

    Args:
        files: from "flights/curlew" and the like to the file's path, for errors.
        folder: that was read, for errors.
    """

    bodies: Mapping[str, BodyModel] = field(default_factory=dict)
    vehicles: Mapping[str, VehicleModel] = field(default_factory=dict)
    flights: Mapping[str, FlightPlanModel] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)
    folder: str = ""

    def model(self, source: str | Mapping[str, Any]) -> FlightPlanModel:
        """The flight plan of that name, or the inline table, checked for itself.

        Raises:
            ConfigError: unknown name, or a bad table.
        """
        if isinstance(source, str):
            return _lookup(self.flights, source, "plan", "a flight plan", self.folder)
        return parse_table(flight_plan_model(), source)

    def plan(
        self, source: str | Mapping[str, Any], role: domain.Role, own_plane: bool = True
    ) -> domain.FlightPlan:
        """The whole plan, names resolved and its parts checked against each other.

        Args:
            own_plane: False where another plane is flown into: the target's own is left out and not checked.

        Raises:
            ConfigError: with file (for a named plan), key, what would work, and what stands there.
        """
        model = self.model(source)
        file = self.files.get(f"flights/{source}", "") if isinstance(source, str) else ""
        try:
            return self._build(model, source if isinstance(source, str) else model.name or "inline", role, own_plane)
        except ConfigError as error:
            raise ConfigError(error.code, error.field, error.expected, error.got, error.file or file) from None

    def role_for(self, source: str | Mapping[str, Any]) -> domain.Role:
        """What the vehicle of a plan is: without a site it begins in flight, from a site its stages decide.

        Raises:
            ConfigError: as `model`, or an unknown vehicle.
        """
        model = self.model(source)
        if model.phases is not None:
            phases = [phase.to_domain() for phase in model.phases]
            if not any(phase.flies for phase in phases):
                return "tower"
            from_pad, to_orbit = any(p.from_ground for p in phases), any(p.aims == "target" for p in phases)
        else:
            vehicle = self._vehicle(model)
            from_pad, to_orbit = model.site is not None, len(vehicle.stages) > 1
        return "upper_stage" if not from_pad else "launch_vehicle" if to_orbit else "booster"

    def inlined(self, source: str | Mapping[str, Any]) -> dict[str, Any]:
        """The plan as one table without references, as a recording keeps it.

        Raises:
            ConfigError: as `model`.
        """
        model = self.model(source)
        table = model.model_dump(exclude_none=True)
        table["body"] = self._look_up(model.body, self.bodies, "body").model_dump(exclude_none=True)
        if model.vehicle:
            table["vehicle"] = self._look_up(model.vehicle, self.vehicles, "vehicle").model_dump(exclude_none=True)
        else:
            del table["vehicle"]
        for key in ("body", "vehicle"):
            reference = getattr(model, key)
            if reference and isinstance(reference, str) and not table[key]["name"]:
                table[key]["name"] = reference
        if isinstance(source, str):
            table["name"] = source
        return table

    def _look_up(self, reference: str | M, known: Mapping[str, M], key: str) -> M:
        return _lookup(known, reference, key, f"a {key}", self.folder) if isinstance(reference, str) else reference

    def _flown(
        self, model: FlightPlanModel, phases: tuple[domain.Phase, ...], role: domain.Role
    ) -> domain.Vehicle:
        """The plan's vehicle; one without stages for a tower."""
        _check_role(phases, role)
        if any(phase.flies for phase in phases):
            name = model.vehicle if isinstance(model.vehicle, str) else "inline"
            kept_kg = next((p.reserve_kg for p in phases if isinstance(p, domain.Boost)), None)
            return self._vehicle(model).to_domain(name).keeping(kept_kg)
        if model.vehicle:
            expected = "no such key, because a tower does not fly"
            raise ConfigError("limits_contradict", "vehicle", expected, "a vehicle")
        return domain.Vehicle("", ())

    def _vehicle(self, model: FlightPlanModel) -> VehicleModel:
        if not model.vehicle:
            expected = 'a vehicle by name or as a table; only a plan for role "tower" has none'
            raise ConfigError("missing_field", "vehicle", expected, "nothing")
        return self._look_up(model.vehicle, self.vehicles, "vehicle")

    def _build(self, model: FlightPlanModel, name: str, role: domain.Role, own_plane: bool) -> domain.FlightPlan:
        body_name = model.body if isinstance(model.body, str) else "inline"
        phases = model.phases_for(role)
        body = self._look_up(model.body, self.bodies, "body").to_domain(model.gravity, body_name)
        plan = domain.FlightPlan(
            name=name,
            body=body,
            vehicle=self._flown(model, phases, role),
            target=None if model.target is None else _target(model.target, body),
            phases=phases,
            site=None if model.site is None else model.site.to_domain(),
            major_cycle_s=model.major_cycle_s,
            landing=None if model.landing is None else model.landing.landing(),
            start=None if model.start is None else model.start.to_domain(),
        )
        if plan.target is not None and not own_plane:
            plan = replace(plan, target=replace(plan.target, plane="free"))
        try:
            check_order(plan)
            check_plan(plan)
            check_phases(plan)
        except ConfigError as error:
            if model.phases is not None or not error.field.startswith("phases."):
                raise
            expected = f'{error.expected}; the phases are those of role "{role}": give the plan [[phases]] of its own'
            raise ConfigError(error.code, "phases", expected, error.got) from None
        return plan


def _check_role(phases: tuple[domain.Phase, ...], role: domain.Role) -> None:
    """A tower's plan is for a tower, every other one for a vehicle."""
    flies, law = any(phase.flies for phase in phases), phases[0].law
    if flies and role == "tower":
        raise ConfigError("wrong_role", "phases.0.law", 'receive, for role "tower"', law)
    if not flies and role != "tower":
        raise ConfigError("wrong_role", "phases.0.law", f'a law that flies, for role "{role}"; role "tower"', law)


def default_folder() -> Path:
    """The configs that came with the package, or those of the checkout it runs from."""
    package = Path(__file__).resolve().parent.parent
    shipped = package / "share" / "configs"
    return shipped if shipped.is_dir() else package.parent / "configs"


def chosen_folder(configs: Path | None = None) -> Path:
    """The folder asked for; else ./configs where it has flight plans; else the one that came with the package."""
    own = Path("configs")
    return configs or (own if (own / "flights").is_dir() else default_folder())


def load_library(folder: Path) -> Library:
    """Every body, vehicle and flight plan of a folder.

    Raises:
        ConfigError: the folder is missing, or the first bad file.
    """
    if not folder.is_dir():
        raise ConfigError("no_such_folder", "", "a folder with bodies/, vehicles/ and flights/", str(folder))
    files: dict[str, str] = {}
    return Library(
        bodies=_load_all(folder, "bodies", BodyModel, files),
        vehicles=_load_all(folder, "vehicles", VehicleModel, files),
        flights=_load_all(folder, "flights", flight_plan_model(), files),
        files=files,
        folder=str(folder),
    )


def load_flight_file(path: Path, library: Library) -> Library:
    """The library with one more flight plan, from a file anywhere, under the file's name.

    Raises:
        ConfigError: it cannot be read, or is a bad plan.
    """
    model = parse_table(flight_plan_model(), read_toml(path), str(path))
    flights = {**library.flights, path.stem: model}
    return replace(library, flights=flights, files={**library.files, f"flights/{path.stem}": str(path)})


def load_settings(folder: Path) -> Settings:
    """service.toml of the folder, or the defaults where there is none.

    Raises:
        ConfigError: naming file and key.
    """
    path = folder / "service.toml"
    return parse_table(Settings, read_toml(path), str(path)) if path.exists() else Settings()


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file as a dict; a byte-order mark at its beginning, as editors on Windows save it, is passed over.

    Raises:
        ConfigError: it cannot be read, is no UTF-8, or is no TOML; with the line where that is known.
    """
    try:
        data = path.read_bytes()
        if len(data) > FILE_SIZE_LIMIT_BYTES:
            raise ConfigError("file_too_long", "", f"at most {FILE_SIZE_LIMIT_BYTES} bytes", len(data), str(path))
        return tomllib.loads(data.decode("utf-8-sig"))
    except OSError as error:
        raise ConfigError("cannot_read", "", "a readable file", error.strerror or error, str(path)) from None
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise ConfigError("not_utf8", f"line {line}", "UTF-8 text", data[error.start : error.end], str(path)) from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        text = str(error)
        found = _TOML_LINE.search(text)
        where = found.group(1) if found else ""
        got = text[: found.start()].strip() if found else text
        raise ConfigError("not_toml", where, "TOML", got, str(path)) from None


def _load_all(folder: Path, kind: str, model: type[Model], files: dict[str, str]) -> dict[str, Model]:
    loaded: dict[str, Model] = {}
    for path in sorted((folder / kind).glob("*.toml")):
        if not _STEM.fullmatch(path.stem):
            raise ConfigError("bad_name", "", "a file name of letters, digits, - and _", path.name, str(path))
        files[f"{kind}/{path.stem}"] = str(path)
        loaded[path.stem] = parse_table(model, read_toml(path), str(path))
    return loaded


def _lookup(known: Mapping[str, M], name: str, key: str, what: str, folder: str) -> M:
    if name in known:
        return known[name]
    near = get_close_matches(name, known, 1)
    hint = f"; did you mean {near[0]}?" if near else ""
    where = f" in {folder}" if folder else ""
    expected = f"{what} among {', '.join(sorted(known)) or 'none'}{where}{hint}"
    raise ConfigError("unknown_name", key, expected, name)


def _target(model: TargetModel, body: domain.Body) -> domain.Target:
    cutoff_km = model.cutoff_altitude_km
    return resolve_target(
        body,
        1000.0 * model.perigee_altitude_km,
        1000.0 * model.apogee_altitude_km,
        None if cutoff_km is None else 1000.0 * cutoff_km,
        model.cutoff_side,
        model.plane,
        radians(model.inclination_deg or 0.0),
        radians(model.node_deg or 0.0),
    )
