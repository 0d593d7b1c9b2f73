"""The scipy route of the recorded cases r01 to r07: brute-force likelihoods, nothing of the package under test.

Each function takes the `data` of its case and returns key -> number. The simulated data come from `simulate_r03` to
`simulate_r06`; the R route lies beside each case.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
from scipy import linalg, optimize, special, stats

Array = np.ndarray
Numbers = dict[str, Any]


def interval_rows(rows: list[list[Any]]) -> Array:
    return np.array([[float(value) for value in row] for row in rows])


def gradient(function: Callable[[Array], float], at: Array, step: float = 1e-3) -> Array:
    """Central differences of sixth order."""
    weights = ((1, 45.0), (2, -9.0), (3, 1.0))
    unit = np.eye(len(at)) * step
    return np.array(
        [sum(w * (function(at + k * u) - function(at - k * u)) for k, w in weights) / 60 / step for u in unit]
    )


def hessian(function: Callable[[Array], float], at: Array, step: float = 4e-3) -> Array:
    unit = np.eye(len(at)) * step
    weights = ((1, 45.0), (2, -9.0), (3, 1.0))
    columns = [
        sum(w * (gradient(function, at + k * u, step) - gradient(function, at - k * u, step)) for k, w in weights)
        / 60
        / step
        for u in unit
    ]
    full = np.array(columns)
    return (full + full.T) / 2


def minimum(function: Callable[[Array], float], starts: list[list[float]]) -> Array:
    """Nelder-Mead from every start, then Newton steps by numerical derivatives."""
    options = {"xatol": 1e-10, "fatol": 1e-13, "maxiter": 40000, "maxfev": 40000, "adaptive": True}
    fits = [optimize.minimize(function, start, method="Nelder-Mead", options=options) for start in starts]
    at = np.asarray(min(fits, key=lambda fit: fit.fun).x)
    for _ in range(4):
        at = at - linalg.solve(hessian(function, at), gradient(function, at))
    return at


def standard_errors(function: Callable[[Array], float], at: Array) -> Array:
    return np.sqrt(np.diag(linalg.inv(hessian(function, at))))


# ---- r01: gamma regression


def r01(data: Numbers) -> Numbers:
    arms = [interval_rows(data["radiation"]), interval_rows(data["radiation_chemo"])]

    def negative(par: Array) -> float:
        shape, total = np.exp(par[2]), 0.0
        for chemo, rows in enumerate(arms):
            low, high = (rows / np.exp(par[0] + par[1] * chemo)).T
            total += np.log(special.gammainc(shape, high) - special.gammainc(shape, low)).sum()
        return -total

    at = minimum(negative, [[3.0, -0.5, 0.3], [2.5, 0.0, 0.8]])
    cov = linalg.inv(hessian(negative, at))
    se = np.sqrt(np.diag(cov))
    return {
        "intercept": at[0],
        "coef_chemo": at[1],
        "shape": np.exp(at[2]),
        "loglik": -negative(at),
        "se_intercept": se[0],
        "se_chemo": se[1],
        "se_shape": se[2] * np.exp(at[2]),
        "se_log_shape": se[2],
        "corr_intercept_log_shape": cov[0, 2] / se[0] / se[2],
        "max_abs_gradient": np.abs(gradient(negative, at)).max(),
    }


# ---- r02: generalised gamma


def generalised_gamma_survival(t: Array, mu: float, sigma: float, q: float) -> Array:
    with np.errstate(divide="ignore"):
        w = (np.log(t) - mu) / sigma
    if q == 0:
        return np.asarray(special.ndtr(-w))
    tail = special.gammaincc if q > 0 else special.gammainc
    return np.asarray(tail(1 / q**2, np.exp(q * w) / q**2))


def gg_loglik(rows: Array, mu: float, sigma: float, q: float) -> float:
    with np.errstate(all="ignore"):
        low, high = (generalised_gamma_survival(side, mu, sigma, q) for side in rows.T)
        inside = np.where(rows[:, 0] == 0, 1.0, low) - np.where(np.isinf(rows[:, 1]), 0.0, high)
        return float(np.log(inside).sum())


def gg_loglik_in_logarithms(rows: Array, mu: float, sigma: float, q: float) -> float:
    """For Q > 0 where exp(Q w) underflows: P(a, x) = x^a / Gamma(a + 1) to machine precision for x < 1e-17."""
    a = 1 / q**2
    log_x = q * (np.log(np.where((rows > 0) & np.isfinite(rows), rows, 1.0)) - mu) / sigma - 2 * np.log(q)
    assert log_x.max() < np.log(1e-17)
    cdf = np.where(np.isinf(rows), 1.0, np.where(rows == 0, 0.0, np.exp(a * log_x - special.gammaln(a + 1))))
    return float(np.log(cdf[:, 1] - cdf[:, 0]).sum())


def r02(data: Numbers) -> Numbers:
    radiation, chemo = interval_rows(data["radiation"]), interval_rows(data["radiation_chemo"])
    found: Numbers = {}

    def record(name: str, negative: Callable[[Array], float], starts: list[list[float]]) -> None:
        at = minimum(negative, starts)
        se = standard_errors(negative, at)
        found.update(
            {
                f"{name}.mu": at[0],
                f"{name}.sigma": np.exp(at[-2]),
                f"{name}.q": at[-1],
                f"{name}.loglik": -negative(at),
                f"{name}.se_mu": se[0],
                f"{name}.se_sigma": se[-2] * np.exp(at[-2]),
                f"{name}.se_q": se[-1],
                f"{name}.max_abs_gradient": np.abs(gradient(negative, at)).max(),
            }
        )
        if len(at) == 4:
            found.update({f"{name}.coef_chemo": at[1], f"{name}.se_chemo": se[1]})
        for q in (-0.5, 0.0, 0.5, 1.0, 1.5, 2.0):
            inner = optimize.minimize(
                lambda par, q=q: negative(np.append(par, q)),
                at[:-1],
                method="Nelder-Mead",
                options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 20000, "maxfev": 20000},
            )
            found[f"{name}.profile_loglik_q={q:g}"] = -inner.fun

    for name, rows in (("radiation", radiation), ("radiation_chemo", chemo)):
        record(
            name,
            lambda par, rows=rows: -gg_loglik(rows, par[0], np.exp(par[1]), par[2]),
            [[3.5, -0.4, 0.5], [3.0, -0.2, -0.5], [3.8, -0.8, 1.5]],
        )

    def both(par: Array) -> float:
        sigma, q = np.exp(par[2]), par[3]
        return -gg_loglik(radiation, par[0], sigma, q) - gg_loglik(chemo, par[0] + par[1], sigma, q)

    record("both", both, [[3.8, -0.5, -0.4, 0.5], [3.5, -0.4, -0.2, -0.5], [3.9, -0.5, -0.8, 1.5]])
    for q in (-0.5, 0.0, 1e-6, 0.3, 1.0, 2.0):
        found[f"fixed.both.q={q:g}"] = -both(np.array([3.7, -0.5, np.log(0.8), q]))
    found["fixed.radiation.q=5"] = gg_loglik(radiation, 4.343833, 0.2123658, 5)
    found["fixed.radiation.q=15"] = gg_loglik_in_logarithms(radiation, 4.360566, 0.06031234, 15)
    found["naive.radiation.q=15"] = gg_loglik(radiation, 4.360566, 0.06031234, 15)
    return found


# ---- r03: mixture cure


def on_ramp(current: Array, first: float, last: float, step: float) -> tuple[Array, Array]:
    """Half-open interval (lower, upper] of a rising ramp; 0 and infinity beyond its ends."""
    upper = first + step * np.ceil(np.maximum(current - first, 0) / step)
    lower = np.where(upper == first, 0.0, upper - step)
    return np.where(current > last, last, lower), np.where(current > last, np.inf, upper)


def simulate_r03() -> list[list[float]]:
    rng = np.random.default_rng(20261125)
    x, z = rng.integers(0, 2, 400), rng.integers(0, 2, 400)
    current = np.exp(np.log(70) - 0.2 * x + 0.25 * rng.standard_normal(400))
    capturable = rng.random(400) < special.expit(2.2 - 0.8 * z)
    lower, upper = on_ramp(np.where(capturable, current, np.inf), 30, 140, 5)
    rows, count = np.unique(np.column_stack([lower, upper, x, z]), axis=0, return_counts=True)
    return np.column_stack([rows, count]).tolist()


def r03(data: Numbers) -> Numbers:
    lower, upper, x, z, count = interval_rows(data["rows"]).T
    tails = {"lognormal": lambda e: special.ndtr(-e), "weibull": lambda e: np.exp(-np.exp(e))}
    found: Numbers = {}
    with np.errstate(divide="ignore"):
        log_lower, log_upper = np.log(lower), np.log(upper)
    for name, tail in tails.items():

        def weighted(mu: Any, scale: float, share: Any, tail: Callable[[Array], Array] = tail) -> float:
            inside = tail((log_lower - mu) / scale) - tail((log_upper - mu) / scale)
            return float(-(count * np.log(share * inside + (1 - share) * np.isinf(upper))).sum())

        def negative(par: Array) -> float:
            return weighted(par[0] + par[1] * x, np.exp(par[2]), special.expit(par[3] + par[4] * z))

        def only(par: Array) -> float:
            return weighted(par[0], np.exp(par[1]), special.expit(par[2]))

        at, at0 = minimum(negative, [[4.2, 0.0, -1.2, 1.5, 0.0]]), minimum(only, [[4.2, -1.2, 1.5]])
        best = special.expit(-at0[2])

        def gap(share: float) -> float:
            inner = minimum(lambda p: only(np.append(p, special.logit(1 - share))), [list(at0[:2])])  # noqa: B023
            return 2 * (only(np.append(inner, special.logit(1 - share))) - only(at0)) - stats.chi2.ppf(0.95, 1)  # noqa: B023

        found.update(
            {
                f"{name}.intercept": at[0],
                f"{name}.coef_x": at[1],
                f"{name}.scale": np.exp(at[2]),
                f"{name}.logit_intercept": at[3],
                f"{name}.logit_coef_z": at[4],
                f"{name}.loglik": -negative(at),
                f"{name}.se": standard_errors(negative, at),
                f"{name}.max_abs_gradient": np.abs(gradient(negative, at)).max(),
                f"{name}.only.mu": at0[0],
                f"{name}.only.scale": np.exp(at0[1]),
                f"{name}.only.never_share": best,
                f"{name}.only.loglik": -only(at0),
                f"{name}.only.never_share_profile_ci95": [
                    optimize.brentq(gap, best / 3, best, xtol=1e-10),
                    optimize.brentq(gap, best, 2 * best, xtol=1e-10),
                ],
            }
        )
    return found


# ---- r04: nonparametric maximum likelihood


def simulate_r04() -> list[list[float]]:
    """Every ramp has its own start, so that no left end of one row is a right end of another."""
    rng = np.random.default_rng(20261126)
    rows = []
    for row in range(40):
        step = rng.choice([8.0, 12.0, 20.0, 30.0])
        first, last = 30 + 0.1 * row, 118 + 0.1 * row + 0.05
        current = np.array([rng.lognormal(np.log(72), 0.3)])
        top = first + step * np.floor((last - first) / step)
        lower, upper = on_ramp(current, first, top, step)
        rows.append([round(float(lower[0]), 4), round(float(upper[0]), 4) if np.isfinite(upper[0]) else np.inf])
    return rows


def innermost(rows: Array) -> Array:
    ends = np.unique(rows)
    return np.array([[a, b] for a, b in pairwise(ends) if a in rows[:, 0] and b in rows[:, 1]])


def long_em(inside: Array) -> Array:
    mass = np.full(inside.shape[1], 1 / inside.shape[1])
    for _ in range(5_000_000):
        new = mass * (inside.T @ (1 / (inside @ mass))) / len(inside)
        if np.abs(new - mass).max() < 1e-12:
            return new
        mass = new
    return mass


def r04(data: Numbers) -> Numbers:
    rows = interval_rows(data["rows"])
    support = innermost(rows)
    inside = ((rows[:, :1] <= support[:, 0]) & (rows[:, 1:] >= support[:, 1])).astype(float)
    em = long_em(inside)

    def negative(logits: Array) -> float:
        return float(-np.log(np.maximum(inside @ special.softmax(logits), 1e-300)).sum())

    def slope(logits: Array) -> Array:
        mass = np.maximum(special.softmax(logits), 1e-300)
        pull = inside.T @ (1 / (inside @ mass))
        return np.asarray(-mass * (pull - pull @ mass))

    rng = np.random.default_rng(1)
    soft = min(
        (
            optimize.minimize(
                negative,
                rng.normal(size=len(support)),
                jac=slope,
                method="BFGS",
                options={"gtol": 1e-10, "maxiter": 5000},
            )
            for _ in range(10)
        ),
        key=lambda fit: fit.fun,
    )
    slsqp = min(
        (
            optimize.minimize(
                lambda mass: -np.log(np.maximum(inside @ mass, 1e-300)).sum(),
                rng.dirichlet(np.ones(len(support))),
                jac=lambda mass: -inside.T @ (1 / np.maximum(inside @ mass, 1e-300)),
                method="SLSQP",
                bounds=[(0, 1)] * len(support),
                constraints={"type": "eq", "fun": lambda mass: mass.sum() - 1, "jac": np.ones_like},
                options={"ftol": 1e-15, "maxiter": 2000},
            )
            for _ in range(10)
        ),
        key=lambda fit: fit.fun,
    )
    return {
        "innermost_intervals": support,
        "support": support[em > 1e-6],
        "rank": float(np.linalg.matrix_rank(inside)),
        "em.masses": em,
        "em.loglik": np.log(inside @ em).sum(),
        "em.max_excess": (inside.T @ (1 / (inside @ em)) - len(rows)).max(),
        "softmax.masses": special.softmax(soft.x),
        "softmax.loglik": -soft.fun,
        "slsqp.masses": slsqp.x,
        "slsqp.loglik": -slsqp.fun,
    }


# ---- r05 and r06: location-scale regressions

LOG_TAIL = {
    "lognormal": lambda e: special.ndtr(-e),
    "weibull": lambda e: np.exp(-np.exp(e)),
    "loglogistic": lambda e: special.expit(-e),
}


def row_terms(par: Array, design: Array, lower: Array, upper: Array, tail: Callable[[Array], Array]) -> Array:
    """Log-likelihood of each row; the last parameter is log(scale)."""
    mean, scale = design @ par[:-1], np.exp(par[-1])
    with np.errstate(all="ignore"):
        return np.asarray(np.log(tail((np.log(lower) - mean) / scale) - tail((np.log(upper) - mean) / scale)))


def simulate_r05() -> list[list[float]]:
    rng = np.random.default_rng(20261127)
    rows = []
    for patient in range(1, 61):
        x, own = float(rng.integers(0, 2)), rng.normal(0, 0.2)
        for _ in range(int(rng.integers(2, 4))):
            y = round(float(rng.normal()), 3)
            current = np.exp(np.array([4.15 - 0.15 * x + 0.06 * y + own + rng.normal(0, 0.15)]))
            lower, upper = on_ramp(current, 40, 85, 5)
            rows.append([float(patient), x, y, float(lower[0]), float(upper[0])])
    return rows


def r05(data: Numbers) -> Numbers:
    patient, x, y, lower, upper = interval_rows(data["rows"]).T
    design = np.column_stack([np.ones_like(x), x, y])
    found: Numbers = {}
    for name, tail in LOG_TAIL.items():

        def terms(par: Array, tail: Callable[[Array], Array] = tail) -> Array:
            return row_terms(par, design, lower, upper, tail)

        def negative(par: Array) -> float:
            return float(-terms(par).sum())

        at = minimum(negative, [[4.1, 0.0, 0.0, -1.5]])
        bread = linalg.inv(hessian(negative, at))
        step = 1e-3
        scores = np.column_stack(
            [
                sum(w * (terms(at + k * u) - terms(at - k * u)) for k, w in ((1, 45), (2, -9), (3, 1))) / 60 / step
                for u in np.eye(4) * step
            ]
        )
        summed = np.array([scores[patient == one].sum(axis=0) for one in np.unique(patient)])
        robust = bread @ summed.T @ summed @ bread
        found.update(
            {
                f"{name}.coef": at[:3],
                f"{name}.scale": np.exp(at[3]),
                f"{name}.loglik": -negative(at),
                f"{name}.se_naive": np.sqrt(np.diag(bread)),
                f"{name}.se_robust": np.sqrt(np.diag(robust)),
                f"{name}.cov_robust_x_y": robust[1, 2],
            }
        )
    return found


def simulate_r06() -> list[list[float]]:
    rng = np.random.default_rng(20261128)
    bmi = np.round(np.clip(rng.normal(28, 5.5, 200), 15.5, 46), 1)
    bend = 0.004 * np.maximum(bmi - 24, 0) + 0.0012 * np.maximum(bmi - 30, 0) ** 2
    lower, upper = on_ramp(np.exp(4.05 + bend + rng.normal(0, 0.2, 200)), 40, 120, 5)
    return np.column_stack([bmi, lower, upper]).tolist()


def natural_basis(at: Array, knots: tuple[float, ...] = (18.0, 25.0, 30.0, 42.0)) -> Array:
    """Truncated-power basis of natural cubic splines (Hastie, Tibshirani and Friedman, chapter 5), with intercept."""

    def cubes(k: int) -> Array:
        outer = np.maximum(at - knots[-1], 0) ** 3
        return np.asarray((np.maximum(at - knots[k], 0) ** 3 - outer) / (knots[-1] - knots[k]))

    inner = [(cubes(k) - cubes(len(knots) - 2)) / 100 for k in range(len(knots) - 2)]
    return np.column_stack([np.ones_like(at), (at - 28) / 10, *inner])


def r06(data: Numbers) -> Numbers:
    bmi, lower, upper = interval_rows(data["rows"]).T
    design, straight = natural_basis(bmi), np.column_stack([np.ones_like(bmi), (bmi - 28) / 10])

    def fit(matrix: Array) -> tuple[Array, Callable[[Array], float]]:
        def negative(par: Array) -> float:
            return float(-row_terms(par, matrix, lower, upper, LOG_TAIL["lognormal"]).sum())

        orthogonal, triangle = linalg.qr(matrix, mode="economic")
        size = np.sqrt(len(bmi))

        def rotated(par: Array) -> float:
            return float(-row_terms(par, orthogonal * size, lower, upper, LOG_TAIL["lognormal"]).sum())

        start = np.append(orthogonal.T @ np.full(len(bmi), 4.1) / size, -1.5)
        at = minimum(rotated, [list(start)])
        return np.append(linalg.solve(triangle / size, at[:-1]), at[-1]), negative

    at, negative = fit(design)
    at0, negative0 = fit(straight)
    cov = linalg.inv(hessian(negative, at))[:4, :4]
    new = natural_basis(np.array(data["at_bmi"], dtype=float))
    return {
        "loglik": -negative(at),
        "scale": np.exp(at[-1]),
        "n_parameters": 5.0,
        "aic": 2 * negative(at) + 10,
        "fitted_log_ma": new @ at[:-1],
        "se_fitted": np.sqrt(np.einsum("ij,jk,ik->i", new, cov, new)),
        "straight.loglik": -negative0(at0),
        "straight.aic": 2 * negative0(at0) + 6,
        "lr_nonlinear": 2 * (negative0(at0) - negative(at)),
    }


# ---- r07: sufficiency of follow-up


def nth_power(inside: int, n: int) -> float:
    return float(np.exp(n * np.log1p(-inside / n))) if inside < n else 0.0


def r07(data: Numbers) -> Numbers:
    found: Numbers = {}
    for name, pairs in data["samples"].items():
        largest = max(time for time, _ in pairs)
        events = sorted(time for time, event in pairs if event)
        inside = sum(2 * events[-1] - largest < time for time in events)
        found[f"{name}.n_in_window"] = float(inside)
        found[f"{name}.q_n"] = inside / len(pairs)
        found[f"{name}.alpha_n"] = nth_power(inside, len(pairs))
        start = max(0, 2 * events[-1] - largest)
        closed = sum(start <= time <= events[-1] for time, _ in pairs)
        found[f"{name}.npcure_rule_alpha"] = nth_power(closed, len(pairs))
        found[f"{name}.hdcuremodels_rule_alpha"] = nth_power(sum(start < t < events[-1] for t in events), len(pairs))
    return found
