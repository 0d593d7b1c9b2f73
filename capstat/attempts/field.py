"""What is known about one column of a study: name, meaning, kind, unit, limits and why it matters."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from capstat.attempts.vocabulary import Vocabulary

__all__ = ["Field", "Kind", "Table", "When"]

Kind = Literal["identifier", "number", "whole", "yes_no", "category"]
Table = Literal["attempts", "steps", "periods", "patients"]
When = Literal["before", "with", "after", "record"]


@dataclass(frozen=True, slots=True)
class Field:
    """One column of a study.

    Attributes
    ----------
    name : str
        Column name; a unit is part of it (``_ma``, ``_ms``, ``_s``, ...).
    table : {"attempts", "steps", "periods", "patients"}
        Table that the column belongs to.
    meaning : str
        What one cell says.
    kind : {"identifier", "number", "whole", "yes_no", "category"}
        How a cell is read and stored.
    when : {"before", "with", "after", "record"}
        When its value is settled: before the pads are placed (it may have influenced where they went), with or after
        the placement as somebody's choice (settings of the ramp, sedation), after it as a result (capture, ending,
        survival), or never, as a property of the record and not of the patient.
    unit : str
        Unit of a number; empty when it has none.
    allowed : Vocabulary or None
        Closed list of words of a category or of a yes/no column.
    required : bool
        Whether the column must be there with a value in every row.
    minimum, maximum : float or None
        Hard limits, inclusive; a number outside is an error.
    plausible_minimum, plausible_maximum : float or None
        A number outside is a warning.
    why : str
        What the analysis uses the column for.
    blank_means : str
        What an empty cell says where it says more than "not recorded".
    limit_source : str
        Where the hard maximum comes from.
    """

    name: str
    table: Table
    meaning: str
    kind: Kind
    # without a default: nobody may forget to declare it
    when: When = field(kw_only=True)
    unit: str = ""
    allowed: Vocabulary | None = None
    required: bool = False
    minimum: float | None = None
    maximum: float | None = None
    plausible_minimum: float | None = None
    plausible_maximum: float | None = None
    why: str = ""
    blank_means: str = ""
    limit_source: str = ""

    @property
    def numeric(self) -> bool:
        """Whether the column is stored as numbers."""
        return self.kind in ("number", "whole")

    @property
    def words(self) -> tuple[str, ...]:
        """Allowed words in the order in which they are stored; empty where any value is allowed."""
        return () if self.allowed is None else self.allowed.values

    def word_position(self, text: str) -> int:
        """Return the position in `words` of the word that ``text`` spells, -1 where it says "not recorded".

        Raises
        ------
        KeyError
            No word is spelled so.
        """
        word = None if self.allowed is None else self.allowed.match(text)
        return -1 if word is None else self.words.index(word)

    def accepted(self) -> str:
        """Return what a cell may hold, in words."""
        if self.kind == "identifier":
            return "a study number or code of at most 64 letters, digits, spaces and . _ - / : # ( )"
        if self.words:
            return "one of: " + ", ".join(self.words)
        kind = "a whole number" if self.kind == "whole" else "a number"
        if self.minimum is not None and self.maximum is not None:
            return f"{kind} from {self.minimum:,.10g} to {self.maximum:,.10g}" + self._unit_text()
        if self.minimum is not None:
            return f"{kind} of at least {self.minimum:,.10g}" + self._unit_text()
        return kind + self._unit_text()

    def _unit_text(self) -> str:
        return f" {self.unit}" if self.unit else ""
