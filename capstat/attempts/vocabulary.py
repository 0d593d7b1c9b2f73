"""Closed lists of words, with their meanings and the other spellings that are accepted for them.

Spellings are compared without case, accents, spaces and punctuation, so ``"A/P"``, ``"a-p"`` and ``"AP"``
are one.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass, field

__all__ = [
    "ASSIGNMENT",
    "CAPTURE_CRITERION",
    "DATA_ORIGIN",
    "ENDED",
    "MISSING_MARKS",
    "MISSING_WORDS",
    "PACING_ENDED",
    "PACING_MODE",
    "PLACEMENT",
    "RHYTHM",
    "SETTING",
    "SEX",
    "YES_NO",
    "Term",
    "Vocabulary",
    "is_missing",
    "word_key",
]

MISSING_WORDS = ("", "NA", "n/a", "-", "?")
"""Cells that mean "not recorded"; compared without case and spaces."""

MISSING_MARKS = frozenset(
    {"", "na", "n/a", "n.a.", "n.a", "#n/a", "<na>", "-", "--", "---", "\u2013", "\u2014", "?", "??", "."}
)
"""Every accepted mark for "not recorded", in lower case and without surrounding spaces."""

_SIMILAR = 0.84
_SHORTEST_GUESSED, _LONGEST_GUESSED = 4, 60


def is_missing(text: str) -> bool:
    """Whether a cell holds one of the usual marks for "not recorded"."""
    return text.strip().lower() in MISSING_MARKS


def word_key(text: str) -> str:
    """Return the letters and digits of ``text`` without case and accents, for comparing spellings."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    return "".join(character for character in plain if character.isalnum())


