"""What becomes of a latent class model of signs when two of the signs are wrong together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.capture.latent_fit import STARTS, PatternFit
from capstat.capture.latent_signs import METHOD, LatentSigns, fit_table
from capstat.capture.latent_table import SignTable, sign_table
from capstat.capture.patient_bootstrap import percentile_limits
from capstat.numerics.latent_checks import simulate_tables
from capstat.numerics.latent_class import best_fit, fit_replicates
from capstat.numerics.latent_climb import climb
from capstat.numerics.latent_model import ClassFit
from capstat.numerics.latent_pairs import fit_fixed_correlations
from capstat.numerics.latent_patterns import pattern_table, tabulate
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.numerics.latent_patterns import Blocks

__all__ = ["DependencePoint", "DependentPair", "dependence_sensitivity", "fit_with_dependent_pair"]


@dataclass(frozen=True, slots=True, eq=False)
class DependentPair:
    """The model with and without a dependent pair.

    Attributes
    ----------
    pair : tuple of str
        The two signs.
    independent, dependent : LatentSigns
        Fits without and with a covariance of the pair in each class.
    correlation : tuple of Estimate
        Within steps without capture, and within steps with capture.
    likelihood_ratio : Estimate
        Twice the gain in log-likelihood, with the p-value of a parametric bootstrap under independence.
    bic_gain : float
        BIC without minus BIC with the covariances; above 0 speaks for dependence.
    """

    pair: tuple[str, str]
    independent: LatentSigns
    dependent: LatentSigns
    correlation: tuple[Estimate, Estimate]
    likelihood_ratio: Estimate
    bic_gain: float


@dataclass(frozen=True, slots=True)
class DependencePoint:
    """The answer under one assumed correlation of a pair, the same in both classes.

    Attributes
    ----------
    correlation : float
        What was assumed.
    prevalence : float
        Share of steps with capture.
    sensitivity, specificity : tuple of float
        Of every sign that was used.
    misfit : float
        Twice the log-likelihood lost against the best of all correlations tried.
    """

    correlation: float
    prevalence: float
    sensitivity: tuple[float, ...]
    specificity: tuple[float, ...]
    misfit: float


def _pair_items(signs: SignTable, pair: tuple[str, str]) -> tuple[int, int]:
    for name in pair:
        if name not in signs.names:
            raise UsageError(signs.left_out.get(name, f"There is no sign {name}; there are {', '.join(signs.names)}."))
    one, two = (signs.names.index(name) for name in pair)
    if one == two:
        raise UsageError(f"A pair needs two different signs, not {pair[0]} twice.")
    return min(one, two), max(one, two)


def _blocks(signs: SignTable, items: tuple[int, int]) -> Blocks:
    return (*((item,) for item in range(len(signs.names)) if item not in items), items)


def _correlations(cells: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation from joint probabilities 00, 01, 10, 11; NaN when a sign does not vary in the class."""
    one, two = cells[..., 2] + cells[..., 3], cells[..., 1] + cells[..., 3]
    spread = np.sqrt(np.maximum(one * (1 - one) * two * (1 - two), 0.0))
    return np.where(spread > 1e-6, (cells[..., 3] - one * two) / np.where(spread > 1e-6, spread, 1.0), np.nan)


def _correlation_estimates(found: PatternFit, result: LatentSigns, level: float) -> tuple[Estimate, Estimate]:
    out = []
    points, draws = _correlations(found.fit.parts[-1])[0], _correlations(found.draws.parts[-1])
    for klass, where in enumerate(("without", "with")):
        limits = percentile_limits(draws[:, klass], result.patients, level) if len(draws) else None
        point, reason = points[klass], ""
        if result.prevalence[0].reason:
            reason = result.prevalence[0].reason
        elif np.isnan(point):
            reason = f"A sign of the pair always gives the same answer in steps {where} capture."
        lower, upper = limits if limits is not None and not reason else (None, None)
        out.append(
            Estimate(
                f"correlation of the pair in steps {where} capture", None if reason else float(point), lower, upper,
                level, "", "identity", result.patients, METHOD, reason=reason,
            )
        )  # fmt: skip
    return out[0], out[1]


def _as_paired(fit: ClassFit, pair: tuple[int, ...]) -> ClassFit:
    """The model without covariances, written as one with the pair in a block."""
    one, two = (fit.parts[1 + item] for item in pair)
    cells = (one[..., :, None] * two[..., None, :]).reshape(*one.shape[:2], 4)
    others = [part for item, part in enumerate(fit.parts[1:]) if item not in pair]
    return ClassFit([fit.parts[0], *others, cells], fit.log_likelihood, fit.gap)


