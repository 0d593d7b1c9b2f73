"""Distributions of one parameter: normal and Student t, logit of a beta, and any density by quadrature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from scipy import optimize, stats
from scipy.special import expit, logit, polygamma, psi

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

__all__ = ["GridLaw", "Law", "LogitBetaLaw", "StudentLaw"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(20)
_TOLERANCE = 1e-13
_ROUNDS = 40


class Law(Protocol):
    """What a distribution can be asked; moments that do not exist are ``None``."""

    @property
    def mean(self) -> float | None:
        """Mean."""

    @property
    def sd(self) -> float | None:
        """Standard deviation."""

    def cdf(self, value: Any) -> NDArray[np.float64]:
        """Distribution function, of the shape of ``value``."""

    def quantile(self, share: float) -> float:
        """Where the distribution function is ``share``."""


@dataclass(frozen=True, slots=True)
class StudentLaw:
    """Location and scale family of Student's t; normal with infinite ``df``."""

    location: float
    scale: float
    df: float

    @property
    def mean(self) -> float | None:
        """Mean; none with one degree of freedom or fewer."""
        return self.location if self.df > 1 else None

    @property
    def sd(self) -> float | None:
        """Standard deviation; none with two degrees of freedom or fewer."""
        if self.df <= 2:
            return None
        return self.scale if np.isinf(self.df) else self.scale * float(np.sqrt(self.df / (self.df - 2)))

    def cdf(self, value: Any) -> NDArray[np.float64]:
        """Distribution function."""
        return np.asarray(stats.t.cdf(value, self.df, self.location, self.scale))

    def quantile(self, share: float) -> float:
        """Quantile."""
        return float(stats.t.ppf(share, self.df, self.location, self.scale))


@dataclass(frozen=True, slots=True)
class LogitBetaLaw:
    """Logit of a beta variable with parameters ``a`` and ``b``."""

    a: float
    b: float

    @property
    def mean(self) -> float:
        """Mean."""
        return float(psi(self.a) - psi(self.b))

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return float(np.sqrt(polygamma(1, self.a) + polygamma(1, self.b)))

    def cdf(self, value: Any) -> NDArray[np.float64]:
        """Distribution function."""
        return np.asarray(stats.beta.cdf(expit(value), self.a, self.b))

    def quantile(self, share: float) -> float:
        """Quantile; from the nearer end, so that no digits are lost near 1."""
        low, high = stats.beta.ppf(share, self.a, self.b), stats.beta.isf(share, self.b, self.a)
        return float(logit(low)) if low < 0.5 else -float(logit(high))


class GridLaw:
    """Distribution with a given log density, by Gauss-Legendre rules on panels that are halved until nothing changes.

    Parameters
    ----------
    log_density : callable
        Vectorised, up to a constant.
    breaks : array_like
        First ends of panels; the outer two cut the density, so nothing that matters may lie beyond, and every peak must
        be near one of them.
    """

    __slots__ = ("_edges", "_log_density", "_mass", "_peak", "log_total", "mean", "sd")

    def __init__(self, log_density: Callable[[NDArray[np.float64]], NDArray[np.float64]], breaks: Any) -> None:
        edges = np.unique(np.asarray(breaks, dtype=float))
        self._log_density = log_density
        self._peak = float(log_density(edges).max())
        self._edges = self._refined(edges)
        low, high = self._edges[:-1], self._edges[1:]
        mass = self._panels(low, high)
        total = float(mass.sum())
        self._mass = np.concatenate([[0.0], np.cumsum(mass)]) / total
        self.log_total = self._peak + float(np.log(total))
        centre = float((mass * (low + high) / 2).sum()) / total
        self.mean = centre + float(self._panels(low, high, lambda v: v - centre).sum()) / total
        self.sd = float(np.sqrt(self._panels(low, high, lambda v: (v - self.mean) ** 2).sum() / total))

    def _panels(
        self,
        low: NDArray[np.float64],
        high: NDArray[np.float64],
        factor: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    ) -> NDArray[np.float64]:
        half = (high - low)[:, None] / 2
        points = (high + low)[:, None] / 2 + half * _NODES
        values = np.exp(self._log_density(points) - self._peak)
        if factor is not None:
            values = values * factor(points)
        return np.asarray((values * half * _WEIGHTS).sum(axis=1))

    def _refined(self, edges: NDArray[np.float64]) -> NDArray[np.float64]:
        done: list[NDArray[np.float64]] = [edges]
        low, high = edges[:-1], edges[1:]
        whole = self._panels(low, high)
        total = float(whole.sum())
        for _ in range(_ROUNDS):
            middle = (low + high) / 2
            left, right = self._panels(low, middle), self._panels(middle, high)
            total += float((left + right - whole).sum())
            rough = np.abs(left + right - whole) > _TOLERANCE * total
            if not rough.any():
                break
            done.append(middle[rough])
            low, high = np.concatenate([low[rough], middle[rough]]), np.concatenate([middle[rough], high[rough]])
            whole = np.concatenate([left[rough], right[rough]])
        return np.unique(np.concatenate(done))

    def cdf(self, value: Any) -> NDArray[np.float64]:
        """Distribution function, of the shape of ``value``."""
        at = np.clip(np.asarray(value, dtype=float), self._edges[0], self._edges[-1])
        flat = at.ravel()
        panel = np.clip(np.searchsorted(self._edges, flat, side="right") - 1, 0, self._edges.size - 2)
        part = self._panels(self._edges[panel], flat) * np.exp(self._peak - self.log_total)
        return np.asarray(np.clip(self._mass[panel] + part, 0.0, 1.0)).reshape(at.shape)

    def quantile(self, share: float) -> float:
        """Where the distribution function is ``share``."""
        panel = int(np.clip(np.searchsorted(self._mass, share) - 1, 0, self._mass.size - 2))
        low, high = self._edges[panel], self._edges[panel + 1]
        return float(
            optimize.brentq(
                lambda v: float(self.cdf(v)) - share, low, high, xtol=1e-14 * max(1.0, abs(low)), rtol=1e-14
            )
        )
