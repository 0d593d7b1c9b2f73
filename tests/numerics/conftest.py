"""A likelihood matrix held densely: the solvers ask for these things only."""

from __future__ import annotations

import numpy as np
import pytest


class DenseLikelihood:
    """Any nonnegative matrix as a likelihood operator."""

    def __init__(self, rows) -> None:
        self.matrix = np.array(rows, dtype=float)
        self.shape = self.matrix.shape

    def apply(self, mass):
        return self.matrix @ mass

    def adjoint(self, values):
        return self.matrix.T @ values

    def columns(self, index):
        return self.matrix[:, index]

    def gram(self, index, weights):
        return self.matrix[:, index].T @ (weights[:, None] * self.matrix[:, index])


@pytest.fixture
def dense():
    return DenseLikelihood
