"""Pooling of shares captured by the binomial-normal model of their counts."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.binomial_normal import pool_proportions
from capstat.numerics.binomial_normal_groups import leave_one_out
from capstat.results import Estimate, NotEstimableError
from capstat.synthesis.pooled_record import LeftOut, PredictionRange

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.numerics.binomial_normal_record import PooledProportion
    from capstat.synthesis.pooled_record import PooledEvidence, PooledStudy

__all__ = ["pool_shares"]

MODEL = "binomial-normal model, maximum likelihood"
PREDICTION = (
    "t with k - 2 degrees of freedom on the log odds, the convention of Higgins, Thompson and Spiegelhalter (2009)"
)
NO_TEST = "tests of asymmetry are not made for shares of single arms: their standard errors hang on the share itself"
MANY = "the share in the median study and the mean share differ where studies differ; both are given"


def _share(
    quantity: str, value: float | None, limits: tuple[float | None, float | None] | None, found: PooledProportion,
    n: int, method: str, notes: tuple[str, ...] = (),
) -> Estimate:  # fmt: skip
    low, high = limits or (None, None)
    return Estimate(
        quantity, value, low, high, found.level, "proportion", "logit", n, method, notes=notes,
        reason="" if value is not None else found.reason,
    )  # fmt: skip


def _headline(found: PooledProportion, n: int) -> Estimate:
    reason = (found.reason,) if found.share is not None and found.reason else ()
    return _share(
        "share captured in the median study", found.share, (found.lower, found.upper), found, n,
        f"{MODEL}, {found.headline}", (MANY, *reason),
    )  # fmt: skip


def pool_shares(nothing: PooledEvidence) -> PooledEvidence:
    """Fill the record of a question about shares captured.

    Raises
    ------
    NotEstimableError
        When the counts do not allow a pooled share.
    """
    events = np.array([study.effect.events for study in nothing.studies])
    totals = np.array([study.effect.total for study in nothing.studies])
    n = int(totals.sum())
    found = pool_proportions(events, totals, level=nothing.level)
    others = [
        _share("share captured, all patients as one group", found.common_share, found.common_limits, found, n,
               "common-effect model: all counts added up, Clopper-Pearson limits"),
        _share("mean share captured over studies", found.mean_share, found.mean_limits, found, n,
               f"{MODEL}, delta method on the log odds, t with k - 1 degrees of freedom"),
    ]  # fmt: skip
    if found.share is not None and found.profile is not None:
        others.append(
            _share("share captured in the median study", found.share, found.profile, found, n,
                   f"{MODEL}, profile likelihood with the chi-square drop")
        )  # fmt: skip
    if found.share is not None and found.wald is not None:
        others.append(
            _share("share captured in the median study", found.share, found.wald, found, n,
                   f"{MODEL}, t limits with k - 1 degrees of freedom")
        )  # fmt: skip
    low, high = found.prediction or (None, None)
    return replace(
        nothing,
        headline=_headline(found, n),
        others=tuple(others),
        prediction=PredictionRange(low, high, PREDICTION, "" if found.prediction else found.prediction_reason),
        heterogeneity=(_spread(found, n),),
        heterogeneity_test="" if found.spread_statistic is None else (
            f"likelihood ratio {found.spread_statistic:.2f} against equal parts of 0 and chi-square with 1 degree of "
            "freedom"
        ),
        heterogeneity_p=found.spread_p,
        leave_one_out=_without_each(nothing.studies, events, totals, nothing.level),
        not_tested=NO_TEST,
    )  # fmt: skip


def _spread(found: PooledProportion, n: int) -> Estimate:
    low, high = found.tau_limits or (None, None)
    return Estimate(
        "standard deviation between studies (of the log odds)", found.tau, low, high, found.level, "", "logit", n,
        f"{MODEL}, profile likelihood", reason="" if found.tau is not None else found.reason,
    )  # fmt: skip


def _without_each(
    studies: Sequence[PooledStudy], events: np.ndarray, totals: np.ndarray, level: float
) -> tuple[LeftOut, ...]:
    try:
        found = leave_one_out(events, totals, level=level)
    except NotEstimableError:
        return ()
    n = int(totals.sum())
    return tuple(
        LeftOut(study.effect.label, _headline(without, n - study.effect.n))
        for study, without in zip(studies, found, strict=True)
    )
