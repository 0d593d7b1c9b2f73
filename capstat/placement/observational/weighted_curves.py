"""Nonparametric capture curves of the weighted groups, with a bootstrap that refits the propensity score."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.bootstrap import BootstrapCurve, replicate_masses
from capstat.distributions.limits import PointwiseLimits, pointwise_limits
from capstat.distributions.npmle import innermost_intervals, maximise_on_support
from capstat.numerics.proportions import difference_from_intervals
from capstat.placement.observational.propensity import refit_scores
from capstat.placement.observational.weighting import Weighting, propensity_weights
from capstat.results import Curve, Estimate, NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.npmle import Support
    from capstat.placement.observational.propensity import PropensityModel
    from capstat.thresholds import CensoredThresholds

__all__ = ["WeightedCapture", "weighted_capture"]

# numbers held at once while propensity scores are refitted
BLOCK_SIZE = 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class WeightedCapture:
    """Capture curves of the two groups under one weighting.

    Attributes
    ----------
    weighting : Weighting
        Whom the groups stand for.
    curves : tuple of Curve
        First and second placement, with identified bounds and pointwise limits.
    difference : Curve
        First minus second, where both curves are known.
    shares : tuple of tuple of Estimate
        For each requested current, the share captured with the first and with the second placement.
    differences : tuple of Estimate
        For each requested current, first minus second.
    replicates, failed, seed : int
        Bootstrap resamples, those of them without a propensity score (left out), and the seed.
    """

    weighting: Weighting
    curves: tuple[Curve, Curve]
    difference: Curve
    shares: tuple[tuple[Estimate, Estimate], ...]
    differences: tuple[Estimate, ...]
    replicates: int
    failed: int
    seed: int


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Attempts with one placement, ``own`` (n,) among all, and the cell of each among ``n_cells``."""

    own: NDArray[np.bool_]
    thresholds: CensoredThresholds
    support: Support
    index: NDArray[np.intp]
    n_cells: int


def _group(thresholds: CensoredThresholds, own: NDArray[np.bool_]) -> _Group:
    used = thresholds.subset(own)
    cells = used.cells()
    return _Group(own, used, innermost_intervals(cells.lower_ma, cells.upper_ma), cells.index, cells.count.size)


