"""The analysis of the shipped registry, made once for all tests of the report: it takes a dozen seconds."""

from __future__ import annotations

import pytest

from capstat import AnalysisOptions, analyse_study, read_study


@pytest.fixture(scope="session")
def registry_analysis(shipped):
    return analyse_study(read_study(shipped / "registry"), AnalysisOptions(replicates=100))
