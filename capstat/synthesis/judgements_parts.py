"""The parts of a judgement: domains that lower the certainty of evidence, factors that raise it, and their reasons.

The approach is GRADE's.  Five reasons to rate down, three to rate up, and where evidence starts: table 1 of Schünemann
et al., J Clin Epidemiol, doi 10.1016/j.jclinepi.2018.01.012 (table seen).  Levels (serious 1, very serious 2; large 1,
very large 2): tables in which guidelines and reviews say how they used GRADE (BMJ Open and Gut, seen).  The first
description is Guyatt et al., BMJ 2008;336:924 (from memory).  What a committee weighs besides: the Evidence to Decision
frameworks of Alonso-Coello et al., BMJ 2016;353:i2016 (title page seen), with the list of doi
10.5867/medwave.2021.04.8182 (abstract seen).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from capstat.results import UsageError

__all__ = [
    "CERTAINTIES",
    "DOMAINS",
    "DOMAIN_WORDS",
    "FACTOR_WORDS",
    "FEWEST_WORDS",
    "STARTS",
    "UPGRADES",
    "Certainty",
    "DecisionContext",
    "Domain",
    "Factor",
    "Judgement",
    "Start",
    "Upgrade",
    "is_reason",
]

Certainty = Literal["very low", "low", "moderate", "high"]
Domain = Literal["risk-of-bias", "inconsistency", "indirectness", "imprecision", "small-study-effects"]
Factor = Literal["large-effect", "dose-response", "opposing-confounding"]
Start = Literal["randomised", "observational"]

CERTAINTIES: Final[tuple[Certainty, ...]] = ("very low", "low", "moderate", "high")
STARTS: Final[dict[Start, Certainty]] = {"randomised": "high", "observational": "low"}

_SERIOUS: Final = {"not serious": 0, "serious": 1, "very serious": 2}
DOMAINS: Final[dict[Domain, dict[str, int]]] = {
    "risk-of-bias": _SERIOUS,
    "inconsistency": _SERIOUS,
    "indirectness": _SERIOUS,
    "imprecision": _SERIOUS,
    "small-study-effects": {"undetected": 0, "suspected": 1},
}
"""Accepted ratings of each domain, and by how many levels each lowers the certainty."""

UPGRADES: Final[dict[Factor, tuple[int, ...]]] = {
    "large-effect": (1, 2),
    "dose-response": (1,),
    "opposing-confounding": (1,),
}
"""By how many levels each factor may raise the certainty."""

DOMAIN_WORDS: Final[dict[Domain, str]] = {
    "risk-of-bias": "risk of bias",
    "inconsistency": "inconsistency",
    "indirectness": "indirectness",
    "imprecision": "imprecision",
    "small-study-effects": "small-study effects",
}
# observational evidence has no "large effect": nothing is called an effect unless it was randomised
FACTOR_WORDS: Final[dict[Factor, str]] = {
    "large-effect": "large association",
    "dose-response": "dose-response gradient",
    "opposing-confounding": "confounding that would work against the finding",
}
FEWEST_WORDS: Final = 3
_WORD: Final = re.compile(r"[^\W\d_]{2,}")


def is_reason(text: str) -> bool:
    """Whether a text has at least `FEWEST_WORDS` words of two letters or more."""
    return len(_WORD.findall(text)) >= FEWEST_WORDS


@dataclass(frozen=True, slots=True)
class Judgement:
    """One domain, as the user rates it.

    Attributes
    ----------
    domain : str
        One of `DOMAINS`.
    rating : str
        One of the ratings of that domain.
    reason : str
        The user's reason.
    """

    domain: Domain
    rating: str
    reason: str

    def __post_init__(self) -> None:
        """Refuse a rating that is not known or has no reason."""
        if self.domain not in DOMAINS:
            raise UsageError(f"domain is one of {', '.join(DOMAINS)}.")
        if self.rating not in DOMAINS[self.domain]:
            raise UsageError(f"rating of {self.domain} is one of {', '.join(DOMAINS[self.domain])}.")
        if not is_reason(self.reason):
            raise UsageError(f"The rating of {self.domain} needs a reason of at least {FEWEST_WORDS} words.")

    @property
    def levels(self) -> int:
        """By how many levels it lowers the certainty."""
        return DOMAINS[self.domain][self.rating]


@dataclass(frozen=True, slots=True)
class Upgrade:
    """One reason for rating up, as the user sees it.

    Attributes
    ----------
    factor : str
        One of `UPGRADES`.
    levels : int
        By how many levels it raises the certainty.
    reason : str
        The user's reason.
    """

    factor: Factor
    levels: int
    reason: str

    def __post_init__(self) -> None:
        """Refuse levels that are not known or have no reason."""
        if self.factor not in UPGRADES:
            raise UsageError(f"factor is one of {', '.join(UPGRADES)}.")
        if self.levels not in UPGRADES[self.factor]:
            raise UsageError(f"levels of {self.factor} is {' or '.join(map(str, UPGRADES[self.factor]))}.")
        if not is_reason(self.reason):
            raise UsageError(f"Rating up for {self.factor} needs a reason of at least {FEWEST_WORDS} words.")


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionContext:
    """What a committee weighs besides the evidence: the user's words, each ``""`` where nothing was written."""

    values: str = ""
    acceptability: str = ""
    feasibility: str = ""
    equity: str = ""
    resources: str = ""
