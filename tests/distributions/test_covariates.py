"""From covariates to a model matrix: hand-made matrices, what is refused, and the state kept for new rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from capstat.distributions.covariates import NOT_BEFORE_PLACEMENT, Covariates, Spline, complete_cases
from capstat.distributions.design_matrix import make_design
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CensoredThresholds

TABLE = pd.DataFrame(
    {
        "bmi": [20.0, 24.0, 27.0, 31.0, 36.0, 29.0],
        "arrest": pd.array([True, False, None, True, False, True], dtype="boolean"),
        "sedation": ["yes", "no", "no", "yes", "yes", "no"],
        "mode": pd.Categorical(["demand", "fixed", "demand", "fixed", "demand", None]),
        "survived_30_days": [True] * 6,
        "when": pd.to_datetime(["2024-01-01"] * 6),
        "same": ["one"] * 6,
        "tied": [1.0, 1.0, 1.0, 1.0, 1.0, 2.0],
        "empty": pd.Categorical([None] * 6),
    }
)
PLACES = ["AL", "AP", "AP", "unknown", "AP", "AL"]


def study(rows: slice = slice(None)) -> CensoredThresholds:
    table = TABLE.iloc[rows]
    return CensoredThresholds.from_bounds(
        [50] * len(table), [60] * len(table), placement=PLACES[rows], covariates=table
    )


def test_columns_by_hand():
    first = study(slice(0, 2))
    design = make_design(
        study(slice(0, 2)),
        Covariates(("placement", "bmi", "arrest", "sedation", "mode"), reference=(("mode", "fixed"),)),
    )
    assert design.names == ("intercept", "placement: AP", "bmi", "arrest", "sedation", "mode: demand")
    table = first.covariates.assign(placement=first.placement)
    np.testing.assert_array_equal(design.matrix(table), [[1, 0, 20, 1, 1, 1], [1, 1, 24, 0, 0, 0]])


def test_reference_is_the_most_frequent_level():
    design = make_design(study(slice(0, 3)), Covariates(("placement",)))
    assert design.term("placement").levels == ("AP", "AL")


def test_one_new_row_keeps_levels_knots_and_centring():
    design = make_design(
        study(slice(0, 5)).subset(np.array([True, True, True, False, True])),
        Covariates(("placement", "bmi", "sedation"), (Spline("bmi", df=2),)),
    )
    two = pd.DataFrame({"placement": ["AL", "AP"], "bmi": [22.0, 45.0], "sedation": [False, "yes"]})
    together = design.matrix(two)
    for row in range(2):
        np.testing.assert_array_equal(design.matrix(two.iloc[[row]]), together[[row]])
    np.testing.assert_array_equal(together[:, [0, 1, -1]], [[1, 1, 0], [1, 0, 1]])


def test_knots_as_in_r():
    """R 4.2: ns(x, df = 3) has knots at quantile(x, c(1, 2) / 3) and range(x)."""
    design = make_design(study(), Covariates(("bmi",), (Spline("bmi", df=3),)))
    spline = design.term("bmi").spline
    # quantile(c(20, 24, 27, 31, 36, 29), c(1, 2) / 3) by hand: type 7, positions 1 + 5 p
    np.testing.assert_allclose(spline.knots, [26.0, 29 + 1 / 3 * 2])
    assert spline.boundary == (20.0, 36.0)
    assert len(design.names) == 4


def test_missing_values_are_counted():
    complete, missing = complete_cases(study(), ("placement", "bmi", "arrest", "mode", "empty"))
    assert missing == (("placement", 1), ("bmi", 0), ("arrest", 1), ("mode", 1), ("empty", 6))
    assert not complete.any()
    complete, _ = complete_cases(study(), ("placement", "arrest", "mode"))
    np.testing.assert_array_equal(complete, [True, True, False, False, True, False])


@pytest.mark.parametrize("name", sorted(NOT_BEFORE_PLACEMENT))
def test_nothing_known_only_afterwards(name):
    with pytest.raises(UsageError, match="not known before the pads are placed"):
        complete_cases(study(), (name,))


@pytest.mark.parametrize(
    ("covariates", "kind", "words"),
    [
        (Covariates(("weight",)), UsageError, "There is no covariate 'weight'; there are: .*bmi.*placement"),
        (Covariates(("bmi", "bmi")), UsageError, "named twice"),
        (Covariates(("bmi",), (Spline("arrest"),)), UsageError, "not among the covariates"),
        (Covariates(("mode",), (Spline("mode"),)), UsageError, "'mode' is not a number"),
        (Covariates(("bmi",), (Spline("bmi", df=1),)), UsageError, "2 columns or more"),
        (Covariates(("bmi",), (Spline("bmi", knots=(50.0,)),)), UsageError, "inside its boundary 20 to 24"),
        (Covariates(("mode",), reference=(("mode", "none"),)), UsageError, "'mode' has no level 'none'.*demand, fixed"),
        (Covariates(("bmi",), reference=(("bmi", "20"),)), UsageError, "has no reference level"),
        (Covariates(("when",)), UsageError, "neither a number nor yes/no nor text"),
        (Covariates(("same",)), NotEstimableError, "'same' is 'one' in all of these attempts"),
        (Covariates(("tied",), (Spline("tied"),)), NotEstimableError, "too few distinct values"),
    ],
)
def test_errors_are_one_sentence(covariates, kind, words):
    with pytest.raises(kind, match=words) as caught:
        make_design(study(slice(0, 2)), covariates)
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"mode": "other"}, "no level 'other' in this model; it has: demand, fixed"),
        ({"mode": None}, "'mode' is missing, or not of the kind the model has seen, in row 1"),
        ({"bmi": np.nan}, "'bmi' is missing, or not of the kind"),
    ],
)
def test_new_rows_that_do_not_fit(row, words):
    design = make_design(study(slice(0, 5)), Covariates(("mode", "bmi")))
    with pytest.raises(UsageError, match=words):
        design.matrix(pd.DataFrame([{"mode": "fixed", "bmi": 25.0, **row}]))
    with pytest.raises(UsageError, match="no column 'bmi'"):
        design.matrix(pd.DataFrame([{"mode": "fixed"}]))


def test_hostile_names_are_only_names():
    """A column or level never becomes part of a formula."""
    table = pd.DataFrame({"__import__('os')": [1.0, 2.0, 4.0], "a + b": ["x') + 1", "y`", "y`"]})
    thresholds = CensoredThresholds.from_bounds([50] * 3, [60] * 3, covariates=table)
    design = make_design(thresholds, Covariates(("__import__('os')", "a + b")))
    np.testing.assert_array_equal(design.matrix(table), [[1, 1, 1], [1, 2, 0], [1, 4, 0]])
