"""E-values: how strong an unrecorded confounder would have to be to explain an association away.

VanderWeele & Ding 2017, Ann Intern Med 167:268.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.results import Estimate

__all__ = [
    "EValue",
    "e_value",
    "e_value_of_risk_ratio",
    "e_value_of_threshold_ratio",
    "risk_ratio_from_hazard_ratio",
    "risk_ratio_from_odds_ratio",
]

METHOD = "E-value (VanderWeele & Ding 2017)"
# risk ratio of a standardised difference d is about exp(0.91 d): VanderWeele & Ding 2017, after Chinn 2000, both from
# memory (Chinn: log odds ratio = 1.81 d, and the square root for a common outcome)
PER_STANDARD_DEVIATION = 0.91


@dataclass(frozen=True, slots=True)
class EValue:
    """How strong an unrecorded confounder would have to be.

    Attributes
    ----------
    quantity : str
        The association it is about.
    risk_ratio : float or None
        The association as a risk ratio; ``None`` when it has no value.
    point : float or None
        For the estimate: 1 or more; ``None`` with the risk ratio.
    limit : float or None
        For the confidence limit nearer to no association; 1 when the interval includes that, ``None`` without a limit.
    method : str
        How it was made, conversion included.
    meaning : str
        The result in plain words.
    reason : str
        Why there is no value; empty when there is one.
    """

    quantity: str
    risk_ratio: float | None
    point: float | None
    limit: float | None
    method: str
    meaning: str
    reason: str = ""


def _formula(risk_ratio: float) -> float:
    """``RR + sqrt(RR (RR - 1))``, of the reciprocal below 1."""
    ratio = max(risk_ratio, 1 / risk_ratio) if risk_ratio > 0 else np.inf
    return float(ratio + np.sqrt(ratio * (ratio - 1)))


def risk_ratio_from_hazard_ratio(hazard_ratio: float) -> float:
    """Approximate risk ratio of a common outcome (above 15 %), ``(1 - 0.5^sqrt(HR)) / (1 - 0.5^sqrt(1/HR))``."""
    root = float(np.sqrt(hazard_ratio))
    return float((1 - 0.5**root) / (1 - 0.5 ** (1 / root)))


def risk_ratio_from_odds_ratio(odds_ratio: float, *, common: bool) -> float:
    """Approximate risk ratio: the square root for a ``common`` outcome (above 15 %), the odds ratio itself else."""
    return float(np.sqrt(odds_ratio)) if common else odds_ratio


def _limit(lower: float | None, upper: float | None) -> float | None:
    """E-value of the limit nearer to 1; 1 when the interval includes 1."""
    if lower is not None and lower > 1:
        return _formula(lower)
    if upper is not None and upper < 1:
        return _formula(upper)
    return None if lower is None and upper is None else 1.0


def _meaning(quantity: str, point: float | None, limit: float | None, true: float) -> str:
    target = "no association" if true == 1 else f"a true ratio of {true:g}"
    sentences = []
    if point is not None:
        sentences.append(
            f"For {target} to be the truth behind the {quantity}, a confounder that was not recorded would have to be "
            f"associated with both placement and capture by risk ratios of at least {point:.2f}, beyond the recorded "
            "confounders."
        )
    if limit == 1:
        sentences.append(f"The confidence interval includes {target} already without such a confounder.")
    elif limit is not None:
        sentences.append(f"To move the confidence limit there it would need {limit:.2f} each.")
    return " ".join(sentences)


def e_value(
    risk_ratio: float | None,
    lower: float | None = None,
    upper: float | None = None,
    *,
    true: float = 1.0,
    quantity: str = "risk ratio",
    method: str = METHOD,
    reason: str = "",
) -> EValue:
    """E-value of a risk ratio and of its confidence limit.

    Parameters
    ----------
    risk_ratio : float or None
        The association; ``None`` with a ``reason``, limits may still be known.
    lower, upper : float, optional
        Its confidence limits.
    true : float
        Risk ratio that is supposed to be the truth; the confounder has to explain the rest.
    quantity, method : str
        For the result.

    Raises
    ------
    UsageError
        When a ratio is not above 0, or there is neither a ratio nor a reason.
    """
    if true <= 0 or (risk_ratio is not None and not 0 < risk_ratio < np.inf):
        raise UsageError("An E-value needs ratios that are finite and above 0.")
    if risk_ratio is None and not reason:
        raise UsageError("An E-value without a risk ratio needs the reason why there is none.")
    low, high = (None if bound is None else bound / true for bound in (lower, upper))
    point = None if risk_ratio is None else _formula(risk_ratio / true)
    limit = _limit(low, high)
    return EValue(quantity, risk_ratio, point, limit, method, _meaning(quantity, point, limit, true), reason)


def e_value_of_risk_ratio(ratio: Estimate) -> EValue:
    """E-value of a ratio of shares captured at some current."""
    return e_value(ratio.value, ratio.lower, ratio.upper, quantity=ratio.quantity, reason=ratio.reason)


def e_value_of_threshold_ratio(ratio: Estimate, residual_sd: float) -> EValue:
    """E-value of a ratio of thresholds by way of an approximate risk ratio.

    The standardised difference ``d = log(ratio) / residual_sd`` stands for a risk ratio of about ``exp(0.91 d)`` of
    having a threshold above some middling current.  The residual spread is taken as known.

    Parameters
    ----------
    ratio : Estimate
        Ratio of thresholds.
    residual_sd : float
        Standard deviation of log threshold given placement and confounders.

    Raises
    ------
    UsageError
        When the spread is not above 0.
    """
    if not residual_sd > 0:
        raise UsageError("The standard deviation of log threshold must be above 0.")
    return e_value(
        *(_as_risk_ratio(value, residual_sd) for value in (ratio.value, ratio.lower, ratio.upper)),
        quantity=ratio.quantity,
        method=f"{METHOD}; risk ratio exp(0.91 d) of the difference d = log ratio / {residual_sd:.3g} (Chinn 2000)",
        reason=ratio.reason,
    )  # fmt: skip


def _as_risk_ratio(ratio: float | None, residual_sd: float) -> float | None:
    return None if ratio is None else float(ratio ** (PER_STANDARD_DEVIATION / residual_sd))