def _ratio_test(
    found: PatternFit, with_pair: PatternFit, patients: int, level: float, replicates: int, seed: int
) -> Estimate:
    """Compare G^2 of both models in the data and in tables drawn from the model without covariances."""
    rng = np.random.default_rng([seed, 2])
    full, drawn = simulate_tables(found.table, found.weights, found.fit, replicates, rng)
    paired = pattern_table(full.answers, full.group, full.groups, with_pair.table.blocks)
    # every draw is also climbed from its own fit without covariances, so that the gain cannot be negative
    plain = fit_replicates(full, drawn, found.fit, 3, rng)
    richer = fit_replicates(paired, drawn, with_pair.fit, 3, rng).log_likelihood
    nested = climb(paired, drawn, _as_paired(plain, paired.blocks[-1]).parts).log_likelihood
    null = 2 * (np.maximum(richer, nested) - plain.log_likelihood)
    own = max(2 * float(with_pair.fit.log_likelihood[0] - found.fit.log_likelihood[0]), 0.0)
    return Estimate(
        "gain in fit by a covariance of the pair in each class (likelihood ratio)", own, None, None, level, "",
        "identity", patients, "likelihood ratio, parametric bootstrap under independence, independent rows",
        p_value=(1 + int((null >= own - 1e-9).sum())) / (1 + replicates),
    )  # fmt: skip


def fit_with_dependent_pair(
    values: NDArray[np.float64],
    names: Sequence[str],
    patient: NDArray[np.intp],
    pair: tuple[str, str],
    *,
    group: NDArray[np.object_] | None = None,
    level: float = 0.95,
    replicates: int = 200,
    seed: int,
) -> DependentPair:
    """Let one pair of signs depend on each other within both classes, and compare with independence.

    A covariance of the pair is added in each class (Vacek 1985; Dendukuri & Joseph 2001, both from memory).  The other
    arguments are those of :func:`capstat.capture.latent_signs.fit_signs`.

    Raises
    ------
    NotEstimableError
        When the signs give too few proportions for two more parameters: with fewer than four signs in one group.
    UsageError
        When the pair is not two of the signs.
    """
    signs = sign_table(values, names, patient, group)
    items = _pair_items(signs, pair)
    alone = tuple((item,) for item in range(len(signs.names)))
    if len(signs.names) < 4 and len(signs.groups) == 1:
        raise NotEstimableError(
            f"{len(signs.names)} signs in one group cannot tell a covariance of two signs; a fourth sign is needed, or "
            "the correlation must be assumed (dependence_sensitivity)."
        )
    dependent, with_pair = fit_table(signs, _blocks(signs, items), level=level, replicates=replicates, seed=seed)
    independent, found = fit_table(signs, alone, level=level, replicates=replicates, seed=seed)
    test = _ratio_test(found, with_pair, signs.patients, level, replicates, seed)
    if dependent.local.rank < dependent.local.interior:
        test = replace(test, notes=("The covariances are not identified at the estimate.",))
    return DependentPair(
        (signs.names[items[0]], signs.names[items[1]]), independent, dependent,
        _correlation_estimates(with_pair, dependent, level), test, independent.bic - dependent.bic,
    )  # fmt: skip


def dependence_sensitivity(
    values: NDArray[np.float64],
    names: Sequence[str],
    patient: NDArray[np.intp],
    pair: tuple[str, str],
    correlations: Sequence[float] = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5),
    *,
    seed: int,
) -> tuple[DependencePoint, ...]:
    """Prevalence and accuracy under assumed correlations of a pair, the same within both classes.

    Meant for three signs, which cannot tell the correlation.  Each row is a maximum-likelihood fit without limits: what
    matters is how far the rows lie apart.  A misfit above about 4 speaks against the assumed correlation.

    Raises
    ------
    NotEstimableError
        With fewer than three signs that gave both answers.
    UsageError
        When the pair is not two of the signs, or a correlation is not between -1 and 1.
    """
    if not all(-1 < value < 1 for value in correlations):
        raise UsageError("A correlation that is assumed must lie between -1 and 1.")
    signs = sign_table(values, names, patient, None)
    items = _pair_items(signs, pair)
    if len(signs.names) < 3:
        raise NotEstimableError("Two signs in one group tell nothing even when they are independent; add a third sign.")
    rng = np.random.default_rng(seed)
    table, index = tabulate(signs.values, signs.group, 1, tuple((item,) for item in range(len(signs.names))))
    weights = np.bincount(index).astype(float)
    fit, _ = best_fit(table, weights, STARTS, rng)
    start = np.stack([fit.item(table, item)[0] for item in range(len(signs.names))], axis=1)
    paired = pattern_table(table.answers, table.group, 1, _blocks(signs, items))
    fits = fit_fixed_correlations(paired, weights, correlations, (float(fit.parts[0][0, 0, 1]), start), 3, rng)
    best = max(one.log_likelihood for one in fits)
    return tuple(
        DependencePoint(
            value, one.share, tuple(map(float, one.probability[1])), tuple(map(float, 1 - one.probability[0])),
            max(2 * (best - one.log_likelihood), 0.0),
        )
        for value, one in zip(correlations, fits, strict=True)
    )  # fmt: skip
