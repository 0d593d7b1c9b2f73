"""What the published summary of the 2022 crossover of pad placements determines, what it only bounds, and what it leaves open.

Run: python analyses/06_published_crossover.py [--out capstat-crossover]

Prints the analysis, word for word what is kept in 06_published_crossover.md.  With --out, a folder with the same text, the
compatible tables and the reconstructed data sets as CSV, and a figure.  Nothing here is patient data: the inputs are the
numbers of the abstract and of two summaries of it, each listed with how it is known.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import optimize, stats

from capstat.numerics.proportions import mcnemar, paired_difference_newcombe, paired_difference_tango
from capstat.output import csv_text, new_folder_atomically
from capstat.placement import ANTERIOR_LATERAL, ANTERIOR_POSTERIOR, fit_random_intercept, paired_ratio
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

SEED = 2022
DATA_SETS_PER_COUNT = 18
CHAIN_STEPS = 10_000

# The published numbers; what is known about each is in SOURCES.
ENROLLED, ONE_WAY, NEITHER, PAIRED = 20, 3, 4, 13
AP_MEAN, AL_MEAN, DIFFERENCE, CI_LOW, CI_HIGH = 93, 126, 33, 20, 45
AP_PERCENT, AL_PERCENT = 78, 42
START, STEP, MAXIMUM, IMPUTED = 40, 5, 140, 141
ROUNDING = 0.5
STEPS_OF_RAMP = (MAXIMUM - START) // STEP

ABSTRACT, SECONDARY, DERIVED = "seen in the abstract", "secondary summary", "derived here"
RESUSCITATION = (
    "Moayedi S, et al. Anteroposterior pacer pad position is better than anterolateral for transcutaneous cardiac pacing. "
    "Resuscitation 2022;181:140-146. PMID 36410605."
)
CIRCULATION = (
    "Moayedi S, et al. Anteroposterior pacer pad position is more likely to capture than anterolateral for transcutaneous "
    "cardiac pacing. Circulation 2022;146(14):1103-1104. PMID 36191069."
)
REGISTRY = "Registry record NCT03898050."
SOURCES = (
    ("enrolled, sedated adults right after elective cardioversion, crossover", f"{ENROLLED}", ABSTRACT, "R"),
    ("paced in one position only (decision of the anaesthetist)", f"{ONE_WAY}", ABSTRACT, "R"),
    ("captured in neither position", f"{NEITHER}", ABSTRACT, "R"),
    ("patients in the paired t test", f"{PAIRED}", ABSTRACT, "R"),
    ("highest output; what a non-capture was entered as", f"{MAXIMUM} mA; {IMPUTED} mA", ABSTRACT, "R"),
    ("mean of the paired patients, AP and AL", f"{AP_MEAN} and {AL_MEAN} mA", ABSTRACT, "R"),
    ("mean difference, AL minus AP, with 95 % interval", f"{DIFFERENCE} mA ({CI_LOW} to {CI_HIGH})", ABSTRACT, "R"),
    ("share captured, AP and AL", f"{AP_PERCENT} % and {AL_PERCENT} %", SECONDARY, "R and C"),
    ("ramp: start, step", f"{START} mA, +{STEP} mA every second", SECONDARY, "R"),
    ("what counted as capture", "oximeter rate equal to the set rate for 10 s", SECONDARY, "R"),
    ("which position came first", "by odd or even number", SECONDARY, "R"),
    ("enrolled; results posted in the registry", f"{ENROLLED}; none", "seen in the registry record", "N"),
)  # fmt: skip


# ---- what the counts determine -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CrossoverTable:
    """Whole numbers of patients that agree with every published count and share.

    ``both``, ``ap_only``, ``al_only``, ``neither`` are the patients paced both ways, by what captured.  The others were
    paced one way, by which way, and how many of them captured.
    """

    both: int
    ap_only: int
    al_only: int
    neither: int
    one_way_ap: int
    one_way_al: int
    one_way_ap_captured: int
    one_way_al_captured: int

    @property
    def ap(self) -> tuple[int, int]:
        """Captures and patients with AP."""
        paced_both_ways = self.both + self.ap_only + self.al_only + self.neither
        return self.both + self.ap_only + self.one_way_ap_captured, paced_both_ways + self.one_way_ap

    @property
    def al(self) -> tuple[int, int]:
        """Captures and patients with AL."""
        paced_both_ways = self.both + self.ap_only + self.al_only + self.neither
        return self.both + self.al_only + self.one_way_al_captured, paced_both_ways + self.one_way_al

    @property
    def cells(self) -> tuple[int, int, int, int]:
        """The paired table: both, AP only, AL only, neither."""
        return self.both, self.ap_only, self.al_only, self.neither


def counts_that_round_to(percent: int, patients: int) -> list[int]:
    """Numbers of captures among ``patients`` that a whole per cent would be printed for."""
    return [x for x in range(patients + 1) if abs(100 * x / patients - percent) <= ROUNDING]


def compatible_tables() -> list[CrossoverTable]:
    """Every split of the 20 patients, by trying all of them: 17 both ways of whom 4 captured neither way, 3 one way."""
    found = []
    both_ways = ENROLLED - ONE_WAY
    for one_way_ap, both, ap_only in product(range(ONE_WAY + 1), range(PAIRED + 1), range(PAIRED + 1)):
        al_only = PAIRED - both - ap_only
        if al_only < 0:
            continue
        one_way_al = ONE_WAY - one_way_ap
        for captured_ap, captured_al in product(range(one_way_ap + 1), range(one_way_al + 1)):
            table = CrossoverTable(
                both, ap_only, al_only, both_ways - PAIRED, one_way_ap, one_way_al, captured_ap, captured_al
            )
            if table.ap[0] in counts_that_round_to(AP_PERCENT, table.ap[1]) and table.al[0] in counts_that_round_to(
                AL_PERCENT, table.al[1]
            ):
                found.append(table)
    return sorted(found, key=lambda table: table.ap_only)


# ---- what the means and the interval determine -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums over the 13 pairs, in mA, that agree with the rounded means, difference and interval.

    Attributes
    ----------
    imputed : int
        AL values entered as 141.
    ap_sum, al_captured_sum : int
        Sums of the 13 AP values and of the AL values that were captures.
    sd_low, sd_high : float
        Range of the standard deviation of the 13 differences.
    """

    imputed: int
    ap_sum: int
    al_captured_sum: int
    sd_low: float
    sd_high: float

    @property
    def difference_sum(self) -> int:
        """Sum of the 13 recorded differences, AL minus AP."""
        return self.al_captured_sum + IMPUTED * self.imputed - self.ap_sum

    @property
    def squares(self) -> tuple[float, float]:
        """Range of the sum of squared differences."""
        mean = self.difference_sum / PAIRED
        return tuple((PAIRED - 1) * sd**2 + PAIRED * mean**2 for sd in (self.sd_low, self.sd_high))