@dataclass(frozen=True, slots=True)
class Term:
    """One word of a vocabulary: how it is stored, what it means, what else people write for it."""

    value: str
    meaning: str
    synonyms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """A closed list of terms; ``values`` is the order in which categories are stored."""

    name: str
    terms: tuple[Term, ...]
    missing: tuple[str, ...] = ()
    _lookup: dict[str, str | None] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Index every spelling once; two terms must never share one."""
        lookup: dict[str, str | None] = dict.fromkeys(map(word_key, self.missing))
        for term in self.terms:
            for spelling in (term.value, *term.synonyms):
                if lookup.setdefault(word_key(spelling), term.value) != term.value:
                    raise ValueError(f"{self.name}: the spelling {spelling!r} belongs to two terms.")
        object.__setattr__(self, "_lookup", lookup)

    @property
    def values(self) -> tuple[str, ...]:
        """Stored words in their order."""
        return tuple(term.value for term in self.terms)

    def match(self, text: str) -> str | None:
        """Return the stored word for a spelling, or ``None`` for a spelling that means "not recorded".

        Raises
        ------
        KeyError
            The spelling is not in the vocabulary.
        """
        # Statistics programs export 0/1 indicators as "1.0" when the column has gaps.
        return self._lookup[word_key(re.sub(r"^([01])\.0+$", r"\1", text.strip()))]

    def closest(self, text: str) -> str | None:
        """Return the stored word that ``text`` seems to misspell, or ``None``.

        The first letter must be right, so that nobody is led from posterior to anterior.
        """
        key = word_key(text)
        if not _SHORTEST_GUESSED <= len(key) <= _LONGEST_GUESSED:
            return None
        spellings = [spelling for spelling, word in self._lookup.items() if word is not None and spelling[0] == key[0]]
        similar = difflib.get_close_matches(key, spellings, n=1, cutoff=_SIMILAR)
        return self._lookup[similar[0]] if similar else None


PLACEMENT = Vocabulary(
    "placement",
    (
        Term(
            "anterior-posterior",
            "one pad on the front of the chest, one on the back",
            (
                "AP", "ant-post", "anteroposterior", "antero-posterior", "anterior/posterior pads",
                "front-back", "front to back", "PA", "posterior-anterior", "posteroanterior", "back-front",
                "sternal-posterior", "antero-postérieur", "anterior y posterior",
            ),
        ),
        Term(
            "anterior-lateral",
            "one pad on the front of the chest, one on its left side",
            (
                "AL", "ant-lat", "anterolateral", "antero-lateral", "anterior-apex", "anteroapical",
                "apex-sternum",
                "sternal-apical", "sternum-apex", "sterno-apical", "sternal-lateral", "antero-latéral",
                "anterior apical", "anterior-apical", "front-side", "front to side", "lateral-anterior",
            ),
        ),
        Term("other", "any other position of the two pads", ("another", "something else")),
        Term("unknown", "the position was not recorded", ("unk", "not known", "not recorded", "unsure",
        "unbekannt")),
    ),
)  # fmt: skip

DATA_ORIGIN = Vocabulary(
    "data_origin",
    (
        Term("observed", "recorded from a real patient", ("real",)),
        Term("synthetic", "invented or simulated", ("simulated", "invented", "synthetic data", "demo")),
    ),
)

SETTING = Vocabulary(
    "setting",
    (
        Term("prehospital", "before arrival at a hospital, including transport",
             ("pre-hospital", "EMS", "ambulance", "field", "out of hospital", "transport", "helicopter")),
        Term("emergency-department", "emergency department",
             ("ED", "ER", "A&E", "emergency", "emergency room", "accident and emergency")),
        Term("intensive-care", "intensive or coronary care unit",
             ("ICU", "ITU", "CCU", "CICU", "intensive care unit", "coronary care", "coronary care unit",
             "critical care")),
        Term("procedure-laboratory", "electrophysiology or catheterisation laboratory",
             ("EP lab", "cath lab", "catheter laboratory", "electrophysiology laboratory", "procedure lab",
             "lab",
              "catheterisation laboratory", "catheterization laboratory", "electrophysiology lab")),
        Term("operating-theatre", "operating theatre",
             ("operating theater", "theatre", "theater", "OR", "operating room", "surgery")),
        Term("other", "another place"),
        Term("unknown", "not recorded", ("unk", "not known", "not recorded")),
    ),
)  # fmt: skip

ASSIGNMENT = Vocabulary(
    "assignment",
    (
        Term("randomised", "a random allocation decided the placement", ("randomized", "random",
        "allocated", "R")),
        Term("chosen", "the treating team decided the placement",
             ("choice", "clinician", "operator", "observational", "not randomised", "not randomized",
             "non-randomised",
              "non-randomized", "C")),
        Term("unknown", "not recorded", ("unk", "not known", "not recorded")),
    ),
)  # fmt: skip

PACING_MODE = Vocabulary(
    "pacing_mode",
    (
        Term("demand", "a pulse only when no own beat is sensed",
             ("synchronous", "sync", "on demand", "VVI", "demand mode")),
        Term("fixed-rate", "a pulse at every interval, whatever the heart does",
             ("fixed", "asynchronous", "async", "non-demand", "nondemand", "VOO", "fix")),
        Term("unknown", "not recorded", ("unk", "not known", "not recorded")),
    ),
)  # fmt: skip

PACING_ENDED = Vocabulary(
    "pacing_ended",
    (
        Term("own-rhythm", "an adequate own rhythm returned", ("own rhythm returned", "rhythm returned", "recovered",
             "spontaneous rhythm")),
        Term("other-therapy", "a temporary wire, or a drug alone, took over",
             ("transvenous", "transvenous pacing", "temporary wire", "wire", "drug", "drugs", "drug alone")),
        Term("circulation-lost", "circulation was lost and resuscitation began",
             ("arrest", "cardiac arrest", "rearrest", "re-arrest", "CPR", "CPR started")),
        Term("died", "the patient died, or resuscitation was stopped", ("death", "dead", "deceased", "terminated")),
        Term("pads-moved", "the pads were moved and the next attempt began",
             ("moved", "repositioned", "pads repositioned", "new position", "next attempt")),
        Term("handed-over", "pacing went on when the patient was handed over",
             ("handover", "hand-over", "handed over", "transferred", "still paced", "ongoing")),
        Term("abandoned", "pacing was given up, for want of capture or for pain",
             ("given up", "failed", "no capture", "pain", "not tolerated")),
        Term("other", "another reason"),
        Term("unknown", "not recorded", ("unk", "not known", "not recorded")),
    ),
)  # fmt: skip

RHYTHM = Vocabulary(
    "rhythm",
    (
        Term("sinus-bradycardia", "sinus rhythm that is too slow", ("sinus brady", "SB", "bradycardia",
        "brady")),
        Term("av-block", "second or third degree atrioventricular block",
             ("AVB", "AV-block", "heart block", "complete heart block", "CHB", "third degree block",
             "atrioventricular block",
              "complete AV block", "AV block II", "AV block III", "second degree block",
              "3rd degree AV block",
              "2nd degree AV block", "third degree AV block", "second degree AV block")),
        Term("asystole", "no electrical activity of the ventricles",
             ("flatline", "flat line", "ventricular standstill", "P-wave asystole")),
        Term("idioventricular", "slow escape rhythm from the ventricles",
             ("IVR", "ventricular escape", "idioventricular rhythm", "agonal")),
        Term("atrial-fibrillation", "atrial fibrillation or flutter with a slow ventricular rate",
             ("AF", "afib", "a fib", "atrial fib", "atrial flutter", "slow AF")),
        Term("other", "another rhythm", ("sinus", "sinus rhythm", "NSR", "normal sinus rhythm",
        "junctional")),
        Term("unknown", "not recorded", ("unk", "not known", "not recorded")),
    ),
)  # fmt: skip

CAPTURE_CRITERION = Vocabulary(
    "capture_criterion",
    (
        Term("electrical", "a QRS complex and a T wave followed each pulse", ("electric", "ECG", "EKG", "E")),
        Term("mechanical", "a pulse, a pressure or an ejection followed each pulse",
             ("pulse", "palpable pulse", "haemodynamic", "hemodynamic", "M")),
        Term("adjudicated", "decided afterwards by review of the recorded strip",
             ("reviewed", "adjudication", "strip review", "expert review")),
        Term("unknown", "not recorded", ("unk", "not known", "not recorded")),
    ),
)  # fmt: skip

ENDED = Vocabulary(
    "ended",
    (
        Term("captured", "the ramp ended because capture was seen", ("capture", "success", "successful")),
        Term("maximum-reached", "the device maximum was reached",
             ("maximum", "max", "max reached", "maximum output", "device maximum", "max output")),
        Term("stopped-pain", "stopped for pain or muscle contraction",
             ("pain", "discomfort", "stopped for pain", "not tolerated", "intolerance")),
        Term("stopped-own-rhythm", "stopped because an adequate own rhythm returned",
             ("own rhythm", "rhythm returned", "recovered", "spontaneous rhythm", "stopped for own rhythm")),
        Term("stopped-circulation-lost", "stopped because circulation was lost and resuscitation began",
             ("arrest", "cardiac arrest", "circulation lost", "CPR started")),
        Term("stopped-other-therapy", "stopped for another treatment, such as a drug or a temporary wire",
             ("other therapy", "drug", "drugs", "transvenous", "transvenous pacing", "temporary wire")),
        Term("stopped-other", "stopped for another reason", ("stopped", "other", "stopped for other reason")),
        Term("unknown", "not recorded", ("unk", "not known", "not recorded")),
    ),
)  # fmt: skip

SEX = Vocabulary(
    "sex",
    (
        Term("female", "female", ("F", "woman", "w", "weiblich", "femme", "mujer", "femenino", "girl")),
        Term("male", "male", ("M", "man", "männlich", "homme", "hombre", "masculino", "boy")),
        Term("other", "another category", ("diverse", "divers", "x", "intersex", "non-binary")),
        Term("unknown", "not recorded", ("unk", "not known", "not recorded", "u")),
    ),
)  # fmt: skip

YES_NO = Vocabulary(
    "yes_no",
    (
        Term("yes", "seen, present, true",
             ("y", "true", "t", "1", "ja", "j", "oui", "si", "sim", "da", "tak", "wahr", "vrai", "present",
             "positive")),
        Term("no", "looked for and not seen, absent, false",
             ("n", "false", "f", "0", "nein", "non", "nee", "nej", "nao", "nie", "falsch", "faux",
             "absent", "negative")),
    ),
    missing=("unknown", "unk", "not known", "not recorded", "not assessed", "not done", "not checked",
         "missing"),
)  # fmt: skip