def _cell_weights(group: _Group, weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weight of every cell, shape (B, cells), from that of every attempt of both groups, (B, n)."""
    own = weight[:, group.own]
    flat = group.index + group.n_cells * np.arange(len(own))[:, None]
    totals = np.bincount(flat.ravel(), weights=own.ravel(), minlength=group.n_cells * len(own))
    return totals.reshape(len(own), group.n_cells).astype(np.float64)


def weighted_capture(
    model: PropensityModel,
    weightings: Sequence[Weighting],
    *,
    currents_ma: Sequence[float],
    level: float,
    replicates: int,
    seed: int,
) -> tuple[WeightedCapture, ...]:
    """Estimate the weighted capture curves, one result for each weighting.

    The nonparametric maximum likelihood estimate takes the weights as analysis weights (Xie & Liu 2005 for the same
    with Kaplan-Meier, from memory).  Patients are drawn with replacement and the propensity score is refitted in every
    replicate, so the limits hold its uncertainty; with the score taken as known they would be too wide for
    inverse-probability weights (Lunceford & Davidian 2004, from memory).

    Parameters
    ----------
    model : PropensityModel
        Score and attempts.
    weightings : sequence of Weighting
        Whom the groups are to stand for.
    currents_ma : sequence of float
        Where shares and differences are wanted, in mA.
    level : float
        Confidence level, pointwise.
    replicates, seed : int
        Bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When most replicates have no propensity score, when weights differ too much for a certificate, or
        when no current was looked at in both groups.
    """
    groups = _group(model.thresholds, model.is_first), _group(model.thresholds, ~model.is_first)
    drawn, failed = _resample(model, weightings, groups, replicates, seed)
    if failed > replicates / 2:
        raise NotEstimableError(
            f"In {failed} of {replicates} bootstrap samples some confounder tells the placement without error."
        )
    results = []
    for weighting, resampled in zip(weightings, drawn, strict=True):
        weight = propensity_weights(model.score, model.is_first, weighting)
        first, minus = (
            _bootstrap_curve(group, weight, cells, seed) for group, cells in zip(groups, resampled, strict=True)
        )
        frame = _Frame(model, weighting, level, np.asarray(currents_ma, dtype=float))
        results.append(_capture(frame, first, minus, (replicates, failed, seed)))
    return tuple(results)


def _resample(
    model: PropensityModel,
    weightings: Sequence[Weighting],
    groups: tuple[_Group, _Group],
    replicates: int,
    seed: int,
) -> tuple[list[tuple[NDArray[np.float64], ...]], int]:
    """Draw patients and refit the scores.

    Returns the weights of the cells, one array (B, cells) for each weighting and group, and how many replicates had no
    score.
    """
    rng = np.random.default_rng(seed)
    patient, distinct = pd.factorize(model.thresholds.patient)
    equal = np.full(distinct.size, 1 / distinct.size)
    block = max(1, BLOCK_SIZE // patient.size)
    parts: list[list[tuple[NDArray[np.float64], ...]]] = [[] for _ in weightings]
    failed = 0
    for begin in range(0, replicates, block):
        draws = rng.multinomial(distinct.size, equal, size=min(block, replicates - begin))
        count = draws[:, patient].astype(np.float64)
        score, converged = refit_scores(model, count)
        failed += int((~converged).sum())
        for part, weighting in zip(parts, weightings, strict=True):
            weight = count[converged] * propensity_weights(score[converged], model.is_first, weighting)
            part.append(tuple(_cell_weights(group, weight) for group in groups))
    return [tuple(np.concatenate(blocks) for blocks in zip(*part, strict=True)) for part in parts], failed


def _bootstrap_curve(
    group: _Group, weight: NDArray[np.float64], resampled: NDArray[np.float64], seed: int
) -> BootstrapCurve:
    mass, _, _ = maximise_on_support(group.support, _cell_weights(group, weight[None, :])[0])
    masses = replicate_masses(group.support, mass, resampled)
    intervals = np.column_stack((group.support.lower_ma, group.support.upper_ma))
    return BootstrapCurve(replace(group.thresholds, weight=weight[group.own]), intervals, mass, masses, seed)


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """What the results of one weighting have in common."""

    model: PropensityModel
    weighting: Weighting
    level: float
    currents: NDArray[np.float64]

    @property
    def method(self) -> str:
        return (
            f"weighted nonparametric maximum likelihood, {self.weighting.value}; Wilson limits with the effective "
            "sample size of a patient bootstrap that refits the propensity score"
        )

    @property
    def difference_method(self) -> str:
        return (
            f"difference of weighted nonparametric capture curves, {self.weighting.value}; limits by square-and-add "
            "(Newcombe 1998, Zou & Donner 2008) with the correlation of joint bootstrap replicates that refit the "
            "propensity score"
        )

    @property
    def direction(self) -> str:
        return f"{self.model.first} minus {self.model.minus}"


def _capture(
    frame: _Frame, first: BootstrapCurve, minus: BootstrapCurve, bookkeeping: tuple[int, int, int]
) -> WeightedCapture:
    top = frame.model.highest_shared_ma
    edges = np.unique(np.concatenate((first.intervals.ravel(), minus.intervals.ravel(), frame.currents, [top])))
    edges = edges[(edges > 0) & (edges <= top)]
    one, two = (pointwise_limits(curve, edges, frame.level) for curve in (first, minus))
    gaps = np.array([_gap(one, two, i) for i in range(edges.size)])
    difference = Curve(
        f"difference in share captured, {frame.direction}", edges, gaps[:, 0], gaps[:, 1], gaps[:, 2], gaps[:, 3],
        frame.level, frame.difference_method,
    )  # fmt: skip
    names = (frame.model.first, frame.model.minus)
    curves = _curve(frame, one, names[0]), _curve(frame, two, names[1])
    one, two = (pointwise_limits(curve, frame.currents, frame.level) for curve in (first, minus))
    places = range(frame.currents.size)
    shares = tuple((_share(frame, one, i, names[0]), _share(frame, two, i, names[1])) for i in places)
    differences = tuple(_difference(frame, one, two, i) for i in places)
    return WeightedCapture(frame.weighting, curves, difference, shares, differences, *bookkeeping)


def _curve(frame: _Frame, at: PointwiseLimits, name: str) -> Curve:
    return Curve(
        f"share captured, {name}", at.x, at.lower, at.upper, at.limit_lower, at.limit_upper, frame.level, frame.method
    )


def _share(frame: _Frame, at: PointwiseLimits, i: int, name: str) -> Estimate:
    low, high = float(at.lower[i]), float(at.upper[i])
    settled = high - low < 1e-9
    return Estimate(
        f"share captured at {at.x[i]:g} mA, {name}", low if settled else None, float(at.limit_lower[i]),
        float(at.limit_upper[i]), frame.level, "proportion", "score", frame.model.thresholds.n_patients, frame.method,
        reason="" if settled else f"only known to lie between {100 * low:.0f} % and {100 * high:.0f} %",
        identified=(low, high),
    )  # fmt: skip


def _difference(frame: _Frame, one: PointwiseLimits, two: PointwiseLimits, i: int) -> Estimate:
    smallest, largest, low, high = _gap(one, two, i)
    settled = largest - smallest < 1e-9
    return Estimate(
        f"difference in share captured at {one.x[i]:g} mA, weighted", smallest if settled else None, low, high,
        frame.level, "proportion", "score", frame.model.thresholds.n_patients, frame.difference_method,
        frame.direction, reason="" if settled else "the data only bound the difference at this current",
        identified=(smallest, largest),
    )  # fmt: skip


def _gap(one: PointwiseLimits, two: PointwiseLimits, i: int) -> tuple[float, float, float, float]:
    """Identified bounds and confidence limits of the difference at one current."""
    a, b = one.replicate_lower[:, i], two.replicate_lower[:, i]
    # both groups share the refitted score, so their replicates belong together even without common patients
    rho = float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0

    def limits(p: float, q: float) -> tuple[float, float]:
        first = (min(float(one.limit_lower[i]), p), max(float(one.limit_upper[i]), p))
        second = (min(float(two.limit_lower[i]), q), max(float(two.limit_upper[i]), q))
        return difference_from_intervals(p, first, q, second, rho)

    smallest, largest = float(one.lower[i] - two.upper[i]), float(one.upper[i] - two.lower[i])
    low = limits(float(one.lower[i]), float(two.upper[i]))[0]
    high = limits(float(one.upper[i]), float(two.lower[i]))[1]
    return smallest, largest, low, high
