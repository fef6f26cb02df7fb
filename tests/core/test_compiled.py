"""Plain and compiled kernels come from one source and give the same numbers."""

from __future__ import annotations

import json
import subprocess
import sys
from math import inf
from typing import Any

import pytest

from guidance_svc.core.compiled import HAVE_NUMBA, kernel
from guidance_svc.core.estimator import FIRST, NO_SAMPLE, NOTHING, EngineEstimate, watch
from guidance_svc.core.thrust_line import NO_LINE, NO_NOISE, Anchor, Reading

PLAIN = "import sys; sys.modules['numba'] = None; import importlib.util as u; f = u.find_spec; " \
    "u.find_spec = lambda name, *a: None if name == 'numba' else f(name, *a); "  # fmt: skip
SOLVED = """
import json
from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.core.steering import refine, refine_cutoff, refine_direction
from tests.core.test_steering import problem_of, random_problem, solved
out = []
for problem in [problem_of("V06"), problem_of("V08"), *map(random_problem, range(4))]:
    law, start = solved(problem)
    end = refine_cutoff(problem, law)
    for one in (law, refine(problem, law, 4), refine_direction(problem, law, 4), end):
        out.append([*one.steer, one.burn_s, one.cutoff_s, *one.position_m, *one.velocity_m_s, one.gain_m_s])
print(json.dumps([HAVE_NUMBA, out]))
"""


def numbers(before: str) -> tuple[bool, list[list[float]]]:
    """Laws solved in a process of its own."""
    done = subprocess.run([sys.executable, "-c", before + SOLVED], capture_output=True, text=True, check=True)
    compiled, laws = json.loads(done.stdout.splitlines()[-1])
    return compiled, laws


@pytest.mark.slow
@pytest.mark.skipif(not HAVE_NUMBA, reason="numba is not installed")
def test_laws_solved_plain_and_compiled_agree() -> None:
    (without, plain), (with_it, compiled) = numbers(PLAIN), numbers("")
    assert (without, with_it) == (False, True)
    worst = 0.0
    for a, b in zip(plain, compiled, strict=True):
        for vector in (slice(0, 3), slice(3, 4), slice(4, 5), slice(5, 8), slice(8, 11), slice(11, 12)):
            size = max(abs(x) for x in a[vector])
            worst = max(worst, *(abs(x - y) / size for x, y in zip(a[vector], b[vector], strict=True)))
    assert worst < 1e-12


def watched(states: int, lost_frac: float) -> tuple[float, ...]:
    """The engine estimate after a burn of 24 t with 188 kN and 3400 m/s, noise of 4 cm/s, some thrust lost half way."""
    readings = [Reading(0.0, NOTHING, NOTHING, 0.0, 0.0)]
    anchors = [Anchor(0.0, 0, NOTHING, NOTHING, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)]
    engine = EngineEstimate(
        anchors[:0], readings[:0], 0, NO_SAMPLE, FIRST, FIRST, NO_LINE, NO_LINE, NO_NOISE, -inf
    )  # type: ignore[arg-type]
    mass, thrust, vx, vz = 24e3, 0.97 * 188e3, 0.0, 0.0
    for k in range(states):
        noise = 0.01 * ((k * 7919) % 13 - 6)
        thrust = thrust * (1.0 - lost_frac) if k == states // 2 else thrust
        push = (0.8 * 188e3 / mass, 0.0, 0.6 * 188e3 / mass)
        engine = watch(engine, 0.1 * k, (vx + noise, 0.0, vz), (0.0, 0.0, -9.0), push, 1.0, mass, 188e3 / 3400.0)
        vx, vz = vx + 0.08 * thrust / mass, vz + 0.06 * thrust / mass - 0.9
        mass -= 0.1 * thrust / 3400.0
    known, noise_found, line = engine.known, engine.noise, engine.line
    return (
        known.thrust, known.flow, known.thrust_sigma, known.exhaust_sigma, noise_found.fast_m_s, noise_found.slow_m_s,
        line.middle_m_s, engine.jumped_at_s,
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.skipif(not HAVE_NUMBA, reason="numba is not installed")
@pytest.mark.parametrize("lost_frac", [0.0, 0.25])
def test_engine_estimates_plain_and_compiled_agree(lost_frac: float) -> None:
    compiled: Any = kernel(watched)
    found = compiled(300, lost_frac)
    assert found == pytest.approx(watched(300, lost_frac), rel=1e-12)
    assert (found[-1] > 15.0) is (lost_frac > 0.0)  # the loss after 15 s was seen, and there only
