"""Three-vectors as tuples of floats; the same source runs plain and compiled."""

from __future__ import annotations

from math import cos, sin, sqrt

from guidance_svc.core.compiled import part
from guidance_svc.domain import Vec


@part
def add(a: Vec, b: Vec) -> Vec:
    """a + b, of vectors of one unit and frame."""
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])


@part
def sub(a: Vec, b: Vec) -> Vec:
    """a - b, of vectors of one unit and frame."""
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


@part
def scale(k: float, a: Vec) -> Vec:
    """k a, in the unit of their product."""
    return (k * a[0], k * a[1], k * a[2])


@part
def along(a: Vec, k: float, b: Vec) -> Vec:
    """a + k b."""
    return (a[0] + k * b[0], a[1] + k * b[1], a[2] + k * b[2])


@part
def dot(a: Vec, b: Vec) -> float:
    """Scalar product, in the product of both units."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@part
def cross(a: Vec, b: Vec) -> Vec:
    """Vector product by the right-hand rule, in the product of both units."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


@part
def norm(a: Vec) -> float:
    """Length, in the unit of a."""
    return sqrt(a[0] * a[0] + a[1] * a[1] + a[2] * a[2])


@part
def unit(a: Vec) -> Vec:
    """a / |a|; raises ZeroDivisionError for the null vector."""
    k = 1.0 / sqrt(a[0] * a[0] + a[1] * a[1] + a[2] * a[2])
    return (k * a[0], k * a[1], k * a[2])


@part
def turn_about(a: Vec, axis_unit: Vec, angle_rad: float) -> Vec:
    """a turned about a unit axis by the right-hand rule (Rodrigues' formula)."""
    c, s = cos(angle_rad), sin(angle_rad)
    k = (1.0 - c) * dot(axis_unit, a)
    n = cross(axis_unit, a)
    return (
        c * a[0] + s * n[0] + k * axis_unit[0],
        c * a[1] + s * n[1] + k * axis_unit[1],
        c * a[2] + s * n[2] + k * axis_unit[2],
    )
