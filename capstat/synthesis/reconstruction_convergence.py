"""Whether parallel Markov chains agree: rank-normalised split R-hat and effective sample size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Convergence", "convergence", "worst_convergence"]


@dataclass(frozen=True, slots=True)
class Convergence:
    """How far draws of parallel chains can be trusted.

    Attributes
    ----------
    r_hat : float
        The larger of the rank-normalised split R-hat of the draws and of their distances from the median; near 1 when
        the chains agree.
    effective_draws : float
        Independent draws that would carry as much about the mean of the ranks.
    chains, draws : int
        Chains, and draws of each after the warm-up.
    """

    r_hat: float
    effective_draws: float
    chains: int
    draws: int


def convergence(draws: NDArray[np.float64]) -> Convergence:
    """Judge draws of shape (draws, chains); at least 4 draws of 2 chains.

    Vehtari, Gelman, Simpson, Carpenter and Buerkner 2021, Bayesian Analysis 16:667-718 (from memory).
    """
    folded = np.abs(draws - np.median(draws))
    ranked = _rank_normal(_split(draws))
    r_hat = max(_r_hat(ranked), _r_hat(_rank_normal(_split(folded))))
    return Convergence(r_hat, _effective(ranked), draws.shape[1], draws.shape[0])


def worst_convergence(*quantities: NDArray[np.float64]) -> Convergence:
    """The highest R-hat and the fewest effective draws among several quantities."""
    judged = [convergence(draws) for draws in quantities]
    return replace(
        judged[0], r_hat=max(x.r_hat for x in judged), effective_draws=min(x.effective_draws for x in judged)
    )  # fmt: skip


def _split(draws: NDArray[np.float64]) -> NDArray[np.float64]:
    half = len(draws) // 2
    return np.concatenate((draws[:half], draws[-half:]), axis=1)


def _rank_normal(draws: NDArray[np.float64]) -> NDArray[np.float64]:
    ranks = stats.rankdata(draws).reshape(draws.shape)
    return np.asarray(special.ndtri((ranks - 0.375) / (draws.size + 0.25)))


def _r_hat(draws: NDArray[np.float64]) -> float:
    n = len(draws)
    within = draws.var(axis=0, ddof=1).mean()
    between = n * draws.mean(axis=0).var(ddof=1)
    return float(np.sqrt((n - 1) / n + between / within / n))


def _effective(draws: NDArray[np.float64]) -> float:
    """Effective draws by autocorrelations over all chains, cut where sums of neighbours end being positive (Geyer)."""
    n, chains = draws.shape
    centred = draws - draws.mean(axis=0)
    spectrum = np.fft.rfft(centred, 2 * n, axis=0)
    covariance = np.fft.irfft((spectrum * spectrum.conj()).real, 2 * n, axis=0)[:n].mean(axis=1) / n
    within = draws.var(axis=0, ddof=1).mean()
    total = (n - 1) / n * within + draws.mean(axis=0).var(ddof=1)
    correlation = 1 - (within - covariance * n / (n - 1)) / total
    pairs = correlation[: n // 2 * 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    kept = np.minimum.accumulate(pairs[: negative[0] if negative.size else len(pairs)])
    time = max(2 * float(kept.sum()) - 1, 1 / np.log10(n * chains))
    return float(n * chains / time)