def t_quantile() -> float:
    """Factor of the standard error in a 95 % interval from 13 pairs."""
    return float(stats.t.ppf(0.975, PAIRED - 1))


def half_width_range(mean: float) -> tuple[float, float]:
    """Half-widths about ``mean`` for which both limits round to the published ones; empty when the first is larger."""
    low = max(mean - CI_LOW - ROUNDING, CI_HIGH - ROUNDING - mean)
    high = min(mean - CI_LOW + ROUNDING, CI_HIGH + ROUNDING - mean)
    return low, high


def spread_as_printed() -> tuple[float, float, float, float]:
    """Standard error, SD, t and two-sided p from the printed numbers, rounding ignored."""
    error = (CI_HIGH - CI_LOW) / 2 / t_quantile()
    t = DIFFERENCE / error
    return error, error * np.sqrt(PAIRED), t, float(2 * stats.t.sf(t, PAIRED - 1))


def compatible_totals(tables: list[CrossoverTable]) -> list[Totals]:
    """Every pair of sums on the 5 mA grid that rounds to the published means, difference and limits."""
    found = []
    for table in tables:
        k = table.ap_only
        for ap_sum, captured in product(
            range(PAIRED * START, PAIRED * MAXIMUM + 1, STEP),
            range((PAIRED - k) * START, (PAIRED - k) * MAXIMUM + 1, STEP),
        ):
            al_mean, ap_mean = (captured + IMPUTED * k) / PAIRED, ap_sum / PAIRED
            printed = ((ap_mean, AP_MEAN), (al_mean, AL_MEAN), (al_mean - ap_mean, DIFFERENCE))
            half = half_width_range(al_mean - ap_mean)
            if all(abs(value - target) <= ROUNDING for value, target in printed) and half[0] <= half[1]:
                low, high = (float(h / t_quantile() * np.sqrt(PAIRED)) for h in half)
                found.append(Totals(k, ap_sum, captured, low, high))
    return found


def implied_mean_of_captures(imputed: int) -> float:
    """Mean of the AL values that were captures, from the printed mean of all 13."""
    return (PAIRED * AL_MEAN - IMPUTED * imputed) / (PAIRED - imputed)


