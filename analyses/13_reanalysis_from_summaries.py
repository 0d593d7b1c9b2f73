"""Thresholds reconstructed from printed summaries: the 2022 crossover, and simulated studies with a known truth.

Run: python analyses/13_reanalysis_from_summaries.py              writes reconstruction_2022.csv and the text from it
     python analyses/13_reanalysis_from_summaries.py --simulate   writes reconstruction_simulation.csv [--studies 200] [--seed 1]
     python analyses/13_reanalysis_from_summaries.py --record     writes the quantiles that reports use into the package

The text, 13_reanalysis_from_summaries.md, is made of both CSV files.  Nothing here is patient data.

Simulated crossovers: lognormal thresholds, log SD 0.3 with both placements, correlation 0.6, ramp 40 by 5 to 140 mA; the second placement
fails at the maximum in the share named.  Printed is what a paper would print: means of the patients captured at least once with 141 for no
capture, difference and 95 % t interval, all rounded to 1 mA, and the counts.  Simulated groups are reported as mean and SD, rounded to 1 mA,
with 141 for no capture or without the patients not captured.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

import capstat.synthesis
from capstat.output import csv_text
from capstat.placement import paired_ratio
from capstat.results import NotEstimableError, UsageError
from capstat.synthesis.reconstruction import crossover_variants, reconstruct_crossover
from capstat.synthesis.reconstruction_arm import reconstruct_arm
from capstat.synthesis.reconstruction_setting import Effort
from capstat.synthesis.recorded_crossover import RECORD, crossover_record
from capstat.synthesis.reported import ReportedArm
from capstat.synthesis.reported_crossover import ReportedCounts, ReportedCrossover, published_crossover_2022
from capstat.thresholds import CensoredThresholds

FOLDER = Path(__file__).parent
PUBLISHED, SIMULATION = FOLDER / "reconstruction_2022.csv", FOLDER / "reconstruction_simulation.csv"
TEXT = FOLDER / "13_reanalysis_from_summaries.md"
SEED = 2022
START, STEP, MAXIMUM, IMPUTED = 40, 5, 140, 141
LOG_SD, CORRELATION = 0.3, 0.6
# shorter chains than in a single analysis: limits are a little rougher
QUICK = Effort(chains=48, warm_up=60, draws=60)
# so long that limits of another seed differ by about 0.01
LONG = Effort(chains=256, warm_up=200, draws=600)
# few long chains leave correlations near 1 behind
LONGEST = Effort(chains=48, warm_up=500, draws=4000)
RECORD_FILE = Path(capstat.synthesis.__file__).parent / RECORD


# ---- simulated studies -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Scenario:
    """One kind of simulated study.

    Attributes
    ----------
    design : str
        "crossover", "imputed" (one group, 141 for no capture) or "left out" (one group, captures only).
    patients : int
        Patients enrolled.
    not_captured : float
        Share above the maximum, in a crossover with the second placement.
    ratio : float
        True ratio of medians, first to second; 1 for one group.
    """

    design: str
    patients: int
    not_captured: float
    ratio: float = 1.0

    @property
    def median_ma(self) -> float:
        """True median, of the second placement in a crossover."""
        return float(np.exp(np.log(MAXIMUM) - LOG_SD * stats.norm.isf(self.not_captured)))


SCENARIOS = (
    *(Scenario("crossover", n, share, ratio) for n in (20, 40) for share in (0.15, 0.4) for ratio in (0.75, 1.0)),
    *(Scenario("imputed", n, share) for n in (20, 40) for share in (0.15, 0.4)),
    Scenario("left out", 40, 0.15),
)


def recorded(threshold_ma: np.ndarray) -> np.ndarray:
    """What the ramp records, with 141 for no capture."""
    setting = START + STEP * np.ceil(np.maximum(threshold_ma - START, 0.0) / STEP)
    return np.where(setting > MAXIMUM, IMPUTED, setting)


def rounded(value: float) -> int:
    """As printed."""
    return int(np.floor(value + 0.5))


def simulated_pairs(scenario: Scenario, rng: np.random.Generator) -> np.ndarray:
    """Recorded currents of both placements, shape (patients, 2)."""
    centre = np.log(scenario.median_ma) + np.array([np.log(scenario.ratio), 0.0])
    covariance = LOG_SD**2 * np.array([[1.0, CORRELATION], [CORRELATION, 1.0]])
    return recorded(np.exp(rng.multivariate_normal(centre, covariance, scenario.patients)))


def as_printed(pairs: np.ndarray) -> ReportedCrossover:
    """The summary that a paper would give of recorded pairs."""
    captured = (pairs < IMPUTED).any(axis=1)
    used = pairs[captured]
    difference = used[:, 1] - used[:, 0]
    low, high = stats.t.interval(0.95, len(used) - 1, difference.mean(), stats.sem(difference))
    return ReportedCrossover(
        "first", "second", len(used), int((~captured).sum()), rounded(used[:, 0].mean()), rounded(used[:, 1].mean()),
        rounded(difference.mean()), rounded(low), rounded(high), 0.95, MAXIMUM, IMPUTED, START, STEP,
        (ReportedCounts(*(int(x) for x in (used == IMPUTED).sum(axis=0))),),
    )  # fmt: skip


def full_data_ratio(pairs: np.ndarray) -> float | None:
    """The ratio that the censored analysis of the recorded pairs themselves gives."""
    lower = np.where(pairs == IMPUTED, MAXIMUM, np.where(pairs == START, 0.0, pairs - STEP))
    upper = np.where(pairs == IMPUTED, np.inf, pairs)
    thresholds = CensoredThresholds.from_bounds(
        lower.ravel(), upper.ravel(), np.repeat(np.arange(len(pairs)), 2), ["first", "second"] * len(pairs)
    )
    try:
        return paired_ratio(thresholds, "first", "second").ratio.value
    except NotEstimableError:
        return None


def simulate_study(scenario: Scenario, seed: int, number: int) -> dict[str, float] | None:
    """One study: estimate, limits, the printed reading and the analysis of the full data; ``None`` without a result."""
    rng = np.random.default_rng([seed, SCENARIOS.index(scenario), number])
    chain_seed = int(rng.integers(2**31))
    try:
        if scenario.design == "crossover":
            pairs = simulated_pairs(scenario, rng)
            study = as_printed(pairs)
            result = reconstruct_crossover(study, seed=chain_seed, effort=QUICK)
            full = full_data_ratio(pairs)
            return {
                "value": result.ratio.value, "lower": result.ratio.lower, "upper": result.ratio.upper,
                "printed": study.first_mean_ma / study.second_mean_ma, "full": np.nan if full is None else full,
            }  # fmt: skip
        currents = recorded(np.exp(rng.normal(np.log(scenario.median_ma), LOG_SD, scenario.patients)))
        n_captured = int((currents < IMPUTED).sum())
        in_mean = currents if scenario.design == "imputed" else currents[currents < IMPUTED]
        mean, sd = rounded(in_mean.mean()), rounded(in_mean.std(ddof=1))
        arm = ReportedArm(
            scenario.patients, n_captured, mean, sd, MAXIMUM, IMPUTED if scenario.design == "imputed" else None, START,
            STEP,
        )  # fmt: skip
        median = reconstruct_arm(arm, seed=chain_seed, effort=QUICK).median
    except (NotEstimableError, UsageError):
        return None
    return {"value": median.value, "lower": median.lower, "upper": median.upper, "printed": mean, "full": np.nan}


def simulate(scenario: Scenario, seed: int, studies: int) -> dict[str, object]:
    """One line of the simulation: coverage and bias."""
    found = [simulate_study(scenario, seed, number) for number in range(studies)]
    data = pd.DataFrame([study for study in found if study is not None])
    truth = scenario.ratio if scenario.design == "crossover" else scenario.median_ma
    full = data.dropna(subset=["full"])
    off = {name: 100 * np.expm1(np.log(data[name] / truth).mean()) for name in ("value", "printed")}
    row: dict[str, object] = {
        "design": scenario.design, "patients": scenario.patients, "not_captured": scenario.not_captured,
        "truth": round(truth, 4), "studies": len(data), "without_result": studies - len(data),
        "coverage_percent": round(100 * float(((data["lower"] <= truth) & (truth <= data["upper"])).mean()), 1),
        "limits_above_truth_percent": round(100 * float((data["lower"] > truth).mean()), 1),
        "limits_below_truth_percent": round(100 * float((data["upper"] < truth).mean()), 1),
        "bias_percent": round(float(off["value"]), 1), "bias_of_printed_percent": round(float(off["printed"]), 1),
        "width_factor": round(float(np.exp(np.log(data["upper"] / data["lower"]).mean())), 3),
        "sd_log_from_full_data": "", "sd_log_of_full_data": "",
    }  # fmt: skip
    if len(full):
        row["sd_log_from_full_data"] = round(float(np.sqrt((np.log(full["value"] / full["full"]) ** 2).mean())), 3)
        row["sd_log_of_full_data"] = round(float(np.log(full["full"]).std()), 3)
    return row


def simulate_all(seed: int, studies: int) -> pd.DataFrame:
    """All scenarios, on two processes."""
    with ProcessPoolExecutor(2) as pool:
        rows = list(pool.map(simulate, SCENARIOS, [seed] * len(SCENARIOS), [studies] * len(SCENARIOS)))
    return pd.DataFrame(rows)


# ---- the 2022 crossover ------------------------------------------------------------------------------------------


def analyse_published(seed: int, effort: Effort) -> pd.DataFrame:
    """The reconstruction of the 2022 crossover: one line for each set of counts, all together, and each variant."""
    found = reconstruct_crossover(published_crossover_2022(), seed=seed, effort=effort)
    lines = [
        ("counts", f"{one.counts.second_imputed} of 13", one.weight, one.ratio, one.difference) for one in found.counts
    ]
    lines += [
        ("all", "5, 6 or 7, weighted by what was published", 1.0, found.ratio, found.difference),
        ("all", "5, 6 or 7, equal weights", 1.0, found.equal_weights, None),
        ("correlation", "correlation of both log thresholds of a patient", 1.0, found.correlation, None),
    ]
    variants = crossover_variants(found, seed=seed, effort=effort)
    lines += [("variant", one.assumption, 1.0, one.ratio, one.difference) for one in variants]
    rows = []
    for part, label, weight, value, difference in lines:
        if value is None:
            raise RuntimeError(f"No result for: {label}.")
        rows.append(
            {
                "part": part, "label": label, "weight": round(weight, 2), "patients": value.n,
                "value": round(value.value, 3), "lower": round(value.lower, 3), "upper": round(value.upper, 3),
                **{
                    f"difference_{name}_ma": round(getattr(difference, name)) if difference is not None else ""
                    for name in ("value", "lower", "upper")
                },
            }
        )  # fmt: skip
    others = (
        ("log ratio", round(found.log_ratio, 3)),
        ("SD of the log ratio", round(found.log_ratio_sd, 3)),
        ("R-hat of the log ratio", round(found.convergence.r_hat, 3)),
        ("effective draws of the log ratio", round(found.convergence.effective_draws)),
        ("worst R-hat", round(found.worst.r_hat, 3)),
        ("fewest effective draws", round(found.worst.effective_draws)),
    )
    rows += [{"part": "other", "label": label, "patients": found.ratio.n, "value": value} for label, value in others]
    return pd.DataFrame(rows)


# ---- the text ----------------------------------------------------------------------------------------------------


def limits(row: pd.Series) -> str:
    """Ratio with its limits."""
    return f"{row['value']:.2f} ({row['lower']:.2f} to {row['upper']:.2f})"


def difference(row: pd.Series) -> str:
    """Difference of medians with its limits."""
    if pd.isna(row["difference_value_ma"]):
        return ""
    names = (f"difference_{name}_ma" for name in ("value", "lower", "upper"))
    value, low, high = (f"{row[name]:.0f}" for name in names)
    return f"{value} ({low} to {high})"


def table(header: tuple[str, ...], rows: list[tuple[object, ...]]) -> list[str]:
    """A table in Markdown."""
    lines = ["| " + " | ".join(header) + " |", "|" + "---|" * len(header)]
    return [*lines, *("| " + " | ".join(str(cell) for cell in row) + " |" for row in rows), ""]


def published_section(data: pd.DataFrame) -> list[str]:
    """The 2022 crossover."""
    counts, everything, variants = (data[data["part"] == part] for part in ("counts", "all", "variant"))
    headline = everything.iloc[0]
    correlation = data[data["part"] == "correlation"].iloc[0]
    other = data[data["part"] == "other"].set_index("label")["value"]
    every = pd.concat([counts, everything, variants])
    return [
        "## 1. The 2022 crossover",
        "",
        (
            "What was published, and how each number is known, is in 06_published_crossover.md: 13 pairs, means of 93 mA (AP) and "
            "126 mA (AL) with 141 mA for no capture, difference 33 mA (20 to 45), maximum 140 mA, 4 patients captured in neither "
            "position, 3 paced one way. AP/AL is the ratio of median thresholds; below 1, AP needs less. Differences are AL minus AP."
        ),
        "",
        (
            f"**The ratio is {limits(headline)}, against 93/126 = {93 / 126:.2f} of the printed means.** The difference of medians is "
            f"{difference(headline)} mA, against 33 mA printed."
        ),
        "",
        *table(
            ("AL values imputed", "weight", "AP/AL (95 %)", "difference of medians, mA (95 %)"),
            [(row["label"], f"{row['weight']:.2f}", limits(row), difference(row)) for _, row in counts.iterrows()]
            + [(row["label"], "", limits(row), difference(row)) for _, row in everything.iterrows()],
        ),
        (
            "How many values were imputed was not published. Before, 5, 6 and 7 were equally likely; the weights are their posterior "
            "probabilities: how probable everything published is with each, which includes that 0, 1 or 2 of the two patients paced "
            "with AL alone were captured."
        ),
        "",
        "One assumption changed at a time, over all three counts:",
        "",
        *table(
            ("changed", "patients", "AP/AL (95 %)", "difference of medians, mA (95 %)"),
            [(row["label"], row["patients"], limits(row), difference(row)) for _, row in variants.iterrows()],
        ),
        (
            f"Over counts and variants the ratio lies between {every['value'].min():.2f} and {every['value'].max():.2f}; the lower limit moves "
            f"between {every['lower'].min():.2f} and {every['lower'].max():.2f}, the upper between {every['upper'].min():.2f} and "
            f"{every['upper'].max():.2f}. The lower limit, which tells how much less AP may need, is the part that rests on what was not "
            "published. The upper limit lies below 1 in every line."
        ),
        "",
        (
            f"The correlation of both log thresholds of a patient is hardly known: {limits(correlation)}. For pooling: log ratio "
            f"{other['log ratio']:.3f}, SD {other['SD of the log ratio']:.3f}; the posterior is skewed towards lower ratios. R-hat of the log "
            f"ratio {other['R-hat of the log ratio']:.3f}, effective draws {other['effective draws of the log ratio']:.0f}; the worst of log "
            f"ratio, log SDs and correlation {other['worst R-hat']:.3f} and {other['fewest effective draws']:.0f}, since chains leave "
            "correlations near 1 slowly."
        ),
        "",
        (
            "Not covered: a recorded current above the threshold because the ramp went on while capture was confirmed; the order of the "
            "positions; whether the anaesthetist's decision to pace one way had to do with the threshold; patients whom no current "
            "captures, other than by leaving out the 4."
        ),
        "",
    ]


def method_section() -> list[str]:
    """What was done."""
    return [
        "## 2. How",
        "",
        (
            "The recorded currents that would have been published in the same numbers are many. Markov chains run over all of them, "
            "weighted by how probable each is, and over the law behind them: both log thresholds of a patient bivariate normal, recorded as "
            "the first setting at or above the threshold, or as 141. Every state of the chains has the printed means, difference, limits "
            "and counts after rounding. Patients captured in neither position enter as above the maximum in both, those paced one way by "
            "whether they captured. Prior: flat in both log medians and in the correlation, 1/SD in both SDs of the log, none below 0.02. The limits are posterior "
            "quantiles. Section 7 of 06_published_crossover.md took every compatible data set as equally likely and analysed each; here "
            "data sets are weighted, and the limits contain the uncertainty of a sample of this size."
        ),
        "",
        (
            "Prior: |Sigma|^-2 would give Student's paired t limits if all data were seen, but is improper here, since some data sets that "
            "agree with the summary lie on a line. Checked: exactly against all data sets of tiny studies with numerical integration (tests)."
        ),
        "",
    ]


def simulation_section(data: pd.DataFrame) -> list[str]:
    """Known truth."""
    crossovers, groups = data[data["design"] == "crossover"], data[data["design"] != "crossover"]
    lines = [
        "## 3. Simulated studies with a known truth",
        "",
        (
            f"Lognormal thresholds, log SD {LOG_SD}, correlation {CORRELATION}, ramp {START} by {STEP} to {MAXIMUM} mA, printed as a paper "
            "would. 'Bias' is that of the median estimate on the log scale; 'from the full data' is the root mean square difference of log "
            "ratios to the censored analysis (`paired_ratio`) of the recorded pairs themselves, whose own SD stands beside it. The truth is of the family that is assumed, so nothing here tells of another shape above the "
            "maximum. Seed 1; chains shorter than in section 1. 200 studies tell a coverage to about 3 percentage points."
        ),
        "",
    ]
    lines += table(
        (
            "patients", "not captured, second", "true ratio", "studies", "coverage of 95 % limits", "too high / too low",
            "bias", "bias of printed means", "from the full data", "SD of the full data",
        ),
        [
            (
                row.patients, f"{100 * row.not_captured:.0f} %", f"{row.truth:.2f}", row.studies, f"{row.coverage_percent:.1f} %",
                f"{row.limits_above_truth_percent:.1f} / {row.limits_below_truth_percent:.1f} %", f"{row.bias_percent:+.1f} %",
                f"{row.bias_of_printed_percent:+.1f} %", f"{row.sd_log_from_full_data:.3f}", f"{row.sd_log_of_full_data:.3f}",
            )
            for row in crossovers.itertuples()
        ],
    )  # fmt: skip
    lines += ["One group, reported as mean and SD:", ""]
    lines += table(
        ("no capture", "patients", "not captured", "true median, mA", "studies", "coverage of 95 % limits", "too high / too low",
         "bias", "bias of the printed mean"),
        [
            (
                "141 entered" if row.design == "imputed" else "left out", row.patients, f"{100 * row.not_captured:.0f} %",
                f"{row.truth:.0f}", row.studies, f"{row.coverage_percent:.1f} %",
                f"{row.limits_above_truth_percent:.1f} / {row.limits_below_truth_percent:.1f} %", f"{row.bias_percent:+.1f} %",
                f"{row.bias_of_printed_percent:+.1f} %",
            )
            for row in groups.itertuples()
        ],
    )  # fmt: skip
    return lines


def text(published: pd.DataFrame, simulation: pd.DataFrame) -> str:
    """The whole document."""
    head = [
        "# Thresholds reconstructed from printed summaries",
        "",
        (
            f"Written by `python analyses/13_reanalysis_from_summaries.py` (seed {SEED}) from reconstruction_2022.csv and "
            "reconstruction_simulation.csv. Not patient data."
        ),
        "",
    ]
    body = [*published_section(published), *method_section(), *simulation_section(simulation)]
    return "\n".join([*head, *body]).rstrip() + "\n"


def main() -> None:
    """Write the files."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--simulate", action="store_true", help="run the simulation instead of the 2022 crossover")
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1, help="of the simulation")
    parser.add_argument(
        "--record", action="store_true", help="write the quantiles that reports use into the package, by longer chains"
    )
    chosen = parser.parse_args()
    if chosen.record:
        record = crossover_record(published_crossover_2022(), seed=SEED, effort=LONGEST)
        RECORD_FILE.write_text(json.dumps(record, separators=(",", ":")) + "\n", encoding="utf-8")
        return
    if chosen.simulate:
        SIMULATION.write_text(csv_text(simulate_all(chosen.seed, chosen.studies)), encoding="utf-8")
    else:
        PUBLISHED.write_text(csv_text(analyse_published(SEED, LONG)), encoding="utf-8")
    TEXT.write_text(text(pd.read_csv(PUBLISHED), pd.read_csv(SIMULATION)), encoding="utf-8")


if __name__ == "__main__":
    main()
