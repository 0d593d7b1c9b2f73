"""Cells of a ramp of currents, and places inside them, for reconstructions from printed summaries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

SMALLEST, LARGEST = 1e-300, 700.0

__all__ = ["RampCells", "ramp_cells", "ramp_settings"]


@dataclass(frozen=True, slots=True, eq=False)
class RampCells:
    """What a ramp can record: one cell for each setting, one above the maximum, and two for currents not recorded.

    Attributes
    ----------
    lower_ma, upper_ma : ndarray, shape (k + 3,)
        A threshold in (lower, upper] is recorded as that cell; the lower bound of the first is 0 on the log scale and
        minus infinity otherwise.
    recorded_ma : ndarray, shape (k + 3,)
        Number that enters a printed mean; for the cell above the maximum the imputed one.
    n_settings : int
        k.  Cell k lies above the maximum, cell k + 1 holds every captured threshold, cell k + 2 every threshold.
    log_scale : bool
        Whether thresholds are normal on the log scale (lognormal) or in mA.
    """

    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    recorded_ma: NDArray[np.float64]
    n_settings: int
    log_scale: bool

    @property
    def above(self) -> int:
        """Cell of thresholds above the maximum."""
        return self.n_settings

    @property
    def captured(self) -> int:
        """Cell of thresholds at or below the maximum, otherwise unknown."""
        return self.n_settings + 1

    @property
    def anywhere(self) -> int:
        """Cell of thresholds of which nothing is known."""
        return self.n_settings + 2

    def scaled(self, current_ma: NDArray[np.float64]) -> NDArray[np.float64]:
        """Currents on the scale on which thresholds are normal."""
        if not self.log_scale:
            return current_ma
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(current_ma))

    def bounds(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Both bounds of every cell on the normal scale."""
        return self.scaled(self.lower_ma), self.scaled(self.upper_ma)

    def moved(
        self, z: NDArray[np.float64], cell: NDArray[np.intp], to: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Values at the same relative place of other cells, and the log of the Jacobian of that change.

        The place is linear in mA inside a cell, and reciprocal in one without an upper (lower) end.  Going there and
        back is the identity, so a Metropolis step needs no other correction.
        """
        u, log_before = self._place_log(z, cell) if self.log_scale else self._place_ma(z, cell)
        y, log_after = self._value_log(u, to) if self.log_scale else self._value_ma(u, to)
        stays = cell == to
        return np.where(stays, z, y), np.where(stays, 0.0, log_after - log_before)

    def _parts(
        self, cell: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
        """Lower end, width (1 where open), whether open above, and log of the width or, if open, of the one end."""
        top, bottom = np.isinf(self.upper_ma), np.isinf(self.lower_ma)
        width = np.where(top | bottom, 1.0, self.upper_ma - self.lower_ma)
        size = np.where(top & (self.lower_ma > 0), self.lower_ma, np.where(bottom & ~top, self.upper_ma, width))
        return self.lower_ma[cell], width[cell], top[cell], np.log(size)[cell]

    def _place_log(
        self, z: NDArray[np.float64], cell: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Place u in (0, 1] of a log current, and log of dz/du."""
        low, width, top, log_size = self._parts(cell)
        u = np.where(top, np.exp(np.minimum(log_size - z, 0.0)), (np.exp(np.minimum(z, LARGEST)) - low) / width)
        return np.clip(u, SMALLEST, 1.0), np.where(top, z - log_size, log_size - z)

    def _value_log(
        self, u: NDArray[np.float64], cell: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Inverse of ``_place_log``, and log of dz/du."""
        low, width, top, log_size = self._parts(cell)
        log_u = np.log(u)
        z = np.where(top, log_size - log_u, np.log(low + u * width))
        return np.asarray(z), np.where(top, -log_u, log_size - z)

    def _place_ma(
        self, x: NDArray[np.float64], cell: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Place u in (0, 1] of a current, and log of dx/du."""
        low, width, top, log_size = self._parts(cell)
        bottom = np.isinf(low)
        with np.errstate(all="ignore"):  # quotients of the kinds of cell that are not chosen
            u = np.where(top, low / x, np.where(bottom, 1 / (2 - x / self.upper_ma[cell]), (x - low) / width))
        u = np.clip(np.nan_to_num(u), SMALLEST, 1.0)
        return u, np.where(top | bottom, log_size - 2 * np.log(u), log_size)

    def _value_ma(
        self, u: NDArray[np.float64], cell: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Inverse of ``_place_ma``, and log of dx/du."""
        low, width, top, log_size = self._parts(cell)
        bottom = np.isinf(low)
        with np.errstate(all="ignore"):
            x = np.where(top, low / u, np.where(bottom, self.upper_ma[cell] * (2 - 1 / u), low + u * width))
        return np.asarray(x), np.where(top | bottom, log_size - 2 * np.log(u), log_size)


def ramp_settings(start_ma: float, step_ma: float, maximum_ma: float) -> NDArray[np.float64]:
    """Settings of a rising ramp; the maximum is one even where the steps do not meet it."""
    steps = int(np.floor((maximum_ma - start_ma) / step_ma + 1e-9))
    settings = start_ma + step_ma * np.arange(steps + 1)
    met = settings[-1] > maximum_ma - 1e-9 * maximum_ma
    return np.asarray(settings if met else np.append(settings, maximum_ma))


def ramp_cells(settings_ma: NDArray[np.float64], imputed_as_ma: float | None, *, log_scale: bool = True) -> RampCells:
    """Cells of a ramp with these settings.

    Parameters
    ----------
    settings_ma : ndarray, shape (k,)
        Increasing settings in mA, the maximum last.
    imputed_as_ma : float or None
        Number entered for a threshold above the maximum; ``None`` when such patients were left out of the mean.
    log_scale : bool
        Whether thresholds are lognormal or normal in mA.
    """
    floor = 0.0 if log_scale else -np.inf
    top = float(settings_ma[-1])
    imputed = top if imputed_as_ma is None else imputed_as_ma
    return RampCells(
        np.concatenate(([floor], settings_ma, [floor, floor])), np.concatenate((settings_ma, [np.inf, top, np.inf])),
        np.concatenate((settings_ma, [imputed, 0.0, 0.0])), len(settings_ma), log_scale,
    )  # fmt: skip
