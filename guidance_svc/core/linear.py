"""Small linear systems: a matrix of a few rows inverted, and an inverse kept up to date.

A matrix is a flat sequence, row after row.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from math import sqrt

from guidance_svc.core.compiled import part

LEAST_FRAC = 1e-11  # a pivot or a singular value below this part of the largest counts as none
SWEEPS = 12  # of Jacobi rotations; 6 to 8 are usual
RIGHT_ANGLE = 4e-15  # cosine at which two rows count as at right angles: rounding over seven terms reaches 1e-15


@part
def set_pseudo_inverse(matrix: Sequence[float], rows: int, columns: int, inverse: MutableSequence[float]) -> int:
    """Write the pseudo-inverse (columns x rows) of a matrix (rows x columns) into `inverse`.

    Returns: rotations made, none where the matrix is square and regular.

    Accuracy: equal to numpy.linalg.pinv with the same threshold to 1e-13 times the condition number
    (tests/core/test_linear.py).
    """
    if rows == columns and set_inverse(matrix, rows, inverse):
        return 0
    return set_pseudo_inverse_by_rotations(matrix, rows, columns, inverse)


@part
def set_inverse(matrix: Sequence[float], count: int, inverse: MutableSequence[float]) -> bool:
    """Write the inverse of a square matrix into `inverse`; False where it is singular, and `inverse` is then undefined.

    Gauss-Jordan elimination in place with full pivoting.
    """
    a = [matrix[k] for k in range(count * count)]
    column_of, row_of = [-1] * count, [-1] * count  # the pivot of each row and column
    largest = 0.0
    for step in range(count):
        pivot, p, q = 0.0, -1, -1
        for i in range(count):
            if column_of[i] < 0:
                for j in range(count):
                    if row_of[j] < 0 and abs(a[i * count + j]) > pivot:
                        pivot, p, q = abs(a[i * count + j]), i, j
        largest = pivot if step == 0 else largest
        if p < 0 or pivot <= LEAST_FRAC * largest:
            return False
        column_of[p], row_of[q] = q, p
        k = 1.0 / a[p * count + q]
        a[p * count + q] = 1.0
        for j in range(count):
            a[p * count + j] *= k
        for i in range(count):
            if i != p:
                k = a[i * count + q]
                a[i * count + q] = 0.0
                for j in range(count):
                    a[i * count + j] -= k * a[p * count + j]
    for i in range(count):
        for j in range(count):
            inverse[column_of[i] * count + row_of[j]] = a[i * count + j]
    return True


@part
def set_pseudo_inverse_by_rotations(
    matrix: Sequence[float], rows: int, columns: int, inverse: MutableSequence[float]
) -> int:
    """The same for any matrix, from its singular values: rows turned against each other until all are at right angles.

    Rows too short to count are left alone: what is between them is rounding, and never comes to a right angle.

    Source: the one-sided Jacobi method; G. H. Golub, C. F. Van Loan, Matrix Computations, 3rd ed., section 8.6.3
    (from memory).
    """
    w = [matrix[k] for k in range(rows * columns)]
    turned = [1.0 if k % (rows + 1) == 0 else 0.0 for k in range(rows * rows)]
    squares, rotations = squares_of(w, rows, columns), 0
    for _ in range(SWEEPS):
        rest, least = 0.0, LEAST_FRAC * LEAST_FRAC * max(squares)
        for p in range(rows - 1):
            for q in range(p + 1, rows):
                if squares[p] > least and squares[q] > least:
                    rest = max(rest, right_angled(w, turned, p, q, rows, columns))
                    rotations += 1
        squares = squares_of(w, rows, columns)
        if rest < RIGHT_ANGLE:
            break
    least = LEAST_FRAC * LEAST_FRAC * max(squares)
    for j in range(columns):
        for i in range(rows):
            total = 0.0
            for k in range(rows):
                if squares[k] > least:
                    total += w[k * columns + j] * turned[k * rows + i] / squares[k]
            inverse[j * rows + i] = total
    return rotations


@part
def squares_of(w: Sequence[float], rows: int, columns: int) -> list[float]:
    """The square of each row's length."""
    out = [0.0] * rows
    for k in range(rows):
        for j in range(columns):
            out[k] += w[k * columns + j] * w[k * columns + j]
    return out


@part
def right_angled(
    w: MutableSequence[float], turned: MutableSequence[float], p: int, q: int, rows: int, columns: int
) -> float:
    """Turn two rows of `w`, and those of `turned`, to a right angle; returns the cosine between them before."""
    pp = pq = qq = 0.0
    for j in range(columns):
        a, b = w[p * columns + j], w[q * columns + j]
        pp, pq, qq = pp + a * a, pq + a * b, qq + b * b
    sizes = sqrt(pp) * sqrt(qq)
    if pq == 0.0 or sizes == 0.0:
        return 0.0
    half = 0.5 * (qq - pp) / pq
    t = (1.0 if half >= 0.0 else -1.0) / (abs(half) + sqrt(1.0 + half * half))
    c = 1.0 / sqrt(1.0 + t * t)
    s = c * t
    for j in range(columns):
        a, b = w[p * columns + j], w[q * columns + j]
        w[p * columns + j], w[q * columns + j] = c * a - s * b, s * a + c * b
    for j in range(rows):
        a, b = turned[p * rows + j], turned[q * rows + j]
        turned[p * rows + j], turned[q * rows + j] = c * a - s * b, s * a + c * b
    return abs(pq) / sizes


@part
def product(matrix: Sequence[float], vector: Sequence[float], rows: int) -> list[float]:
    """Matrix (rows x the vector's length) times vector."""
    out = [0.0] * rows
    at = 0
    for i in range(rows):
        total = 0.0
        for x in vector:
            total += matrix[at] * x
            at += 1
        out[i] = total
    return out


@part
def learn_step(inverse: MutableSequence[float], step: Sequence[float], ahead: Sequence[float], rows: int) -> None:
    """Bring an inverse Jacobian (the step's length x rows) up to date with what one step showed.

    Args:
        step: in the unknowns: minus the inverse times the residual before it.
        ahead: the inverse times the residual after it.

    Source: C. G. Broyden, A class of methods for solving nonlinear simultaneous equations, Mathematics of Computation
    19, 1965, his first method in the form for the inverse (from memory).
    """
    count = len(step)
    scale = 0.0
    for k in range(count):
        scale += step[k] * (ahead[k] + step[k])
    if scale == 0.0:
        return
    along = [0.0] * rows
    at = 0
    for k in range(count):
        for j in range(rows):
            along[j] += step[k] * inverse[at]
            at += 1
    at = 0
    for k in range(count):
        part = ahead[k] / scale
        for j in range(rows):
            inverse[at] -= part * along[j]
            at += 1
