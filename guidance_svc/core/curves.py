"""Curves given by a few points."""

from __future__ import annotations

from collections.abc import Sequence

from guidance_svc.core.compiled import kernel


@kernel
def interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Linear between points, flat outside; xs rising, at least one point.

    >>> interpolate(1.5, (1.0, 2.0), (10.0, 20.0)), interpolate(9.0, (1.0, 2.0), (10.0, 20.0))
    (15.0, 20.0)
    """
    if x <= xs[0]:
        return ys[0]
    for i in range(1, len(xs)):
        if x < xs[i]:
            return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    return ys[len(ys) - 1]
