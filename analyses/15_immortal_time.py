"""How often capture seems to go with survival when it does nothing, by four methods, in simulated studies.

Run: python analyses/15_immortal_time.py --out analyses/immortal_time_simulation.csv [--studies 500] [--emulated 400] [--seed 1]

All numbers of the simulation are assumed.  Patients are paced from time zero; 40 % are severely ill (recorded).  Hazard of
death 0.012 a minute, 2.5 times that when severely ill; hazard of capture 0.15 a minute until 15 minutes after the first pulse; last contact at
60 minutes, or at random between 20 and 100 minutes where that is earlier.  Scenarios: no confounding; confounding (the severely ill are
captured at half the rate); benefit (confounding, and hazard of death 0.6 times as high once captured); late arrival
(no confounding; 60 % come under observation an exponential time, mean 5 minutes, after time zero, when pacing begins,
and only if alive).  Risks are compared at 30 minutes, landmark and grace period are 5 minutes.

One line for each scenario, size and method: studies with a result, truth (of 1,000,000 patients for risks), mean estimate
and its standard deviation over studies, share of studies that claim an association at 5 %, and share of 95 % intervals that hold the
truth.  Log hazard ratios, risks in percentage points.  A landmark's hazard ratio with a benefit has no truth given here: later captures
dilute it.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from capstat.outcomes.immortal_course import SurvivalCourse
from capstat.outcomes.immortal_emulation import clone_censor_weight
from capstat.outcomes.immortal_landmark import landmark
from capstat.outcomes.immortal_naive import naive
from capstat.outcomes.immortal_time_varying import time_varying
from capstat.output import csv_text
from capstat.results import Estimate, NotEstimableError

SCENARIOS = ("no confounding", "confounding", "benefit", "late arrival")
SIZES = (150, 600)
HORIZON, AT = 30.0, 5.0
BENEFIT = 0.6
# minutes of pacing without capture
GIVEN_UP = 15.0
REPLICATES = 100
POPULATION = 1_000_000


def _hazards(scenario: str, severe: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    death = np.where(severe, 0.03, 0.012)
    capture = np.where(severe & (scenario in ("confounding", "benefit")), 0.075, 0.15)
    return death, capture


def _deaths(unit: np.ndarray, death: np.ndarray, captured: np.ndarray, ratio: float) -> np.ndarray:
    """Times of death from unit exponentials; the hazard is multiplied by ``ratio`` from capture on."""
    early = unit / death
    with np.errstate(invalid="ignore"):
        late = captured + (unit - death * captured) / (ratio * death)
    return np.where(early <= captured, early, late)


def drawn(scenario: str, n: int, rng: np.random.Generator) -> SurvivalCourse:
    """One study."""
    size = n if scenario != "late arrival" else 3 * n
    severe = rng.random(size) < 0.4
    death, capture = _hazards(scenario, severe)
    entry = np.zeros(size)
    if scenario == "late arrival":
        entry = np.where(rng.random(size) < 0.6, rng.exponential(5.0, size), 0.0)
    wait = rng.exponential(1 / capture)
    captured = np.where(wait < GIVEN_UP, entry + wait, np.inf)
    dead = _deaths(rng.exponential(size=size), death, captured, BENEFIT if scenario == "benefit" else 1.0)
    last = np.minimum(rng.uniform(20, 100, size), 60.0)
    until = np.minimum(dead, last)
    kept = np.flatnonzero(until > entry)[:n]
    return SurvivalCourse(
        np.where(captured < until, captured, np.nan)[kept], until[kept], (dead <= last)[kept], entry[kept],
        pd.DataFrame({"severe": severe[kept]}), np.arange(kept.size).astype(str).astype(object),
    )  # fmt: skip


def risk_truth(scenario: str, rng: np.random.Generator) -> dict[str, float]:
    """True differences in risk, percentage points: of the two strategies, and of the landmark groups.

    Captured within the time of grace: the natural course to its end, then everybody is captured.  Not captured within
    it: no capture before its end, the natural course after it.
    """
    if scenario != "benefit":
        return {"clone-censor-weight": 0.0}
    severe = rng.random(POPULATION) < 0.4
    death, capture = _hazards(scenario, severe)
    unit, wait = rng.exponential(size=POPULATION), rng.exponential(1 / capture)
    natural = np.where(wait < GIVEN_UP, wait, np.inf)
    later = AT + rng.exponential(1 / capture)
    arms = (
        _deaths(unit, death, np.minimum(natural, AT), BENEFIT),
        _deaths(unit, death, np.where(later < GIVEN_UP, later, np.inf), BENEFIT),
    )
    one, two = (100 * float((time <= HORIZON).mean()) for time in arms)
    return {"clone-censor-weight": one - two}


def _log(estimate: Estimate) -> tuple[float, float, float]:
    if estimate.value is None or estimate.lower is None or estimate.upper is None:
        raise NotEstimableError(estimate.reason)
    return float(np.log(estimate.value)), float(np.log(estimate.lower)), float(np.log(estimate.upper))


def _points(estimate: Estimate) -> tuple[float, float, float]:
    if estimate.value is None or estimate.lower is None or estimate.upper is None:
        raise NotEstimableError(estimate.reason)
    return estimate.value, estimate.lower, estimate.upper


def by_hazard(course: SurvivalCourse) -> dict[str, tuple[float, float, float]]:
    """Log hazard ratios and risk differences of the methods without a bootstrap, with their limits."""
    biased, at, varying = (
        naive(course, horizon_min=HORIZON),
        landmark(course, AT, horizon_min=HORIZON),
        time_varying(course),
    )
    makers = {
        "naive, log hazard ratio": lambda: _log(biased.hazard.ratio),
        "naive, risk difference": lambda: _points(biased.difference),
        "landmark, crude log hazard ratio": lambda: _log(at.crude.ratio),
        "landmark, adjusted log hazard ratio": lambda: _log(at.adjusted.ratio),
        "landmark, crude risk difference": lambda: _points(at.difference),
        "time-varying, crude log hazard ratio": lambda: _log(varying.crude.ratio),
        "time-varying, adjusted log hazard ratio": lambda: _log(varying.adjusted.ratio),
    }
    found = {}
    for name, make in makers.items():
        try:
            found[name] = make()
        except NotEstimableError:
            continue
    return found


def by_emulation(
    course: SurvivalCourse, replicates: int = REPLICATES, seed: int = 1
) -> dict[str, tuple[float, float, float]]:
    """Risk difference of the two strategies."""
    try:
        found = clone_censor_weight(course, AT, horizon_min=HORIZON, replicates=replicates, seed=seed)
    except NotEstimableError:
        return {}
    return {"clone-censor-weight, risk difference": _points(found.difference)}


def summary(
    found: list[dict[str, tuple[float, float, float]]], truths: dict[str, float | None]
) -> list[dict[str, object]]:
    """One row for each method."""
    rows = []
    for name in dict.fromkeys(key for one in found for key in one):
        values = np.array([one[name] for one in found if name in one])
        truth = truths.get(name)
        claimed = 100 * float(((values[:, 1] > 0) | (values[:, 2] < 0)).mean())
        held = None if truth is None else 100 * float(((values[:, 1] <= truth) & (truth <= values[:, 2])).mean())
        rows.append(
            {"method": name, "studies": len(found), "with_result": len(values), "truth": truth,
             "mean": float(values[:, 0].mean()), "sd": float(values[:, 0].std(ddof=1)), "claimed, %": claimed, "held, %": held}
        )  # fmt: skip
    return rows


def truths(scenario: str, rng: np.random.Generator) -> dict[str, float | None]:
    """What each estimate ought to be; ``None`` where that is not worked out."""
    benefit = scenario == "benefit"
    ratio = float(np.log(BENEFIT)) if benefit else 0.0
    unknown = None if benefit else 0.0
    return {
        "naive, log hazard ratio": ratio,
        "naive, risk difference": unknown,
        "landmark, crude log hazard ratio": unknown,
        "landmark, adjusted log hazard ratio": unknown,
        "landmark, crude risk difference": unknown,
        "time-varying, crude log hazard ratio": ratio,
        "time-varying, adjusted log hazard ratio": ratio,
        "clone-censor-weight, risk difference": risk_truth(scenario, rng)["clone-censor-weight"],
    }


def studied(scenario: str, n: int, studies: int, emulated: int, seed: int) -> list[dict[str, object]]:
    """All methods in one scenario."""
    place = SCENARIOS.index(scenario)
    rng = np.random.default_rng([seed, place, n])
    expected = truths(scenario, np.random.default_rng([seed, place]))
    courses = [drawn(scenario, n, rng) for _ in range(studies)]
    rows = summary([by_hazard(course) for course in courses], expected)
    rows += summary([by_emulation(course, seed=i) for i, course in enumerate(courses[:emulated])], expected)
    return [{"scenario": scenario, "patients": n, **row, "seed": seed} for row in rows]


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--studies", type=int, default=500)
    parser.add_argument("--emulated", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rows = []
    for scenario in SCENARIOS:
        for n in SIZES:
            rows += studied(scenario, n, options.studies, options.emulated, options.seed)
            print(scenario, n, flush=True)
    options.out.write_text(csv_text(pd.DataFrame(rows), digits=5), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
