"""Uncertainty of a least-squares line when its residuals hang together over time.

Measurement noise is taken as a white part and a part that forgets itself over some seconds (first-order Markov). How
much of each there is follows from the residuals by restricted maximum likelihood, which allows for what the fit itself
has taken out of them; the uncertainty is the mean over all candidates, weighed by their likelihood, so that a short
burn that cannot tell slow noise from thrust says so.

Source: Patterson and Thompson 1971, Biometrika 58, 545 (restricted likelihood), Newey and West 1987, Econometrica 55,
703 (covariance of ordinary least squares under correlated noise); both recalled, not looked up: memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt
from typing import Final, NamedTuple

import numpy as np

from guidance_svc.report.track import Floats, Ints

MOST_BLOCKS: Final = 120  # of neighbouring states, averaged
MEMORIES_S: Final = (0.25, 0.7, 2.0, 6.0, 16.0)
SHARES: Final = (0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 100.0, 1e4)  # variance of the slow part over a block's white one


@dataclass(frozen=True, slots=True)
class Slow:
    """The slow part of the noise.

    Args:
        sigma: one sigma, in the unit of the residuals.
        memory_s: over which it forgets itself.
    """

    sigma: float = 0.0
    memory_s: float = 0.0

    def of_mean(self, span_s: float) -> float:
        """One sigma of its mean over a span: 2 x memory seconds count as one independent sample."""
        return self.sigma * sqrt(min(1.0, 2.0 * self.memory_s / max(span_s, 1e-9)))


def with_correlation(
    times_s: Floats, groups: Ints, columns: Floats, rest: Floats, inverse: Floats, axes: int, vague: Floats
) -> tuple[Floats, Slow]:
    """Covariance of ordinary least squares, and the slow part of the noise.

    Args:
        times_s, groups: of each state used, and the stretch that it belongs to; each stretch has a constant of its own.
        columns: (n x axes, parameters), less their stretch's mean; the rows of one state follow each other.
        rest: residuals, (n x axes,).
        inverse: of the normal matrix, a vague guess included.
        vague: (parameters,) variance of what the vague guess adds to the right side.
    """
    size, count = len(times_s), columns.shape[1]
    blocks = _blocks(groups, max(1, -(-size // MOST_BLOCKS)))
    weight = np.bincount(blocks).astype(float)
    x = _average(columns.reshape(size, axes * count), blocks, weight).reshape(-1, axes, count)
    r = _average(rest.reshape(size, axes), blocks, weight)
    at_s = _average(times_s[:, None], blocks, weight)[:, 0]
    stretch = groups[np.searchsorted(blocks, np.arange(len(weight)))]
    constants = (stretch[:, None] == np.unique(stretch)[None, :]).astype(float)
    if len(weight) * axes - count - axes * constants.shape[1] < 3:
        return inverse * float(rest @ rest) / max(size * axes - count, 1), Slow()
    root = np.sqrt(weight)[:, None]  # of a block's white noise, which is 1 over its weight
    flat = root * np.concatenate([x.reshape(len(weight), -1), r, constants], axis=1)
    kernel, usual = root * root.T, float(np.mean(1.0 / weight))
    apart_s = np.abs(at_s[:, None] - at_s[None, :])
    found = [_judge(flat, np.ones(len(weight)), axes, count, Slow())]
    for memory_s in MEMORIES_S:
        sizes, turn = np.linalg.eigh(kernel * np.exp(-apart_s / memory_s))
        turned = turn.T @ flat
        for share in SHARES:
            noise = 1.0 + share * usual * np.maximum(sizes, 0.0)
            found.append(_judge(turned, noise, axes, count, Slow((share * usual) ** 0.5, memory_s)))
    odds = np.exp(np.array([one.likelihood for one in found]) - max(one.likelihood for one in found))
    odds /= np.sum(odds)
    inner = np.sum([o * one.inner for o, one in zip(odds, found, strict=True)], axis=0)
    variance = float(sum(o * one.slow.sigma**2 for o, one in zip(odds, found, strict=True)))
    memory = sum(o * one.slow.memory_s for o, one in zip(odds, found, strict=True)) / max(np.sum(odds[1:]), 1e-9)
    return inverse @ (inner + np.diag(vague)) @ inverse, Slow(variance**0.5, float(memory))


class Judged(NamedTuple):
    """A candidate: its restricted log likelihood, the covariance of the normal equations' right side, its slow part."""

    likelihood: float
    inner: Floats
    slow: Slow


def _judge(flat: Floats, noise: Floats, axes: int, count: int, slow: Slow) -> Judged:
    """One candidate, its noise made independent.

    Args:
        flat: rows whose noise is independent: columns of all axes, residuals, stretches' constants.
        noise: relative variance of each row.
        slow: its sigma relative to the white noise of one state.
    """
    blocks = len(flat)
    even = flat / np.sqrt(noise)[:, None]
    own, rest = even[:, : axes * count].reshape(blocks, axes, count), even[:, axes * count : axes * (count + 1)]
    base, corner = np.linalg.qr(even[:, axes * (count + 1) :])
    own = own - (base @ (base.T @ own.reshape(blocks, -1))).reshape(own.shape)
    rest = rest - base @ (base.T @ rest)
    normal = np.einsum("bap,baq->pq", own, own)
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    values, vectors = np.linalg.eigh(normal / np.outer(scale, scale))
    good = values > 1e-10
    right = (np.einsum("bap,ba->p", own, rest) / scale) @ vectors[:, good]
    left = max(float(np.sum(rest**2)) - float(np.sum(right**2 / values[good])), 1e-300)
    freedom = max(axes * (blocks - base.shape[1]) - int(np.sum(good)), 1)
    sizes = axes * (float(np.sum(np.log(noise))) + 2.0 * float(np.sum(np.log(np.abs(np.diag(corner))))))
    sizes += float(np.sum(np.log(values[good]))) + 2.0 * float(np.sum(np.log(scale)))
    variance = left / freedom
    full = flat[:, : axes * count].reshape(blocks, axes, count)
    inner = variance * np.einsum("b,bap,baq->pq", noise, full, full)
    return Judged(-0.5 * (sizes + freedom * log(left)), inner, Slow(slow.sigma * variance**0.5, slow.memory_s))


def _blocks(groups: Ints, most: int) -> Ints:
    """Number of the block that each row belongs to: up to so many neighbours of one stretch."""
    new = np.concatenate([[True], np.diff(groups) != 0])
    start = np.maximum.accumulate(np.where(new, np.arange(len(groups)), 0))
    fresh = new | ((np.arange(len(groups)) - start) % most == 0)
    return np.asarray(np.cumsum(fresh) - 1, dtype=np.int64)


def _average(rows: Floats, blocks: Ints, weight: Floats) -> Floats:
    out = np.zeros((len(weight), rows.shape[1]))
    np.add.at(out, blocks, rows)
    return out / weight[:, None]
