"""Published survival after transcutaneous pacing as worked examples: what the counts say, and what they cannot say.

Run: python analyses/16_published_outcomes.py

Prints, word for word, what is kept in 16_published_outcomes.md.  Counts are those of abstracts (seen); nothing is pooled.
"""

from __future__ import annotations

from dataclasses import dataclass

from capstat.numerics.proportions import wilson
from capstat.numerics.two_groups import Limited, two_groups

MORRISON = "Morrison LJ, et al. Resuscitation 2008, doi:10.1016/j.resuscitation.2007.08.008, PMID 17933452"
CUMMINS = "Cummins RO, et al. N Engl J Med 1993;328:1377-1382"
CLINTON = "Clinton JE, et al. J Emerg Med 1985"
KNOWLTON = "Knowlton AA, Falk RH. 1986"
SMIDA = "Smida T, et al. Prehosp Emerg Care 2024, doi:10.1080/10903127.2024.2393768"


@dataclass(frozen=True)
class Contrast:
    """One published pair of counts, and why it may be read as it is or not."""

    what: str
    source: str
    first: str
    events_1: int
    total_1: int
    minus: str
    events_2: int
    total_2: int
    reading: str


CONTRASTS = (
    Contrast(
        "survival, pacing or dopamine for unstable bradycardia", MORRISON, "pacing", 29, 42, "dopamine", 28, 40,
        "Randomised, so a difference would be an effect of being assigned to pacing; 7 of the 42 crossed over. The interval "
        "holds everything from a fifth fewer to a fifth more survivors: the trial does not tell.",
    ),
    Contrast(
        "discharge after arrest, districts with and without pacing", CUMMINS, "pacing districts", 11, 278, "control districts", 5, 259,
        "Not randomised person by person; only 112 of the 278 were paced. Comparing those 112 with the others would compare "
        "who lived long enough to be paced; districts are compared as districts.",
    ),
    Contrast(
        "discharge, those who responded to pacing and those who did not", CLINTON, "responders", 6, 8, "others", 5, 29,
        "BIASED as a statement on capture: who responds is known only after pacing, and the dead cannot respond. A "
        "difference appears even where response does nothing (analyses/15_immortal_time.py).",
    ),
    Contrast(
        "survival, paced and unpaced episodes", KNOWLTON, "paced", 2, 26, "unpaced", 17, 32,
        "CONFOUNDED: the sickest are paced. No number of patients mends that.",
    ),
)  # fmt: skip
NOBODY = (
    ("discharged after pacing late in arrest", 0, 112, "Paris PM, et al. 1985, PMID 3885803"),
    ("discharged after pacing in arrest", 0, 91, "Eitel DR, et al. 1987"),
    ("discharged, arrest series together", 0, 215, "Sherbino J, et al. 2006, PMID 16814446"),
)


def percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def ratio_text(found: Limited) -> str:
    if found.value is None:
        return found.reason
    return f"{found.value:.2f} ({found.lower:.2f} to {found.upper:.2f})"


def contrast_lines(c: Contrast) -> list[str]:
    found = two_groups(c.events_1, c.total_1, c.events_2, c.total_2)
    gap = found.difference
    return [
        f"### {c.what[0].upper()}{c.what[1:]}",
        "",
        (f"{c.source}. {c.first.capitalize()} {c.events_1}/{c.total_1} = {percent(c.events_1 / c.total_1)}, {c.minus} "
        f"{c.events_2}/{c.total_2} = {percent(c.events_2 / c.total_2)}."),
        "",
        (f"Difference {100 * gap.value:+.1f} points ({100 * gap.lower:+.1f} to {100 * gap.upper:+.1f}, Newcombe), ratio of risks "
        f"{ratio_text(found.ratio)} (Miettinen-Nurminen), odds ratio {ratio_text(found.odds_ratio)} (exact), Fisher p = "
        f"{found.p_fisher:.3g}."),
        "",
        c.reading,
        "",
    ]  # fmt: skip


def missing_lines() -> list[str]:
    total, known, share = 13_270, 2_560, 0.634
    died = round(share * known)
    low, high = died / total, (died + total - known) / total
    limits = wilson(died, known)
    return [
        "### Mortality where most outcomes are missing",
        "",
        (
            f"{SMIDA}. Of {total:,} paced patients {known:,} had an outcome, {100 * share:.1f} % of them had died (about {died:,}; "
            "the count is worked out here)."
        ),
        "",
        (
            f"Among those with an outcome the interval looks sharp: {percent(limits[0])} to {percent(limits[1])}. Whatever became "
            f"of the other {percent(1 - known / total)}, mortality of all lies between {percent(low)} and {percent(high)}: an outcome "
            "that is missing for most says nothing of all unless it is missing by chance, which nobody can see."
        ),
        "",
    ]


def nobody_lines() -> list[str]:
    rows = [f"| {what} | {x}/{n} | {percent(wilson(x, n)[1])} | {source} |" for what, x, n, source in NOBODY]
    return [
        "### Nobody survived",
        "",
        "None of n does not mean never: the upper limit (Wilson, 95 %) is what the series rules out.",
        "",
        "| series | survivors | upper limit | source |",
        "|---|---|---|---|",
        *rows,
        "",
    ]


def text() -> str:
    lines = [
        "# Published survival after transcutaneous pacing, as worked examples",
        "",
        (
            "Written by `python analyses/16_published_outcomes.py`. Counts of abstracts; nothing is pooled, nothing is a "
            "recommendation."
        ),
        "",
    ]
    for contrast in CONTRASTS:
        lines += contrast_lines(contrast)
    return "\n".join([*lines, *missing_lines(), *nobody_lines()]).rstrip() + "\n"


if __name__ == "__main__":
    print(text(), end="")
