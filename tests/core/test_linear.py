"""Small linear systems against numpy's."""

from __future__ import annotations

import numpy as np
import pytest

from guidance_svc.core.compiled import column
from guidance_svc.core.linear import learn_step, set_pseudo_inverse

DICE = np.random.default_rng(11)


def inverse_of(matrix: np.ndarray) -> np.ndarray:
    """By the kernel."""
    return inverse_and_rotations(matrix)[0]


def inverse_and_rotations(matrix: np.ndarray) -> tuple[np.ndarray, int]:
    """By the kernel, and how many rotations that took."""
    rows, columns = matrix.shape
    out = column([0.0] * (rows * columns))
    rotations = set_pseudo_inverse(column(matrix.ravel().tolist()), rows, columns, out)
    return np.array(out).reshape(columns, rows), rotations


@pytest.mark.parametrize("shape", [(7, 7), (4, 4), (3, 4)])
def test_an_inverse_is_numpys(shape: tuple[int, int]) -> None:
    for _ in range(20):
        matrix = DICE.normal(size=shape) * 10.0 ** DICE.uniform(-3.0, 3.0, size=shape[1])
        wanted = np.linalg.pinv(matrix, rcond=1e-11)
        bound = 1e-13 * np.linalg.cond(matrix) * np.abs(wanted).max()
        assert np.abs(inverse_of(matrix) - wanted).max() < bound


@pytest.mark.parametrize("rank", [0, 1, 3, 6])
def test_a_singular_matrix_has_numpys_pseudo_inverse(rank: int) -> None:
    matrix = DICE.normal(size=(7, rank)) @ DICE.normal(size=(rank, 7))
    wanted = np.linalg.pinv(matrix, rcond=1e-11)
    assert np.abs(inverse_of(matrix) - wanted).max() <= 1e-9 * np.abs(wanted).max()


@pytest.mark.parametrize("rank", [0, 1, 3, 6, 7])
def test_rows_that_are_rounding_alone_are_not_turned_on_and_on(rank: int) -> None:
    # seven rows have 21 pairs; between rows of rounding no angle ever becomes right, and 30 sweeps took 630 rotations
    for scales in (np.ones(7), 10.0 ** DICE.uniform(-4.0, 4.0, size=7)):
        matrix = DICE.normal(size=(7, rank)) @ DICE.normal(size=(rank, 7)) * scales
        _, rotations = inverse_and_rotations(matrix)
        assert rotations == 0 if rank in (0, 7) else 0 < rotations <= 8 * 21


def test_a_step_taught_to_an_inverse_is_the_one_it_gives_from_then_on() -> None:
    # Broyden's condition: the new inverse maps the change of the residual onto the step
    inverse, before, after = DICE.normal(size=(7, 7)), DICE.normal(size=7), 0.1 * DICE.normal(size=7)
    step, kept = -inverse @ before, column(inverse.ravel().tolist())
    learn_step(kept, column(step.tolist()), column((inverse @ after).tolist()), 7)
    assert np.array(kept).reshape(7, 7) @ (after - before) == pytest.approx(step, rel=1e-9)
