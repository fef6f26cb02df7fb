"""Plain and compiled kernels come from one source and give the same numbers."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from guidance_svc.core.compiled import HAVE_NUMBA

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
