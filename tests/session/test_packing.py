"""Values as bytes and back: equal to the last bit, and refused when they are something else."""

from __future__ import annotations

from dataclasses import dataclass, make_dataclass
from typing import Annotated, Any, NewType, TypeVar, get_args

import msgpack
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from typing_extensions import TypeAliasType

from guidance_svc.domain import (
    Answer,
    Arrival,
    ArrivalStatus,
    Body,
    Clearance,
    Event,
    FlightPlan,
    Frame,
    LocalState,
    OpenRequest,
    Readings,
    TowerReport,
    VehicleState,
)
from guidance_svc.session.packing import pack, shape, unpack
from guidance_svc.session.registry import session_shape
from guidance_svc.session.session import Point, Session
from tests.session.exchange import CLIMB, LATE, climb_flight, late_flight
from tests.session.remembered import burn_of

Scalar = TypeVar("Scalar", bound=np.generic)
First, Second = TypeVar("First"), TypeVar("Second")
Array = np.ndarray[tuple[Any, ...], np.dtype[np.float64]]
GENERIC = TypeAliasType("GENERIC", np.ndarray[Any, np.dtype[Scalar]], type_params=(Scalar,))
SWAPPED = TypeAliasType("SWAPPED", tuple[Second, First], type_params=(First, Second))
NUMBERS = st.floats(allow_nan=False)
VECTORS = st.tuples(NUMBERS, NUMBERS, NUMBERS)
MAYBE = st.none() | NUMBERS
READINGS = st.builds(
    Readings, contact=st.none() | st.booleans(), engines_lit=st.none() | st.integers(0, 100),
    attitude_rate_script_rad_s=st.none() | VECTORS, angle_of_attack_rad=MAYBE, wind_script_m_s=st.none() | VECTORS,
)  # fmt: skip
CLEARANCES = st.sampled_from(get_args(Clearance))
ANSWERS = st.builds(
    Answer, clearance=CLEARANCES, ready_at_s=MAYBE, catch_offset_m=VECTORS, wind_m_s=st.none() | VECTORS
)
ARRIVALS = st.builds(
    Arrival, *[st.text(max_size=64)] * 2, *[NUMBERS] * 3, VECTORS, *[NUMBERS] * 3,
    st.sampled_from(get_args(ArrivalStatus)), MAYBE, CLEARANCES, VECTORS,
)  # fmt: skip
TOWERS = st.builds(
    TowerReport, st.booleans(), MAYBE, st.lists(st.tuples(st.text(max_size=64), CLEARANCES), max_size=3).map(tuple),
    st.none() | VECTORS, VECTORS, st.lists(ARRIVALS, max_size=2).map(tuple),
)  # fmt: skip
STATES = st.builds(
    VehicleState, seq=st.integers(0, 2**53), time_s=NUMBERS, mass_kg=NUMBERS, position_script_m=st.none() | VECTORS,
    velocity_script_m_s=st.none() | VECTORS, local=st.none() | st.builds(LocalState, *[NUMBERS] * 6),
    thrust_n=MAYBE, throttle_frac=MAYBE, pointing_script=st.none() | VECTORS, stage=st.none() | st.integers(0, 100),
    engine_on=st.none() | st.booleans(), propellant_kg=MAYBE, seen_event=st.none() | st.text(max_size=64),
    readings=st.none() | READINGS, answer=st.none() | ANSWERS, tower=st.none() | TOWERS,
)  # fmt: skip


@given(STATES)
def test_any_state_comes_back_as_it_was(state: VehicleState) -> None:
    assert unpack(VehicleState, pack(state)) == state


@pytest.mark.parametrize(("plan", "flight"), [(LATE, late_flight), (CLIMB, lambda: climb_flight(900))])
def test_a_session_comes_back_as_it_was_in_every_phase(plan: FlightPlan, flight) -> None:  # type: ignore[no-untyped-def]
    session = Session(plan, Frame())
    phases = set()
    for at, exchange in enumerate(flight()):
        session.state(exchange.message)
        if at % 7 == 0:
            assert session.point is not None
            back = unpack(Point, pack(session.point))
            assert back == session.point
            burn, burn_back = burn_of(session.point), burn_of(back)
            law = burn.law if burn else None  # equality leaves the Jacobian out
            if law is not None and law.inverse is not None:
                kept = burn_back.law if burn_back else None
                assert kept is not None
                assert kept.inverse is not None
                assert (kept.inverse == law.inverse).all()
                assert kept.inverse.dtype == law.inverse.dtype
            phases.add(exchange.reply.phase)
    assert len(phases) >= 3


def test_numpys_numbers_come_back_as_pythons() -> None:
    state = VehicleState(np.int64(3), np.float64(0.1), np.float64(2.0), engine_on=np.bool_(True))  # type: ignore[arg-type]
    assert unpack(VehicleState, pack(state)) == VehicleState(3, 0.1, 2.0, engine_on=True)


@pytest.mark.parametrize("plan", [LATE, CLIMB])
def test_what_was_opened_comes_back_with_every_kind_of_phase(plan: FlightPlan) -> None:
    request = OpenRequest("curlew", "tanker", plan, Frame(up="geodetic"), None, True, True)
    assert unpack(OpenRequest, pack(request)) == request


@pytest.mark.parametrize(
    "data",
    [b"", b"\xc1", msgpack.packb([1, 2]), msgpack.packb({"a": 1}), msgpack.packb(7), pack(Event("0", "coast", 1.0))],
)
def test_bytes_of_something_else_are_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match="no bytes of a Point"):
        unpack(Point, data)


def test_the_shape_names_everything_that_a_value_is_made_of() -> None:
    assert len(session_shape()) == 16
    assert shape(Event) != shape(Body)
    assert shape(Event, Body) == shape(Body, Event)
    assert shape(FlightPlan) != shape(Body)  # though a plan holds a body


ARRAYS = {
    "the class": np.ndarray,
    "with arguments": Array,
    "numpy's name": NDArray[np.float64],
    "a named type": TypeAliasType("Named", Array),
    "a name with parameters, as numpy's since 2.5": GENERIC[np.float64],
    "a name of a name": TypeAliasType("Again", GENERIC[np.float64]),
    "with a note": Annotated[GENERIC[np.float64], "rad"],
    "a new type": NewType("Fresh", Array),
}


@pytest.mark.parametrize("hint", ARRAYS.values(), ids=ARRAYS)
def test_an_array_is_kept_under_whatever_name_its_type_goes(hint: Any) -> None:
    kind = make_dataclass("Kept", [("slope", hint), ("maybe", hint | None)])
    plain = make_dataclass("Kept", [("slope", Array), ("maybe", Array | None)])
    back = unpack(kind, pack(kind(np.array([[1.0, 2.0]]), None)))
    assert back.slope.dtype == np.float64
    assert (back.slope == [[1.0, 2.0]]).all()
    assert back.maybe is None
    assert shape(kind) == shape(plain)  # else sessions were set aside with every new numpy


def test_a_name_with_parameters_gives_each_argument_its_place() -> None:
    kind = make_dataclass("Kept", [("pair", SWAPPED[str, Event])])
    value = kind((Event("0", "coast", 1.0), "x"))
    assert unpack(kind, pack(value)) == value


@dataclass
class Odd:
    """Holds what nobody can keep."""

    what: complex


def test_a_type_that_cannot_be_kept_is_found_when_the_program_starts() -> None:
    with pytest.raises(TypeError, match="complex"):
        shape(Odd)
