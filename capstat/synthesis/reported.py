"""One group as it is reported: mean, spread and counts, with a number entered where nothing captured."""

from __future__ import annotations

import math
from dataclasses import dataclass

from capstat.results import UsageError

__all__ = ["ReportedArm", "mean_range", "ramp_problems"]


def ramp_problems(start_ma: float, step_ma: float, maximum_ma: float, imputed_as_ma: float | None) -> list[str]:
    """What cannot be about a ramp, in sentences."""
    problems = []
    numbers = {"start_ma": start_ma, "step_ma": step_ma, "maximum_ma": maximum_ma}
    problems += [
        f"{name} must be a number above 0, not {value:g}."
        for name, value in numbers.items()
        if not (math.isfinite(value) and value > 0)
    ]
    if not problems and not start_ma < maximum_ma:
        problems.append(f"start_ma {start_ma:g} must lie below maximum_ma {maximum_ma:g}.")
    if imputed_as_ma is not None and not imputed_as_ma > maximum_ma:
        problems.append(f"imputed_as_ma {imputed_as_ma:g} must lie above maximum_ma {maximum_ma:g}.")
    return problems


def mean_range(
    captured: int, imputed: int, start_ma: float, maximum_ma: float, imputed_as_ma: float | None
) -> tuple[float, float]:
    """Lowest and highest mean of so many recorded currents: all captured at the first setting, or at the last."""
    rest = imputed * (imputed_as_ma or 0.0)
    n = captured + imputed
    return (captured * start_ma + rest) / n, (captured * maximum_ma + rest) / n


@dataclass(frozen=True, slots=True)
class ReportedArm:
    """One group of patients, reported as mean and SD.

    Attributes
    ----------
    n : int
        Patients in whom capture was tried.
    n_captured : int or None
        Patients captured; ``None`` when not reported, which needs ``imputed_as_ma``.
    mean_ma, sd_ma : float
        Printed mean and standard deviation.
    maximum_ma : float
        Highest output tried.
    imputed_as_ma : float or None
        Number entered where nothing captured; ``None`` when those patients were left out of the mean.
    start_ma, step_ma : float
        First setting of the ramp and its step.
    mean_decimals, sd_decimals : int
        Decimal places printed.
    """

    n: int
    n_captured: int | None
    mean_ma: float
    sd_ma: float
    maximum_ma: float
    imputed_as_ma: float | None
    start_ma: float
    step_ma: float
    mean_decimals: int = 0
    sd_decimals: int = 0

    def __post_init__(self) -> None:
        """Refuse what cannot have been reported, with all reasons at once.

        Raises
        ------
        UsageError
            When numbers are missing or contradict each other.
        """
        problems = ramp_problems(self.start_ma, self.step_ma, self.maximum_ma, self.imputed_as_ma)
        if not (math.isfinite(self.sd_ma) and self.sd_ma > 0):
            problems.append("sd_ma is missing or not above 0: without a spread nothing can be reconstructed.")
        if not (math.isfinite(self.mean_ma) and self.mean_ma > 0):
            problems.append("mean_ma must be a number above 0.")
        if self.n_captured is None and self.imputed_as_ma is None:
            problems.append("n_captured is needed where patients not captured were left out of the mean.")
        if self.n_captured is not None and not 0 <= self.n_captured <= self.n:
            problems.append(f"n_captured {self.n_captured} must lie between 0 and n {self.n}.")
        if self.n_recorded < 3:
            problems.append(f"{self.n_recorded} currents in the mean: at least 3 are needed.")
        if self.imputed_as_ma is not None and self.mean_ma > self.imputed_as_ma:
            problems.append(f"mean_ma {self.mean_ma:g} lies above imputed_as_ma {self.imputed_as_ma:g}.")
        if not problems:
            problems += self._impossible_mean() or self._impossible_sd()
        if problems:
            raise UsageError(" ".join(problems))

    @property
    def n_recorded(self) -> int:
        """Currents in the mean."""
        return self.n if self.imputed_as_ma is not None else (self.n_captured or 0)

    @property
    def possible_imputed(self) -> tuple[int, ...]:
        """Numbers of imputed values that the reported counts and mean allow."""
        if self.imputed_as_ma is None:
            return (0,)
        counts = range(self.n + 1) if self.n_captured is None else (self.n - self.n_captured,)
        return tuple(count for count in counts if self._mean_fits(count))

    def _mean_fits(self, imputed: int) -> bool:
        low, high = mean_range(
            self.n_recorded - imputed, imputed, self.start_ma, self.maximum_ma, self.imputed_as_ma
        )  # fmt: skip
        slack = 0.5 * 10.0**-self.mean_decimals + 1e-9
        return low - slack <= self.mean_ma <= high + slack

    def _impossible_mean(self) -> list[str]:
        if self.possible_imputed:
            return []
        imputed = 0 if self.n_captured is None or self.imputed_as_ma is None else self.n - self.n_captured
        low, high = mean_range(
            self.n_recorded - imputed, imputed, self.start_ma, self.maximum_ma, self.imputed_as_ma
        )  # fmt: skip
        between = f"with {imputed} values imputed it lies between {low:.1f} and {high:.1f} mA"
        return [f"mean_ma {self.mean_ma:g} is impossible: {between}."]

    def _impossible_sd(self) -> list[str]:
        """From equal captures to captures at both ends of the ramp only (Bhatia & Davis 2000, from memory)."""
        slack, sd_slack = (0.5 * 10.0**-places + 1e-9 for places in (self.mean_decimals, self.sd_decimals))
        n, lows, highs = self.n_recorded, [], []
        for imputed in self.possible_imputed:
            captured, imputed_as = n - imputed, self.imputed_as_ma or 0.0
            for i in range(-10, 11):
                mean = self.mean_ma + slack * i / 10
                of_captured = (n * mean - imputed * imputed_as) / captured if captured else mean
                inside = min(max(of_captured, self.start_ma), self.maximum_ma)
                fixed = imputed * (imputed_as - mean) ** 2 + captured * (inside - mean) ** 2
                spread = captured * (inside - self.start_ma) * (self.maximum_ma - inside)
                lows.append(math.sqrt(fixed / (n - 1)))
                highs.append(math.sqrt((fixed + spread) / (n - 1)))
        low, high = min(lows), max(highs)
        if low - sd_slack <= self.sd_ma <= high + sd_slack:
            return []
        between = f"with mean {self.mean_ma:g} and these counts it lies between {low:.1f} and {high:.1f} mA"
        return [f"sd_ma {self.sd_ma:g} is impossible: {between}."]
