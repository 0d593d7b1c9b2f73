"""Maximum likelihood of latent class models: EM, then Newton's method, with a certificate on the boundary too."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.latent_model import ClassFit, Parts, differentiate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.latent_patterns import PatternTable

__all__ = ["EM_STEPS", "TOLERANCE", "climb", "expectation_maximisation"]

TOLERANCE = 1e-8
"""Largest gap of a fit that counts as converged, for one row."""

EM_STEPS = 30
_NEWTON_STEPS = 60
_DIFFERENCE = 1e-5
_LONGEST_STEP = 3.0
_TINY = 1e-300
_CHUNK = 3_000_000
"""Numbers in one array of the Newton step: about 25 MB."""


def _normalised(part: NDArray[np.float64], otherwise: NDArray[np.float64]) -> NDArray[np.float64]:
    total = part.sum(axis=-1, keepdims=True)
    # a group or class without rows keeps what it had
    return np.where(total > 0, part / np.where(total > 0, total, 1.0), otherwise)


def expectation_maximisation(table: PatternTable, weights: NDArray[np.float64], parts: Parts, steps: int) -> Parts:
    """Some steps of EM (Dempster, Laird & Rubin 1977, from memory) from given values."""
    for _ in range(steps):
        _, derivatives, _ = differentiate(table, weights, parts)
        parts = [_normalised(p * d, p) for p, d in zip(parts, derivatives, strict=True)]
    return parts


def _slopes(parts: Parts, derivatives: Parts) -> Parts:
    """Derivative towards every corner of every multinomial."""
    return [d - (p * d).sum(axis=-1, keepdims=True) for p, d in zip(parts, derivatives, strict=True)]


def _flat(parts: Parts) -> NDArray[np.float64]:
    return np.concatenate([part.reshape(len(part), -1) for part in parts], axis=1)


def _moved(parts: Parts, step: NDArray[np.float64]) -> Parts:
    """Multiply all probabilities by exp(step), shape (B, ..., d), and normalise."""
    out, start = [], 0
    for part in parts:
        size = part[0].size
        factor = np.exp(step[:, start : start + size]).reshape(part.shape)
        out.append(_normalised(part * factor, part))
        start += size
    return out


def _newton_step(table: PatternTable, weights: NDArray[np.float64], parts: Parts) -> NDArray[np.float64]:
    """Ascent direction in the logarithms of the probabilities: Newton's with the curvatures taken as negative."""
    b, d = len(weights), _flat(parts).shape[1]
    shifts = _DIFFERENCE * np.concatenate([np.eye(d), -np.eye(d)])
    many = [np.repeat(part, 2 * d, axis=0) for part in parts]
    many = _moved(many, np.tile(shifts, (b, 1)))
    _, derivatives, _ = differentiate(table, np.repeat(weights, 2 * d, axis=0), many)
    scores = _flat([p * s for p, s in zip(many, _slopes(many, derivatives), strict=True)]).reshape(b, 2 * d, d)
    curvature = (scores[:, :d] - scores[:, d:]) / (2 * _DIFFERENCE)
    values, vectors = np.linalg.eigh((curvature + np.swapaxes(curvature, 1, 2)) / 2)
    _, derivatives, _ = differentiate(table, weights, parts)
    score = _flat([p * s for p, s in zip(parts, _slopes(parts, derivatives), strict=True)])
    size = np.abs(values)
    size = np.maximum(size, 1e-9 * np.maximum(size.max(axis=1, keepdims=True), 1e-9))
    step = np.einsum("bij,bj->bi", vectors, np.einsum("bji,bj->bi", vectors, score) / size)
    longest = np.abs(step).max(axis=1, keepdims=True)
    return np.asarray(step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, _TINY)))


def _choose(better: NDArray[np.bool_], one: Parts, other: Parts) -> Parts:
    return [np.where(better[:, None, None], a, b) for a, b in zip(one, other, strict=True)]


def _to_the_edge(parts: Parts, derivatives: Parts) -> Parts:
    """Put on the boundary what Newton's method would only approach, and take off what should not be there."""
    out = []
    for part, slope in zip(parts, _slopes(parts, derivatives), strict=True):
        moved = np.where((part < 1e-4) & (slope < 0), 0.0, part)
        out.append(_normalised(np.where((part == 0) & (slope > 0), 1e-4, moved), part))
    return out


def _climb_chunk(table: PatternTable, weights: NDArray[np.float64], parts: Parts) -> ClassFit:
    rows = np.maximum(weights.sum(axis=1), 1.0)
    value, derivatives, _ = differentiate(table, weights, parts)

    def gaps(now: Parts, slopes_of: Parts, size: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(_flat(_slopes(now, slopes_of)).max(axis=1) / size)

    gap = gaps(parts, derivatives, rows)
    for _ in range(_NEWTON_STEPS):
        on = np.flatnonzero(gap > TOLERANCE / 100)
        if on.size == 0:
            break
        own, w = [part[on] for part in parts], weights[on]
        best, step, scale = value[on], _newton_step(table, w, own), np.ones(on.size)
        taken = own
        waiting = np.ones(on.size, dtype=bool)
        for _ in range(12):
            trial = _moved(own, step * scale[:, None])
            height = differentiate(table, w, trial)[0]
            good = waiting & (height >= best - 1e-13 * np.abs(best))
            taken, waiting = _choose(good, trial, taken), waiting & ~good
            if not waiting.any():
                break
            scale = np.where(waiting, scale / 4, scale)
        height, slopes_at, _ = differentiate(table, w, taken)
        edge = _to_the_edge(taken, slopes_at)
        edge_height, edge_slopes, _ = differentiate(table, w, edge)
        keep = edge_height >= height
        taken = _choose(keep, edge, taken)
        for whole, part in zip(parts, taken, strict=True):
            whole[on] = part
        value[on] = np.where(keep, edge_height, height)
        gap[on] = gaps(taken, _choose(keep, edge_slopes, slopes_at), rows[on])
    return ClassFit(parts, value, gap)


def climb(table: PatternTable, weights: NDArray[np.float64], parts: Parts) -> ClassFit:
    """Climb from given values to a stationary point: EM, then Newton's method.

    Parameters
    ----------
    weights : ndarray, shape (B, k)
        Rows with each pattern, for every fit.
    parts : list of ndarray
        Where to start, as in :class:`ClassFit`.
    """
    parts = expectation_maximisation(table, weights, [np.array(part) for part in parts], EM_STEPS)
    d = _flat(parts).shape[1]
    at_once = max(1, _CHUNK // (2 * d * weights.shape[1] * parts[0].shape[2]))
    chunks = [
        _climb_chunk(table, weights[a : a + at_once], [part[a : a + at_once] for part in parts])
        for a in range(0, len(weights), at_once)
    ]
    return ClassFit(
        [np.concatenate(same) for same in zip(*(chunk.parts for chunk in chunks), strict=True)],
        np.concatenate([chunk.log_likelihood for chunk in chunks]),
        np.concatenate([chunk.gap for chunk in chunks]),
    )
