"""Which figures the section on published studies gets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capstat.report.figures.forest import ForestPlot, ForestRow, forest_picture
from capstat.report.figures.funnel import FunnelContour, FunnelPlot, FunnelPoint, funnel_picture
from capstat.report.figures.literature_prior import DensityLine, PriorPlot, prior_picture
from capstat.report.figures.reconstruction import (
    ReconstructedPlacement,
    Variant,
    reconstruction_picture,
    variants_picture,
)
from capstat.report.literature_words import MEASURE_TITLES, count_text, file_name, question_title
from capstat.report.table import shown_estimate
from capstat.synthesis.scales import SCALES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capstat.analysis import EvidencePart, LocalBeside, Reanalysis
    from capstat.report.figures.canvas import Picture
    from capstat.report.figures.forest import AxisKind, RowKind
    from capstat.results import Estimate
    from capstat.synthesis.pooled_record import PooledEvidence

__all__ = ["figures_of_question", "medians_picture", "reanalysis_picture"]

FEWEST_IN_FUNNEL: Final = 10
MOST_EXCLUDED: Final = 12


def _axis(pooled: PooledEvidence) -> AxisKind:
    kinds: dict[str, AxisKind] = {"log": "log", "logit": "percent", "identity": "linear"}
    return kinds[SCALES[pooled.question.measure].name]


def _told(estimate: Estimate) -> str:
    value, limits = shown_estimate(estimate)
    for unit in (" mA", " %"):
        value = value.removesuffix(unit)
        limits = limits.removesuffix(unit)
    return f"{value} ({limits})" if limits and estimate.value is not None else value


def _times(estimate: Estimate, factor: float) -> tuple[float | None, float | None, float | None]:
    value, low, high = (None if x is None else factor * x for x in (estimate.value, estimate.lower, estimate.upper))
    return value, low, high


def _row(label: str, kind: RowKind, estimate: Estimate, detail: str, weight: float | None = None) -> ForestRow:
    value, low, high = _times(estimate, 100.0 if estimate.unit == "proportion" else 1.0)
    return ForestRow(
        label=label, kind=kind, detail=detail, value=value, lower=low, upper=high, weight=weight, text=_told(estimate)
    )  # fmt: skip


def _study_rows(part: EvidencePart) -> Iterator[ForestRow]:
    for study in part.pooled.studies:
        if study.estimate.value is None:
            yield ForestRow(label=study.effect.label, kind="excluded", text="no event in either arm, or only events")
            continue
        weight = study.weight_random
        if weight is None and study.effect.total is not None:
            # nothing is weighted in the binomial-normal model; the square shows the size
            weight = float(study.effect.total)
        yield _row(study.effect.label, "study", study.estimate, count_text(study.effect), weight)
    for effect, estimate in part.same_people:
        if estimate.value is not None:
            yield _row(effect.label, "study", estimate, count_text(effect))


def _pooled_rows(pooled: PooledEvidence) -> Iterator[ForestRow]:
    head, expected = pooled.headline, pooled.prediction
    if head is None or head.value is None:
        return
    yield _row("random effects", "random", head, f"{head.n}")
    yield _row("common effect", "common", pooled.others[0], f"{pooled.others[0].n}")
    if expected is not None and expected.lower is not None and expected.upper is not None:
        factor, digits = (100.0 if head.unit == "proportion" else 1.0), (2 if head.unit == "ratio" else 0)
        low, high = factor * expected.lower, factor * expected.upper
        words = f"{low:.{digits}f} to {high:.{digits}f}"
        yield ForestRow(label="further study", kind="prediction", lower=low, upper=high, text=words)


def _rows(part: EvidencePart) -> Iterator[ForestRow]:
    yield from _study_rows(part)
    yield from _pooled_rows(part.pooled)
    if part.local:
        yield ForestRow(label="your own records, not pooled", kind="heading")
        for beside in part.local:
            yield _row(beside.effect.label, "local", beside.estimate, count_text(beside.effect))
    excluded = [one for one in part.pooled.gathered.excluded if one.effect is None]
    if excluded:
        yield ForestRow(label="not pooled", kind="heading")
        for one in excluded[:MOST_EXCLUDED]:
            yield ForestRow(label=one.label, kind="excluded", text=one.reason)


def forest_of(part: EvidencePart, position: int) -> Picture | None:
    """Forest of one question; ``None`` where nothing is pooled, but for the ratio of placements with a local one."""
    pooled = part.pooled
    told = [study for study in pooled.studies if study.estimate.value is not None]
    if pooled.headline is None and not (told and part.local and pooled.question.measure == "ratio"):
        return None
    scale = SCALES[pooled.question.measure]
    unit = {"proportion": "%", "mA": "mA"}.get(scale.unit, "")
    names = ", ".join(study.effect.label for study in told)
    counted = pooled.question.measure == "capture"
    return forest_picture(
        ForestPlot(
            name=f"{file_name(pooled.question, position)}_forest",
            title=question_title(pooled.question),
            caption=_caption(pooled, counted=counted),
            alternative=f"Forest plot of {names}" + (" and the local study." if part.local else "."),
            rows=tuple(_rows(part)), axis=_axis(pooled), x_label=scale.quantity, unit=unit, null=scale.null,
            columns=("study", "captured" if counted else "patients", f"{unit or 'value'} (limits)"), level=pooled.level,
        )
    )  # fmt: skip


def _caption(pooled: PooledEvidence, *, counted: bool) -> str:
    if pooled.headline is None:
        return f"Nothing is pooled: {pooled.not_pooled}"
    model = "Binomial-normal model of the counts" if counted else "Random-effects model"
    return f"{model}. The local study is not in the pooled value."


def funnel_of(part: EvidencePart, position: int) -> Picture | None:
    """Funnel of one question; ``None`` below ten studies, where it would suggest what it cannot show."""
    pooled = part.pooled
    scale = SCALES[pooled.question.measure]
    used = [s.effect for s in pooled.studies if s.effect.value is not None and s.effect.se is not None]
    limits = pooled.funnel
    if limits is None or len(used) < FEWEST_IN_FUNNEL:
        return None
    return funnel_picture(
        FunnelPlot(
            name=f"{file_name(pooled.question, position)}_funnel", title=f"Small-study effects: {question_title(pooled.question)}",
            caption="Lines: where studies would lie around the pooled value by chance alone.",
            alternative=f"Funnel plot of {len(used)} studies.",
            points=tuple(FunnelPoint(label=e.label, estimate=e.value or 0.0, se=e.se or 0.0) for e in used),
            contours=tuple(
                FunnelContour(level=level, se=limits.se, lower=limits.lower[k], upper=limits.upper[k]) for k, level in enumerate(limits.levels)
            ),
            centre=limits.mu, centre_words="the pooled value",
            axis="log" if scale.name == "log" else "linear", x_label=f"{scale.quantity}, {scale.unit}",
            se_label="standard error" + (" of the logarithm" if scale.name == "log" else ""),
        )
    )  # fmt: skip


def prior_of(part: EvidencePart, beside: LocalBeside, position: int) -> Picture | None:
    """Published studies, local data and both; ``None`` where they were not combined."""
    update = beside.update
    # shares beside single small studies would only show two spikes side by side
    if update is None or part.pooled.question.measure not in ("threshold", "ratio"):
        return None
    pooled, d = part.pooled, update.densities
    scale = SCALES[pooled.question.measure]
    factor = 100.0 if scale.unit == "proportion" else 1.0
    x = factor * d.x
    unit = {"proportion": "%", "mA": "mA"}.get(scale.unit, "")
    return prior_picture(
        PriorPlot(
            name=f"{file_name(pooled.question, position)}_with_local",
            title=f"Published and local together: {MEASURE_TITLES[pooled.question.measure].lower()}",
            caption=f"Published studies ({pooled.question.conditions}) as a prior for the local service at weight "
            f"{update.weight:g}, which is an assumption.",
            alternative="Densities of the published prior, the local data and their combination.",
            lines=(
                DensityLine(label="published, in full", role="prior", x=x, density=d.prior),
                DensityLine(label=f"published, weight {update.weight:g}", role="downweighted", x=x, density=d.weighted),
                DensityLine(label="local data", role="local", x=x, density=d.local),
                DensityLine(label="both", role="posterior", x=x, density=d.posterior),
            ),
            axis=_axis(pooled), x_label=f"{scale.quantity}, {unit}".rstrip(", "), null=scale.null,
        )
    )  # fmt: skip


def reanalysis_picture(found: Reanalysis) -> Picture:
    """Ratio of thresholds of the published crossover under every assumption on what was not published."""
    crossover = found.crossover
    rows = tuple(
        Variant(
            label=row.assumption or "as reconstructed", value=row.ratio.value, lower=row.ratio.lower,
            upper=row.ratio.upper, text=_told(row.ratio), detail=f"{row.ratio.n}", headline=not row.assumption,
        )
        for row in crossover.rows
    )  # fmt: skip
    return variants_picture(
        rows, "literature_reanalysis", "The 2022 crossover from its summary: what was not published",
        "Reconstructed thresholds that agree with everything printed; not patient data. Each row changes one assumption.",
        f"Ratios of thresholds under {len(rows)} assumptions, all beside the ratio of the printed means.",
        published=(crossover.printed_ratio, "ratio of the printed means"),
        x_label=f"ratio of capture thresholds, {crossover.first} to {crossover.second}",
    )  # fmt: skip


def _put_in(counts: tuple[int, ...], pairs: int, imputed_as_ma: float) -> str:
    """What stood for 'not captured' in a printed mean, in words."""
    if not any(counts):
        return "nothing put in"
    span = f"{min(counts)} to {max(counts)}" if len(counts) > 1 else f"{counts[0]}"
    return f"{imputed_as_ma:g} mA put in for {span} of {pairs}"


def medians_picture(found: Reanalysis) -> Picture:
    """Printed means with what was put in for non-capture, and the reconstructed medians."""
    crossover = found.crossover
    placements = tuple(
        ReconstructedPlacement(
            label=name, recorded_mean=mean, put_in=_put_in(counts, crossover.n_pairs, crossover.imputed_as_ma),
            median=median.value, lower=median.lower, upper=median.upper, recorded_text=f"{mean:g}", text=_told(median),
        )
        for name, mean, counts, median in zip(
            (crossover.first, crossover.second), (crossover.first_mean_ma, crossover.second_mean_ma),
            crossover.put_in, crossover.medians, strict=True,
        )
    )  # fmt: skip
    return reconstruction_picture(
        placements, "literature_reanalysis_medians", "The 2022 crossover: printed means and reconstructed medians",
        "Printed means are of the patients captured at least once; medians are of all, those captured by neither included.",
        "Printed mean and reconstructed median threshold of each placement.",
        maximum_ma=crossover.maximum_ma, level=crossover.ratio.level,
    )  # fmt: skip


def figures_of_question(part: EvidencePart, position: int) -> tuple[Picture, ...]:
    """Figures of one question for which there is something to show."""
    found = [forest_of(part, position), funnel_of(part, position)]
    if part.local:
        found.append(prior_of(part, part.local[0], position))
    return tuple(picture for picture in found if picture is not None)
