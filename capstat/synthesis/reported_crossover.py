"""A crossover of two placements as it is reported: means, difference, interval and counts."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from capstat.results import UsageError
from capstat.synthesis.reconstruction_cells import ramp_settings
from capstat.synthesis.reported import mean_range, ramp_problems

__all__ = ["ReportedCounts", "ReportedCrossover", "published_crossover_2022"]


@dataclass(frozen=True, slots=True)
class ReportedCounts:
    """One possible set of the counts of a crossover.

    Attributes
    ----------
    first_imputed, second_imputed : int
        Values of the pairs that were imputed, by placement.
    first_alone, second_alone : tuple of int
        Patients paced with that placement alone: captured, and not captured.
    """

    first_imputed: int
    second_imputed: int
    first_alone: tuple[int, int] = (0, 0)
    second_alone: tuple[int, int] = (0, 0)

    @property
    def imputed(self) -> tuple[int, int]:
        """Both numbers of imputed values."""
        return self.first_imputed, self.second_imputed

    @property
    def alone(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """Patients paced one way, by placement."""
        return self.first_alone, self.second_alone

    def words(self, first: str, second: str) -> str:
        """The imputed values in words."""
        return f"{self.first_imputed} {first} and {self.second_imputed} {second} values imputed"


@dataclass(frozen=True, slots=True)
class ReportedCrossover:
    """A crossover of two placements, reported as two means, their difference and its t interval.

    Attributes
    ----------
    first, second : str
        Names of the placements; the printed difference is second minus first, the ratio first to second.
    n_pairs : int
        Patients paced both ways and captured at least once: those in the printed means.
    n_neither : int
        Patients paced both ways and never captured; they are not in the means.
    first_mean_ma, second_mean_ma, difference_ma, difference_lower_ma, difference_upper_ma : float
        As printed.
    level : float
        Confidence level of the printed interval.
    maximum_ma, imputed_as_ma : float
        Highest output, and the number entered for no capture.
    start_ma, step_ma : float
        First setting of the ramp and its step.
    counts : tuple of ReportedCounts
        The set of counts, or all possible sets; each next one has one more imputed value of one placement.
    decimals : int
        Decimal places printed.
    """

    first: str
    second: str
    n_pairs: int
    n_neither: int
    first_mean_ma: float
    second_mean_ma: float
    difference_ma: float
    difference_lower_ma: float
    difference_upper_ma: float
    level: float
    maximum_ma: float
    imputed_as_ma: float
    start_ma: float
    step_ma: float
    counts: tuple[ReportedCounts, ...]
    decimals: int = 0

    def __post_init__(self) -> None:
        """Refuse what cannot have been reported, with all reasons at once.

        Raises
        ------
        UsageError
            When numbers are missing or contradict each other.
        """
        problems = ramp_problems(self.start_ma, self.step_ma, self.maximum_ma, self.imputed_as_ma)
        if self.n_pairs < 3:
            problems.append(f"{self.n_pairs} pairs: at least 3 are needed.")
        if self.n_neither < 0:
            problems.append(f"n_neither {self.n_neither} must be 0 or more.")
        if not 0 < self.level < 1:
            problems.append(f"level {self.level:g} must lie between 0 and 1.")
        if not self.difference_lower_ma < self.difference_upper_ma:
            problems.append("The lower limit of the difference must lie below the upper one.")
        if not self.difference_lower_ma <= self.difference_ma <= self.difference_upper_ma:
            problems.append("The difference must lie between its limits.")
        problems += self._count_problems()
        if not problems:
            problems += self._mean_problems()
        if problems:
            raise UsageError(" ".join(problems))

    def _count_problems(self) -> list[str]:
        if not self.counts:
            return ["counts: at least one possible set is needed."]
        problems = [
            f"{set_.words(self.first, self.second)}: must be 0 or more and at most {self.n_pairs} together."
            for set_ in self.counts
            if min(*set_.imputed, *set_.first_alone, *set_.second_alone) < 0 or sum(set_.imputed) > self.n_pairs
        ]
        if len({tuple(sum(alone) for alone in set_.alone) for set_ in self.counts}) > 1:
            problems.append("The patients paced one way must be as many in each possible set of counts.")
        for one, two in pairwise(self.counts):
            more = [after - before for before, after in zip(one.imputed, two.imputed, strict=True)]
            flips = [abs(after[0] - before[0]) for before, after in zip(one.alone, two.alone, strict=True)]
            if sorted(more) != [0, 1] or flips[more.index(0)] != 0 or max(flips) > 1:
                problems.append(
                    "Each next possible set of counts must have one more imputed value of one placement, and at most "
                    "one other result among the patients paced with that placement alone."
                )
                break
        return problems

    def _mean_problems(self) -> list[str]:
        problems = []
        slack = 0.5 * 10.0**-self.decimals + 1e-9
        for column, (name, mean) in enumerate(((self.first, self.first_mean_ma), (self.second, self.second_mean_ma))):
            ranges = [
                mean_range(self.n_pairs - x.imputed[column], x.imputed[column], self.start_ma, self.maximum_ma,
                           self.imputed_as_ma)
                for x in self.counts
            ]  # fmt: skip
            low, high = min(r[0] for r in ranges), max(r[1] for r in ranges)
            if not low - slack <= mean <= high + slack:
                between = f"with these counts it lies between {low:.1f} and {high:.1f} mA"
                problems.append(f"The mean {mean:g} mA with {name} is impossible: {between}.")
        # three roundings: of each mean and of the difference
        if abs(self.second_mean_ma - self.first_mean_ma - self.difference_ma) > 3 * slack:
            problems.append("The printed means do not have the printed difference, second minus first.")
        middle = (self.difference_lower_ma + self.difference_upper_ma) / 2
        if abs(middle - self.difference_ma) > 2 * slack:
            problems.append("The printed difference does not lie in the middle of its limits, as a t interval's does.")
        return problems

    @property
    def settings_ma(self) -> tuple[float, ...]:
        """Settings of the ramp."""
        return tuple(float(x) for x in ramp_settings(self.start_ma, self.step_ma, self.maximum_ma))


def published_crossover_2022() -> ReportedCrossover:
    """The 2022 crossover of anterior-posterior (AP) and anterior-lateral (AL) pads, as published.

    Moayedi S, et al. Resuscitation 2022;181:140-146, PMID 36410605, and Circulation 2022;146(14):1103-1104, PMID
    36191069: the abstract and secondary summaries of both, not the full papers, were seen.
    """
    return ReportedCrossover(
        first="AP",
        second="AL",
        n_pairs=13,  # abstract
        n_neither=4,  # abstract
        first_mean_ma=93,  # abstract
        second_mean_ma=126,  # abstract
        difference_ma=33,  # abstract
        difference_lower_ma=20,  # abstract
        difference_upper_ma=45,  # abstract
        level=0.95,  # abstract
        maximum_ma=140,  # abstract
        imputed_as_ma=141,  # abstract
        start_ma=40,  # secondary summary
        step_ma=5,  # secondary summary
        # derived from 78 % and 42 % (secondary summary): one patient paced with AP alone, captured; two with AL alone
        counts=tuple(ReportedCounts(0, 5 + k, (1, 0), (k, 2 - k)) for k in range(3)),
    )
