"""Every number parameter of a public function carries its unit in its name, or is known to have none."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import guidance_svc

PACKAGE = Path(guidance_svc.__file__).parent
ROOMS = (
    "core", "laws", "orbits", "plan", "planning", "sim", "session", "report", "playback", "rehearsal", "files", "wire",
)  # fmt: skip
NUMBERS = {"float", "int", "float | None", "int | None"}
UNITS = (  # a longer unit ends in one of these: _kg_s in _s
    "_m", "_km", "_s", "_ms", "_us", "_ns", "_kg", "_n", "_pa", "_k", "_rad", "_deg", "_frac", "_unit", "_m_s2",
    "_m3_s2", "_m2", "_m2_s2", "_m2_s4", "_kg_m3", "_bytes", "_day", "_days", "_jd_tt",
    "_hz", "_in",
)  # fmt: skip
BARE_UNITS = {"day", "days", "jd_tt", "seconds"}  # the name is the unit
WITHOUT = {
    "eccentricity", "bend", "factor", "sigmas", "told_scale",  # dimensionless
    "count", "done", "most_flights", "number", "total", "steps",  # counts
    "engines", "engines_lit", "lit",  # counts of engines
    "first", "index", "seed", "spot", "stage",  # indices
    "reached", "limit",  # in the unit that comes beside them
}  # fmt: skip
IN_CORE = {  # kernels, whose docstrings say what these are
    "alpha", "flattening", "growth", "j2", "lift", "part", "psi", "score", "sharp",  # dimensionless
    "doubt", "exhaust_sigma", "flow", "flow_sigma", "flow_slope", "slope", "thrust", "thrust_sigma",  # of a plan's
    "columns", "freedom", "iterations", "most_steps", "open_count", "pieces", "rows", "samples", "slices", "unknowns",
    "within",  # counts
    "i", "k", "kind", "last_burn", "law", "p", "q",  # indices
    "a", "b", "c", "x", "y", "z", "vertical", "north", "east", "radial",  # parts of a vector of any unit
    "after", "before", "beyond", "here", "level", "now", "otherwise", "soon",  # values of one quantity, of any unit
    "expected", "fast", "least", "mean", "shared", "slow", "squares", "unsure",  # variances
    "first_burn",  # over `Wanted.time_s`
}  # fmt: skip
SEQ = {"seq", "first_seq", "link"}  # numbers of messages and connections
IN_ROOM = {
    "core": IN_CORE,
    "sim": SEQ | {"flattening", "k", "first_upper"},
    # of the history: places in its stream, branches, most marks; of the readings: factors and a sign
    "session": SEQ | {"at", "base", "branch", "end", "most", "most_bare", "place", "start", "sign", "speed"},
    # indices; values, variances and the floor of any unit; parts of a drawing, in points or lines; factors
    "report": {"last", "column", "axes", "constants", "free", "stride", "floor", "value", "variance", "low", "high",
               "places", "mach"},
    "playback": SEQ | {"most_states", "of"},
    "rehearsal": SEQ | {"state_every", "sigma", "x", "y"},  # ticks; of any unit
    "wire": SEQ | {"low", "high"},
    "planning": {"price"},  # kilograms of one propellant for one of another
}  # fmt: skip


def bare_numbers(path: Path, room: str = "") -> Iterator[str]:
    """The number parameters of a file's public functions and methods whose names tell no unit."""
    without = WITHOUT | IN_ROOM.get(room, set())
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) or node.name.startswith("_"):
            continue
        for one in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs):
            if one.annotation is None or ast.unparse(one.annotation) not in NUMBERS or one.arg in without:
                continue
            if not one.arg.endswith(UNITS) and one.arg not in BARE_UNITS:
                yield f"{path.name}:{node.lineno} {node.name}({one.arg})"


@pytest.mark.parametrize("room", ROOMS)
def test_every_number_parameter_tells_its_unit(room: str) -> None:
    files = sorted((PACKAGE / room).rglob("*.py"))
    assert len(files) > 1
    assert [found for path in files for found in bare_numbers(path, room)] == []


def test_a_number_without_unit_is_found(tmp_path: Path) -> None:
    source = "def one(mu: float, *, time_s: float, k: int | None = None, count: int = 1) -> None: ...\n"
    (tmp_path / "odd.py").write_text(source + "def _two(mu: float) -> None: ...\n", encoding="utf-8")
    assert list(bare_numbers(tmp_path / "odd.py")) == ["odd.py:1 one(mu)", "odd.py:1 one(k)"]