def p_range(totals: list[Totals]) -> tuple[float, float]:
    """Smallest and largest p of the paired t test over all totals and spreads."""
    t = [
        total.difference_sum / PAIRED / (sd / np.sqrt(PAIRED))
        for total in totals
        for sd in (total.sd_low, total.sd_high)
    ]
    return float(2 * stats.t.sf(max(t), PAIRED - 1)), float(2 * stats.t.sf(min(t), PAIRED - 1))


def p_range_without_grid() -> tuple[float, float]:
    """The same over every mean and half-width that round to the published numbers; the extremes lie at corners."""
    t = [
        mean / half * t_quantile()
        for mean in np.linspace(DIFFERENCE - ROUNDING, DIFFERENCE + ROUNDING, 1001)
        if half_width_range(mean)[0] <= half_width_range(mean)[1]
        for half in half_width_range(mean)
    ]
    return float(2 * stats.t.sf(max(t), PAIRED - 1)), float(2 * stats.t.sf(min(t), PAIRED - 1))


# ---- what the pairs may have been: exact bounds ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PairCells:
    """Every value that one of the 13 pairs may have had; 441 captured both ways, 21 with AL imputed."""

    ap: np.ndarray
    al: np.ndarray
    imputed: np.ndarray

    @property
    def difference(self) -> np.ndarray:
        """Recorded difference, AL minus AP, with 141 as it was entered."""
        return self.al - self.ap

    @property
    def least_difference(self) -> np.ndarray:
        """Infimum of the true difference: AL above its last setting without capture, AP at most the recorded one."""
        last_without = np.where(self.imputed, MAXIMUM, np.where(self.al == START, 0, self.al - STEP))
        return last_without - self.ap


def pair_cells() -> PairCells:
    """All cells of the 5 mA grid."""
    currents = START + STEP * np.arange(STEPS_OF_RAMP + 1)
    ap, al = (grid.ravel() for grid in np.meshgrid(currents, currents, indexing="ij"))
    imputed = np.repeat([False, True], [ap.size, currents.size])
    return PairCells(np.concatenate((ap, currents)), np.concatenate((al, np.full(currents.size, IMPUTED))), imputed)


def least(total: Totals, score: np.ndarray, held: tuple[np.ndarray, int] | None = None) -> int | None:
    """Smallest sum of whole-number ``score`` over 13 pairs that agree with the summary; ``None`` when none do.

    Every published figure is linear in the number of pairs in each cell, so this is an integer programme, solved exactly.
    ``held`` fixes the sum of another score.
    """
    cells = pair_cells()
    k = total.imputed
    rows = [cells.imputed, ~cells.imputed, cells.ap, np.where(cells.imputed, 0, cells.al), cells.difference**2]
    lower = [k, PAIRED - k, total.ap_sum, total.al_captured_sum, total.squares[0]]
    upper = [*lower[:4], total.squares[1]]
    if held is not None:
        rows.append(held[0])
        lower.append(held[1])
        upper.append(held[1])
    found = optimize.milp(
        score.astype(float),
        constraints=optimize.LinearConstraint(np.array(rows, dtype=float), lower, upper),
        integrality=np.ones(score.size),
        bounds=optimize.Bounds(0, PAIRED),
    )
    return round(found.fun) if found.success else None


@dataclass(frozen=True, slots=True)
class SignRange:
    """For one number of pairs that favour AL: the fewest and most that favour AP, the rest being ties."""

    favour_al: int
    fewest_favour_ap: int
    most_favour_ap: int


def sign_ranges(totals: list[Totals]) -> list[SignRange]:
    """What the sign test may have been, over every data set that agrees with the summary."""
    cells = pair_cells()
    against, tie = cells.difference < 0, cells.difference == 0
    found = []
    for count in range(PAIRED + 1):
        fewest = [least(total, tie, (against, count)) for total in totals]
        most = [least(total, -1 * tie, (against, count)) for total in totals]
        ties = [(low, -high) for low, high in zip(fewest, most, strict=True) if low is not None and high is not None]
        if not ties:
            break
        decided = PAIRED - count
        found.append(SignRange(count, decided - max(high for _, high in ties), decided - min(low for low, _ in ties)))
    return found


