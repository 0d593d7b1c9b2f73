"""How certain a body of evidence is in the user's judgement, with the reasons, and the arithmetic that follows.

Nothing is judged here.  Ratings and reasons are the user's; the program counts levels as the GRADE approach does and
shows each step.  What was not judged stays open, and then there is no certainty.

Where GRADE leaves room, the narrower choice was made.  Rating up is "usually only" for observational evidence without
any reason for rating down (sources in `judgements_parts`); here always.  Suspected small-study effects are one level,
never two.  A start at high for studies without randomisation, after a detailed tool for risk of bias (from memory), is
not offered.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from capstat.results import UsageError
from capstat.synthesis.judgements_parts import (
    CERTAINTIES,
    DOMAIN_WORDS,
    DOMAINS,
    FACTOR_WORDS,
    STARTS,
    UPGRADES,
    DecisionContext,
    Judgement,
    Upgrade,
)
from capstat.synthesis.judgements_role import ROLE_TAKES, is_role
from capstat.synthesis.study_effect import MEASURES

if TYPE_CHECKING:
    from datetime import date

    from capstat.synthesis.judgements_parts import Certainty, Domain, Start
    from capstat.synthesis.study_effect import Measure

__all__ = ["CertaintyJudgement", "DecisionContext", "Judgement", "Upgrade", "upgrade_problems"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CertaintyJudgement:
    """The user's judgements of one body of evidence.

    Attributes
    ----------
    measure : str
        One of `capstat.synthesis.study_effect.MEASURES`.
    start : {"randomised", "observational"}
        What most of the evidence is.
    judgements : tuple of Judgement
        At most one for each domain.
    upgrades : tuple of Upgrade
        Only for observational evidence that is not rated down anywhere.
    question, placement, population, what_would_change : str
        The user's words; ``""`` where nothing was written.
    judged_on : date or None
        When it was judged.
    judged_by : str
        A role, never a person.
    decision_context : DecisionContext
        What a committee weighs besides.
    """

    measure: Measure
    start: Start
    judgements: tuple[Judgement, ...]
    upgrades: tuple[Upgrade, ...] = ()
    question: str = ""
    placement: str = ""
    population: str = ""
    judged_on: date | None = None
    judged_by: str = ""
    what_would_change: str = ""
    decision_context: DecisionContext = field(default_factory=DecisionContext)

    def __post_init__(self) -> None:
        """Refuse what does not go together, with everything that is wrong."""
        problems = []
        if self.measure not in MEASURES:
            problems.append(f"measure is one of {', '.join(MEASURES)}.")
        if self.start not in STARTS:
            problems.append(f"start is one of {', '.join(STARTS)}.")
        if self.judged_by and not is_role(self.judged_by):
            problems.append(f"judged_by takes {ROLE_TAKES}.")
        named = [part.domain for part in self.judgements] + [part.factor for part in self.upgrades]
        problems.extend(f"{name} is judged more than once." for name in dict.fromkeys(named) if named.count(name) > 1)
        problems.extend(upgrade_problems(self.start, self.judgements, self.upgrades))
        if problems:
            raise UsageError(" ".join(problems))

    @property
    def missing(self) -> tuple[Domain, ...]:
        """Domains that were not judged."""
        judged = {part.domain for part in self.judgements}
        return tuple(domain for domain in DOMAINS if domain not in judged)

    @property
    def certainty(self) -> Certainty | None:
        """High, moderate, low or very low; ``None`` while a domain is not judged."""
        return None if self.missing else self._course()[-1][1]

    @property
    def reason(self) -> str:
        """Why there is no certainty; empty when there is one."""
        words = ", ".join(DOMAIN_WORDS[domain] for domain in self.missing)
        return f"Not judged: {words}." if words else ""

    @property
    def steps(self) -> tuple[str, ...]:
        """The arithmetic, one step each ("risk of bias serious: very low"); empty without a certainty."""
        return () if self.missing else tuple(f"{what}: {certainty}" for what, certainty in self._course())

    def _course(self) -> list[tuple[str, Certainty]]:
        """What was counted, in the order of `DOMAINS` and `UPGRADES`, and the certainty from there on."""
        at = CERTAINTIES.index(STARTS[self.start])
        course: list[tuple[str, Certainty]] = [(self.start, CERTAINTIES[at])]
        for judgement in sorted(self.judgements, key=lambda part: list(DOMAINS).index(part.domain)):
            at = max(at - judgement.levels, 0)
            course.append((f"{DOMAIN_WORDS[judgement.domain]} {judgement.rating}", CERTAINTIES[at]))
        for upgrade in sorted(self.upgrades, key=lambda part: list(UPGRADES).index(part.factor)):
            at = min(at + upgrade.levels, len(CERTAINTIES) - 1)
            levels = "one level" if upgrade.levels == 1 else "two levels"
            course.append((f"{FACTOR_WORDS[upgrade.factor]}, {levels} up", CERTAINTIES[at]))
        return course


def upgrade_problems(
    start: Start | None, judgements: tuple[Judgement, ...], upgrades: tuple[Upgrade, ...]
) -> tuple[str, ...]:
    """Return why evidence cannot be rated up, one sentence each; ``start`` is ``None`` where it is not known."""
    if not upgrades:
        return ()
    problems = []
    factors = ", ".join(part.factor for part in upgrades)
    if start == "randomised":
        problems.append(f"Only evidence that starts as observational is rated up ({factors}); this is randomised.")
    lowered = [DOMAIN_WORDS[part.domain] for part in judgements if part.levels]
    if lowered:
        problems.append(
            f"Evidence is rated up ({factors}) only where nothing lowers it; lowered here for {', '.join(lowered)}."
        )
    return tuple(problems)