def most_at_or_below_zero() -> int:
    """How many of the 13 differences may be 0 or less, by their mean and interval alone, whatever the grid.

    m values of 0 or less and 13 - m above need a sum of squares about the mean of at least 13 mean^2 m / (13 - m)
    (one-sided Chebyshev inequality for a sample).  The smallest mean allows the widest interval and is the worst case.
    """
    mean = DIFFERENCE - ROUNDING
    variance = (half_width_range(mean)[1] / t_quantile()) ** 2 * PAIRED
    worst = (PAIRED - 1) * variance / (PAIRED * mean**2)
    return int(np.floor(PAIRED * worst / (1 + worst)))


def mean_difference_bounds(totals: list[Totals]) -> list[tuple[int, float, float]]:
    """By number imputed: published-style mean with > 140 for 141, and the same with every step as an interval, mA."""
    cells = pair_cells()
    rows = []
    for k in sorted({total.imputed for total in totals}):
        own = [total for total in totals if total.imputed == k]
        recorded = min((total.difference_sum - k) / PAIRED for total in own)
        intervals = min(least(total, cells.least_difference) / PAIRED for total in own)
        rows.append((k, recorded, intervals))
    return rows


# ---- reconstructions: invented pairs that agree with the summary ------------------------------------------------


def reconstructed_pairs(total: Totals, count: int, rng: np.random.Generator) -> np.ndarray:
    """Invented data sets that agree with the summary, shape (count, 2, 13): AP and AL in mA, imputed pairs last.

    A random walk over the settings: two patients exchange a few steps of current, which keeps every sum, and the move
    stands unless it takes the sum of squares further outside its range.  Inside the range every data set is equally
    likely.
    """
    k = total.imputed
    low, high = total.squares
    units = np.zeros((count, 2, PAIRED), dtype=int)
    for side, size, amount in ((0, PAIRED, total.ap_sum), (1, PAIRED - k, total.al_captured_sum)):
        each, rest = divmod((amount - START * size) // STEP, size)
        units[:, side, :size] = each + (np.arange(size) < rest)

    def currents(state: np.ndarray) -> np.ndarray:
        ma = START + STEP * state
        ma[:, 1, PAIRED - k :] = IMPUTED
        return ma

    def outside(state: np.ndarray) -> np.ndarray:
        ma = currents(state)
        squares = ((ma[:, 1] - ma[:, 0]) ** 2).sum(axis=1)
        return np.maximum(low - squares, 0) + np.maximum(squares - high, 0)

    rows = np.arange(count)
    distance = outside(units)
    for _ in range(CHAIN_STEPS):
        side = rng.integers(0, 2, count)
        size = np.where(side == 0, PAIRED, PAIRED - k)
        up, down, steps = rng.integers(0, size), rng.integers(0, size), rng.integers(1, 5, count)
        moved = units.copy()
        moved[rows, side, up] += steps
        moved[rows, side, down] -= steps
        reached = outside(moved)
        allowed = ((moved >= 0) & (moved <= STEPS_OF_RAMP)).all(axis=(1, 2)) & (reached <= distance)
        units[allowed], distance[allowed] = moved[allowed], reached[allowed]
    if distance.any():
        raise RuntimeError("A reconstruction did not reach the published spread.")
    return currents(units)


def as_thresholds(pairs: np.ndarray, neither: int) -> CensoredThresholds:
    """One reconstruction as it should have been analysed: intervals, non-capture as above 140 mA, nobody left out."""
    recorded = np.concatenate((pairs.T, np.full((neither, 2), IMPUTED))).astype(float)
    lower = np.where(recorded == IMPUTED, MAXIMUM, np.where(recorded == START, 0.0, recorded - STEP))
    upper = np.where(recorded == IMPUTED, np.inf, recorded)
    n = len(recorded)
    return CensoredThresholds.from_bounds(
        lower.ravel(), upper.ravel(), np.repeat(np.arange(n), 2), [ANTERIOR_POSTERIOR, ANTERIOR_LATERAL] * n
    )


def ratio_without_neither(pairs: np.ndarray) -> float:
    """Point estimate of the within-patient ratio from the 13 pairs alone."""
    thresholds = as_thresholds(pairs, 0)
    design = np.column_stack((np.ones(len(thresholds)), thresholds.placement == ANTERIOR_POSTERIOR))
    return float(np.exp(fit_random_intercept(thresholds, design, ("intercept", ANTERIOR_POSTERIOR)).coefficients[1]))


def reconstruct(totals: list[Totals], *, seed: int, per_count: int) -> pd.DataFrame:
    """Censored analysis of invented data sets, ``per_count`` for each number of imputed values."""
    rng = np.random.default_rng(seed)
    rows = []
    for total in totals:
        sharing = sum(other.imputed == total.imputed for other in totals)
        for pairs in reconstructed_pairs(total, per_count // sharing, rng):
            row = {
                "imputed": total.imputed,
                "recorded_difference_ma": float((pairs[1] - pairs[0]).mean()),
                "recorded_sd_ma": float((pairs[1] - pairs[0]).std(ddof=1)),
            }
            try:
                found = paired_ratio(as_thresholds(pairs, NEITHER), ANTERIOR_POSTERIOR, ANTERIOR_LATERAL)
            except NotEstimableError as error:
                rows.append({**row, "reason": str(error)})
                continue
            rows.append(
                {
                    **row,
                    "ratio": found.ratio.value,
                    "ratio_lower": found.ratio.lower,
                    "ratio_upper": found.ratio.upper,
                    "median_difference_ma": -found.difference_at_median.value,
                    "ratio_without_neither": ratio_without_neither(pairs),
                    "reason": "",
                }
            )
    return pd.DataFrame(rows)


# ---- the analysis in words ---------------------------------------------------------------------------------------


def table_lines(header: tuple[str, ...], rows: list[tuple[object, ...]]) -> list[str]:
    """A table in Markdown."""
    lines = ["| " + " | ".join(header) + " |", "|" + "---|" * len(header)]
    return [*lines, *("| " + " | ".join(str(cell) for cell in row) + " |" for row in rows), ""]


def p_text(p: float) -> str:
    """A p-value with two significant digits, written out."""
    exact = Decimal(p)
    return f"{exact.quantize(Decimal(1).scaleb(exact.adjusted() - 1), rounding=ROUND_HALF_UP):f}"


def published_section() -> list[str]:
    """The inputs, each with how it is known."""
    return [
        "## 1. What was published",
        "",
        "AP is anterior-posterior, AL anterior-lateral. Only the abstract and summaries were seen, not the full papers.",
        "",
        *table_lines(("quantity", "published", "how it is known", "source"), list(SOURCES)),
        f"R: {RESUSCITATION}",
        "",
        f"C: {CIRCULATION} Both letters appear to report the same 20 people.",
        "",
        f"N: {REGISTRY}",
        "",
        "Three things are told differently in different places:",
        "",
        "- The p-value: 0.001 in a copy of the abstract, 0.0001 in a secondary summary. Section 3 settles it.",
        "- Whether all 20 were paced both ways (secondary summary) or three one way only (abstract). Section 2 settles it.",
        (
            "- Whether muscle contraction was stronger or weaker with AP: the abstract and two secondary summaries contradict "
            "each other. Nothing here settles it, and no direction is used."
        ),
        "",
    ]


def counts_section(tables: list[CrossoverTable]) -> list[str]:
    """Tables, tests and intervals that follow from the counts."""
    both_ways = ENROLLED - ONE_WAY
    rows = []
    for table in tables:
        test = mcnemar(table.ap_only, table.al_only)
        newcombe, tango = (method(*table.cells) for method in (paired_difference_newcombe, paired_difference_tango))
        rows.append(
            (
                *table.cells, f"{table.one_way_ap_captured}/{table.one_way_ap}",
                f"{table.one_way_al_captured}/{table.one_way_al}", p_text(test.p_exact), p_text(test.p_mid),
                f"{(table.ap_only - table.al_only) / both_ways:.2f} ({newcombe[0]:.2f} to {newcombe[1]:.2f})",
                f"{tango[0]:.2f} to {tango[1]:.2f}",
            )
        )  # fmt: skip
    ap, al = tables[0].ap, tables[0].al
    header = (
        "both captured", "AP only", "AL only", "neither", "AP-only patients captured", "AL-only patients captured",
        "exact McNemar p", "mid-p", "share captured, AP minus AL (95 %, Newcombe)", "95 %, Tango",
    )  # fmt: skip
    return [
        "## 2. What the counts determine",
        "",
        (
            f"Of {ENROLLED} patients {ONE_WAY} were paced one way, so {both_ways} both ways, of whom {NEITHER} captured neither "
            f"way and {PAIRED} at least one way. All splits of the {ONE_WAY} and all tables of the {both_ways} were tried "
            f"against {AP_PERCENT} % and {AL_PERCENT} %, rounded to the nearest whole per cent. {len(tables)} remain (all "
            "derived here):"
        ),
        "",
        *table_lines(header, rows),
        (
            f"In every one AP captured {ap[0]} of {ap[1]} and AL {al[0]} of {al[1]} (ratio {ap[0] * al[1] / ap[1] / al[0]:.2f}; "
            "a secondary summary says 'about 80 % more likely'). One patient was paced with AP only and captured; two were "
            "paced with AL only. No table has a patient whom only AL captured. That all "
            f"{ENROLLED} were paced both ways is impossible: no whole number of {ENROLLED} rounds to {AP_PERCENT} % or to "
            f"{AL_PERCENT} %."
        ),
        "",
        (
            "The exact paired test of capture is therefore known up to three values, of which one lies above 0.05. The "
            "summary does not say which."
        ),
        "",
    ]


def spread_section(totals: list[Totals]) -> list[str]:
    """Spread, t, p and the sums."""
    error, sd, t, p = spread_as_printed()
    low, high = p_range(totals)
    free_low, free_high = p_range_without_grid()
    rows = [
        (
            x.imputed,
            x.ap_sum,
            x.al_captured_sum,
            f"{x.difference_sum / PAIRED:.2f}",
            f"{x.sd_low:.1f} to {x.sd_high:.1f}",
        )
        for x in totals
    ]
    header = ("AL imputed", "sum of AP, mA", "sum of captured AL, mA", "mean difference, mA", "SD of differences, mA")
    return [
        "## 3. What the means and the interval determine",
        "",
        (
            f"From the interval with {PAIRED - 1} degrees of freedom: standard error {error:.2f} mA, SD of the {PAIRED} "
            f"differences {sd:.1f} mA, t = {t:.2f}, p = {p_text(p)} (derived here). With the ramp of the secondary summary every "
            f"recorded value lies on a {STEP} mA grid from {START} to {MAXIMUM} mA, or is {IMPUTED}; the sums that round to the published means, difference and limits "
            "are few:"
        ),
        "",
        *table_lines(header, rows),
        (
            f"Over all of them p lies between {p_text(low)} and {p_text(high)}, and without the grid, over all means and limits that "
            f"round to the published ones, between {p_text(free_low)} and {p_text(free_high)}. The published 0.0001 fits; 0.001 does not. That is "
            f"the p-value of the recorded numbers, with {IMPUTED} for non-capture, and not of the thresholds."
        ),
        "",
    ]


def imputed_section(tables: list[CrossoverTable], totals: list[Totals]) -> list[str]:
    """Which values were imputed, and what the mean difference is worth."""
    codes = (IMPUTED, 150, 160, 200)
    bounds = {k: rest for k, *rest in mean_difference_bounds(totals)}
    rows = []
    for table in tables:
        k = table.ap_only
        mean = next(x.difference_sum for x in totals if x.imputed == k) / PAIRED
        recoded = (f"{mean + k * (code - IMPUTED) / PAIRED:.1f}" for code in codes)
        rows.append(
            (f"{k} of {PAIRED}", table.al_only, f"{implied_mean_of_captures(k):.1f}", *recoded,
             f"above {bounds[k][0]:.1f}", f"above {bounds[k][1]:.1f}")
        )  # fmt: skip
    header = (
        "AL imputed", "AP imputed", "mean of the AL captures, mA", *(f"difference with {code}" for code in codes),
        "true mean difference", "the same, steps as intervals",
    )  # fmt: skip
    return [
        "## 4. What was imputed, and what the 33 mA are worth",
        "",
        *table_lines(header, rows),
        (
            f"No AP value was imputed, and {tables[0].ap_only} to {tables[-1].ap_only} of {PAIRED} AL values were. The mean "
            "difference (AL minus AP, mA) depends on the number that was entered for them, which nobody measured."
        ),
        "",
        (
            f"Without a model it has a lower bound and no upper one. A non-capture is a threshold above {MAXIMUM} mA and was "
            f"counted at {IMPUTED}, so the true mean lies above the recorded one less (imputed / {PAIRED}) x 1 mA. If a recorded "
            f"current x means a threshold in (x - {STEP}, x], or (0, {START}] at the first setting, the bound falls to the last "
            "column (smallest value over all data sets that agree with the summary, by integer programming). So the published "
            f"{DIFFERENCE} mA is close to the least that the {PAIRED} patients can have needed more with AL, on average. The "
            f"ratio of the means, {AP_MEAN}/{AL_MEAN} = {AP_MEAN / AL_MEAN:.2f}, is likewise close to the highest that it can be."
        ),
        "",
        (
            "Both readings take a recorded current to be where capture began. Capture had to last 10 s while the ramp rose "
            "every second (secondary summary); whether the ramp paused for that is not said. If it did not, recorded currents "
            "lie several steps above the thresholds, with both placements."
        ),
        "",
    ]


def sign_section(ranges: list[SignRange]) -> list[str]:
    """The sign test over everything compatible, and the four who captured neither way."""
    rows = []
    for found in ranges:
        weakest = mcnemar(found.fewest_favour_ap, found.favour_al).p_exact
        strongest = mcnemar(found.most_favour_ap, found.favour_al).p_exact
        rows.append(
            (
                found.favour_al,
                f"{found.fewest_favour_ap} to {found.most_favour_ap}",
                f"{p_text(strongest)} to {p_text(weakest)}",
            )
        )
    fewest = min(found.fewest_favour_ap for found in ranges)
    worst = max(mcnemar(found.fewest_favour_ap, found.favour_al).p_exact for found in ranges)
    at_most = most_at_or_below_zero()
    without_grid = mcnemar(PAIRED - at_most, at_most).p_exact
    both_ways = ENROLLED - ONE_WAY
    return [
        "## 5. Which placement needed less, patient by patient",
        "",
        (
            "The sign of a difference needs no imputed number: a patient captured with AP only needed less with AP. Two "
            "captures at the same setting are a tie. Over all data sets that agree with the summary (integer programming):"
        ),
        "",
        *table_lines(("patients who needed less with AL", "with AP", "exact sign test p"), rows),
        (
            f"At least {fewest} of the {PAIRED} needed less with AP, and the exact sign test gives at most p = {p_text(worst)}. "
            f"Without the {STEP} mA grid, by the one-sided Chebyshev inequality for mean and SD, at most {at_most} of the {PAIRED} "
            f"differences are 0 or less; were all {at_most} below 0, p = {p_text(without_grid)}."
        ),
        "",
        f"## 6. What the {NEITHER} patients captured neither way add",
        "",
        (
            f"Both their thresholds lie above {MAXIMUM} mA. They say nothing about the direction, so they change neither the sign "
            "test nor McNemar's test. They belong in a censored likelihood, as P(both thresholds above the maximum), where they "
            "tell of the height of the currents and the spread between patients; in section 7 they move the ratio a little towards "
            "1. They also take away every bound on the mean "
            f"difference of all {both_ways}: each may differ by any amount either way. The median keeps its sign: at least {fewest} of "
            f"{both_ways}, more than half, needed less with AP whatever these {NEITHER} would have shown."
        ),
        "",
    ]


def reconstruction_section(data: pd.DataFrame, seed: int) -> list[str]:
    """Censored analysis of invented pairs."""
    rows = []
    for k, own in data[data["reason"] == ""].groupby("imputed"):
        cells = []
        for column, digits in (("ratio", 2), ("median_difference_ma", 0), ("ratio_without_neither", 2)):
            low, middle, high = np.quantile(own[column], (0, 0.5, 1))
            cells.append(f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})")
        limits = f"{own['ratio_lower'].min():.2f} to {own['ratio_upper'].max():.2f}"
        rows.append((k, len(own), cells[0], limits, cells[1], cells[2]))
    usable = data[data["reason"] == ""]
    header = (
        "AL imputed", "data sets", "ratio AP/AL: median (range)", "widest 95 % limits",
        "difference of medians, mA", "ratio without the 4",
    )  # fmt: skip
    below = int((usable["ratio"] < AP_MEAN / AL_MEAN).sum())
    return [
        "## 7. Reconstruction: invented data sets that agree with the summary",
        "",
        (
            f"**These are not data.** {len(data)} sets of {PAIRED} pairs were drawn (seed {seed}) that have the published means, "
            f"difference and SD after rounding, with {IMPUTED} where an AL value was imputed; {NEITHER} patients without any capture "
            "were added, and the patients paced one way, whose currents are unknown, left out. Every data set on the grid that "
            "agrees is equally likely (random walk over the settings), which is an assumption. Each was analysed as the "
            "trial could have been: intervals, non-capture as above the maximum, a random patient effect on log current "
            "(`capstat.placement.paired_ratio`)."
        ),
        "",
        *table_lines(header, rows),
        (
            f"{len(data) - len(usable)} data sets had no finite ratio. In {below} of {len(usable)} the ratio lies below the published reading, "
            f"{AP_MEAN}/{AL_MEAN} = {AP_MEAN / AL_MEAN:.2f}, and in {int((usable['ratio_upper'] < 1).sum())} its 95 % interval lies "
            f"below 1. The difference of medians comes out above the published {DIFFERENCE} mA in "
            f"{int((usable['median_difference_ma'] > DIFFERENCE).sum())}. That is what entering {IMPUTED} for 'not captured' does: it "
            f"draws the placements together. How far depends on the lognormal model above {MAXIMUM} mA, where nothing was seen."
        ),
        "",
    ]


def summary_section(tables: list[CrossoverTable], ranges: list[SignRange], seed: int) -> list[str]:
    """Head of the document: what can and what cannot be had."""
    ps = ", ".join(p_text(mcnemar(t.ap_only, t.al_only).p_exact) for t in tables)
    fewest = min(found.fewest_favour_ap for found in ranges)
    return [
        "# The 2022 crossover of pad placements, from its published summary",
        "",
        f"Written by `python analyses/06_published_crossover.py`, seed {seed}. Not patient data.",
        "",
        "**Can be had:**",
        "",
        (
            f"- the counts: AP captured {tables[0].ap[0]} of {tables[0].ap[1]}, AL {tables[0].al[0]} of {tables[0].al[1]}; "
            "no patient paced both ways was captured by AL only;"
        ),
        f"- the exact paired test of capture, up to three values: p = {ps};",
        f"- which values were imputed: no AP value, {tables[0].ap_only} to {tables[-1].ap_only} of the {PAIRED} AL values;",
        "- the spread of the recorded differences, and that p = 0.001 does not come from a paired t test of them;",
        f"- a lower bound of the mean difference in the {PAIRED}, close to the published {DIFFERENCE} mA;",
        f"- that at least {fewest} of {ENROLLED - ONE_WAY} patients needed less current with AP.",
        "",
        "**Cannot be had:**",
        "",
        "- an upper bound of the mean difference, or any bound once the patients captured neither way are counted;",
        "- the ratio of thresholds within patients, other than by assuming a distribution (section 7);",
        "- SDs and correlation of the two placements, individual thresholds, the currents of the patients paced one way;",
        "- whether the order mattered: the placements were ordered by odd or even number and no result by order was seen;",
        "- in which direction the strength of muscle contraction differed.",
        "",
    ]


def report(
    tables: list[CrossoverTable], totals: list[Totals], ranges: list[SignRange], data: pd.DataFrame, seed: int
) -> str:
    """The whole analysis as text; ``data`` are the reconstructions."""
    lines = [
        *summary_section(tables, ranges, seed),
        *published_section(),
        *counts_section(tables),
        *spread_section(totals),
        *imputed_section(tables, totals),
        *sign_section(ranges),
        *reconstruction_section(data, seed),
    ]
    return "\n".join(lines).rstrip() + "\n"


def picture(data: pd.DataFrame) -> Figure:
    """The reconstructed ratios with their limits, and the published ratio of means."""
    usable = data[data["reason"] == ""].sort_values(["imputed", "ratio"]).reset_index(drop=True)
    figure = Figure(figsize=(7, 5), layout="constrained")
    axes = figure.subplots()
    for place, (k, own) in enumerate(usable.groupby("imputed")):
        reach = (own["ratio"] - own["ratio_lower"], own["ratio_upper"] - own["ratio"])
        axes.errorbar(
            own.index, own["ratio"], yerr=reach, fmt="o", ms=3, lw=0.8, color=f"C{place}", label=f"{k} imputed"
        )
    axes.axhline(AP_MEAN / AL_MEAN, color="black", ls="--", label="ratio of published means")
    axes.axhline(1, color="grey", lw=0.8)
    axes.set(
        xlabel="invented data set (sorted)", ylabel="threshold with AP relative to AL", xticks=[],
        title="Reconstructions that agree with the published summary (not data)",
    )  # fmt: skip
    axes.legend(fontsize="small", loc="upper right", bbox_to_anchor=(1, 0.97))
    return figure


def main() -> None:
    parser = argparse.ArgumentParser(description="What the published summary of the 2022 crossover determines.")
    parser.add_argument("--out", type=Path, help="new folder for text, tables and figure")
    options = parser.parse_args()
    tables = compatible_tables()
    totals = compatible_totals(tables)
    data = reconstruct(totals, seed=SEED, per_count=DATA_SETS_PER_COUNT)
    text = report(tables, totals, sign_ranges(totals), data, SEED)
    print(text, end="")
    if options.out is not None:
        with new_folder_atomically(options.out, kind="report") as folder:
            (folder / "published_crossover.md").write_text(text, encoding="utf-8")
            (folder / "compatible_tables.csv").write_text(csv_text(pd.DataFrame(tables)), encoding="utf-8")
            (folder / "reconstructions.csv").write_text(csv_text(data), encoding="utf-8")
            picture(data).savefig(folder / "reconstructed_ratios.png", dpi=150)


if __name__ == "__main__":
    main()
