"""Judgements of certainty: the arithmetic, the file, what is said of mistakes, and that nothing is ever made up."""

from __future__ import annotations

import os
import pickle
from datetime import date
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from capstat.results import UsageError
from capstat.synthesis.judgements import CertaintyJudgement, DecisionContext, Judgement, Upgrade
from capstat.synthesis.judgements_file import JudgementsError, judgements_template_text, read_judgements
from capstat.synthesis.judgements_parts import DOMAINS, UPGRADES, is_reason
from capstat.synthesis.judgements_role import is_role
from capstat.synthesis.study_effect import MEASURES

WHY = "the reason stands here"
SERIOUS = ("not serious", "serious", "very serious")


def judged(start: Any, *ratings: str, upgrades: tuple[Upgrade, ...] = (), **more: Any) -> CertaintyJudgement:
    """Ratings in the order of the domains; those left away are not serious."""
    usual = ("not serious",) * 4 + ("undetected",)
    rated = (*ratings, *usual[len(ratings) :])
    parts = tuple(Judgement(domain, rating, WHY) for domain, rating in zip(DOMAINS, rated, strict=True))
    return CertaintyJudgement(**{"measure": "ratio", "start": start, "judgements": parts, "upgrades": upgrades} | more)


# --- the arithmetic ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "ratings", "upgrades", "certainty"),
    # bjsm.bmj.com, table 1 of a review that used GRADE (seen): "Randomised trials; or double-upgraded observational
    # studies", "Downgraded randomised trials; or upgraded observational studies", "Double-downgraded randomised
    # trials; or observational studies", "Triple-downgraded randomised trials; or downgraded observational studies"
    [
        ("randomised", (), (), "high"),
        ("observational", (), (Upgrade("large-effect", 2, WHY),), "high"),
        ("observational", (), (Upgrade("dose-response", 1, WHY), Upgrade("opposing-confounding", 1, WHY)), "high"),
        ("randomised", ("serious",), (), "moderate"),
        ("observational", (), (Upgrade("large-effect", 1, WHY),), "moderate"),
        ("randomised", ("serious", "serious"), (), "low"),
        ("randomised", ("very serious",), (), "low"),
        ("observational", (), (), "low"),
        ("randomised", ("very serious", "serious"), (), "very low"),
        ("randomised", ("serious", "serious", "serious"), (), "very low"),
        ("observational", ("serious",), (), "very low"),
        # table of a systematic review (10.1186/s13643-020-01293-x, seen): likely publication bias, one level
        ("randomised", ("not serious",) * 4 + ("suspected",), (), "moderate"),
    ],
)
def test_certainty(start: str, ratings: tuple[str, ...], upgrades: tuple[Upgrade, ...], certainty: str) -> None:
    assert judged(start, *ratings, upgrades=upgrades).certainty == certainty


def test_there_is_nothing_below_very_low_and_nothing_above_high() -> None:
    worst = judged("observational", *["very serious"] * 4, "suspected")
    assert worst.certainty == "very low"
    best = judged("observational", upgrades=tuple(Upgrade(factor, max(UPGRADES[factor]), WHY) for factor in UPGRADES))
    assert best.certainty == "high"


def test_every_rating_by_counting_levels() -> None:
    names = ("very low", "low", "moderate", "high")
    for *four, small in product(*[SERIOUS] * 4, ("undetected", "suspected")):
        down = sum(SERIOUS.index(rating) for rating in four) + (small == "suspected")
        for start, at in (("randomised", 3), ("observational", 1)):
            assert judged(start, *four, small).certainty == names[max(at - down, 0)]


def test_steps() -> None:
    assert judged("observational", "serious", "not serious", "very serious").steps == (
        "observational: low",
        "risk of bias serious: very low",
        "inconsistency not serious: very low",
        "indirectness very serious: very low",
        "imprecision not serious: very low",
        "small-study effects undetected: very low",
    )
    raised = judged("observational", upgrades=(Upgrade("dose-response", 1, WHY), Upgrade("large-effect", 1, WHY)))
    assert raised.steps[-2:] == (
        "large association, one level up: moderate",
        "dose-response gradient, one level up: high",
    )


def test_the_order_in_which_domains_are_written_does_not_matter() -> None:
    there = judged("randomised", "serious", "very serious")
    back = CertaintyJudgement(measure="ratio", start="randomised", judgements=there.judgements[::-1])
    assert back.steps == there.steps
    assert back.certainty == there.certainty == "very low"


@pytest.mark.parametrize("domain", DOMAINS)
def test_a_domain_that_is_not_judged_leaves_no_certainty(domain: Any) -> None:
    whole = judged("randomised")
    kept = tuple(part for part in whole.judgements if part.domain != domain)
    part = CertaintyJudgement(measure="ratio", start="randomised", judgements=kept)
    assert part.certainty is None
    assert part.steps == ()
    assert part.missing == (domain,)
    words = domain.replace("-", " ").replace("small study", "small-study")
    assert part.reason == f"Not judged: {words}."
    assert whole.reason == ""


def test_nothing_judged() -> None:
    nothing = CertaintyJudgement(measure="capture", start="observational", judgements=())
    assert nothing.certainty is None
    assert nothing.reason == (
        "Not judged: risk of bias, inconsistency, indirectness, imprecision, small-study effects."
    )


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"start": "randomised", "upgrades": (Upgrade("large-effect", 1, WHY),)}, "starts as observational"),
        ({"judgements": (Judgement("imprecision", "serious", WHY),), "upgrades": (Upgrade("large-effect", 1, WHY),)},
         "lowered here for imprecision"),
        ({"judgements": (Judgement("imprecision", "serious", WHY),) * 2}, "imprecision is judged more than once"),
        ({"upgrades": (Upgrade("large-effect", 1, WHY), Upgrade("large-effect", 2, WHY))}, "large-effect is judged more"),
        ({"measure": "odds"}, "measure is one of threshold, capture"),
        ({"start": "expert"}, "start is one of randomised, observational"),
        ({"judged_by": "Anna Schmidt"}, "judged_by takes a role"),
    ],
)  # fmt: skip
def test_what_does_not_go_together(changes: dict[str, Any], why: str) -> None:
    with pytest.raises(UsageError, match=why):
        CertaintyJudgement(**{"measure": "ratio", "start": "observational", "judgements": ()} | changes)


def test_everything_that_does_not_go_together_is_said_at_once() -> None:
    with pytest.raises(UsageError) as caught:
        CertaintyJudgement(
            measure="odds",  # type: ignore[arg-type]
            start="randomised",
            judgements=(Judgement("imprecision", "serious", WHY),),
            upgrades=(Upgrade("dose-response", 1, WHY),),
        )
    for words in ("measure is one of", "(dose-response); this is randomised", "lowered here for imprecision"):
        assert words in str(caught.value)


@pytest.mark.parametrize(
    ("domain", "rating", "reason", "why"),
    [
        ("bias", "serious", WHY, "domain is one of risk-of-bias"),
        ("imprecision", "suspected", WHY, "rating of imprecision is one of not serious, serious, very serious"),
        ("small-study-effects", "serious", WHY, "is one of undetected, suspected"),
        ("imprecision", "not serious", "", "needs a reason"),
        ("imprecision", "not serious", "too short", "needs a reason"),
        ("imprecision", "not serious", ". . . 1 2 3 a b c", "needs a reason"),
    ],
)
def test_ratings_that_are_refused(domain: Any, rating: str, reason: str, why: str) -> None:
    with pytest.raises(UsageError, match=why):
        Judgement(domain, rating, reason)


@pytest.mark.parametrize(
    ("factor", "levels", "reason", "why"),
    [
        ("size", 1, WHY, "factor is one of large-effect"),
        ("large-effect", 3, WHY, "levels of large-effect is 1 or 2"),
        ("dose-response", 2, WHY, "levels of dose-response is 1"),
        ("large-effect", 1, "so large", "needs a reason"),
    ],
)
def test_upgrades_that_are_refused(factor: Any, levels: int, reason: str, why: str) -> None:
    with pytest.raises(UsageError, match=why):
        Upgrade(factor, levels, reason)


def test_reasons() -> None:
    assert is_reason("Nobody was blinded.")
    assert not is_reason("not blinded")


ROLES = [
    "protocol committee", "Protocol Committee", "PROTOCOL COMMITTEE", "two paramedic educators", "EMS medical director",
    "Resuscitation guideline panel", "anaesthetists", "steering group, HEMS", "cardiology consultants",
]  # fmt: skip
NO_ROLES = [
    "Anna Schmidt", "Schmidt", "anna schmidt", "A. Schmidt", "Schmidt, Anna", "Dr Schmidt", "Anna Schmidt, committee chair",
    "committee chair Schmidt", "dr schmidt, chair", "DR SMITH, CHAIR", "LEE, CHAIR", "SCHMIDT, COMMITTEE CHAIR", "Max, committee chair",
    "J. S., committee chair", "\u738b\u5c0f\u660e", "\u738b\u5c0f\u660e, committee", "\u0410\u043d\u043d\u0430 committee",
    "chair@example.org", "committee chair@example.org", "committee 0123 456 789 00", "committee\nchair", "us",
    "committee " * 7, " ",
]  # fmt: skip


@pytest.mark.parametrize("text", ROLES)
def test_roles(text: str) -> None:
    assert is_role(text)


@pytest.mark.parametrize("text", NO_ROLES)
def test_what_is_no_role(text: str) -> None:
    assert not is_role(text)


# --- the file --------------------------------------------------------------------------------------------------------

RATED = {domain.replace("-", "_"): f'{{ rating = "not serious", reason = "{WHY}" }}' for domain in DOMAINS} | {
    "small_study_effects": f'{{ rating = "undetected", reason = "{WHY}" }}'
}
PLAIN = {"measure": '"ratio"', "start": '"observational"', **RATED}
KEYS = (
    "measure, start, question, placement, population, judged_on, judged_by, what_would_change, risk_of_bias, "
    "inconsistency, indirectness, imprecision, small_study_effects, large_effect, dose_response, opposing_confounding, "
    "decision_context"
)
UP = f'{{ levels = 1, reason = "{WHY}" }}'


def text_of(**changes: str | None) -> str:
    """A plain judgement with changed keys, ``None`` to leave one out."""
    pairs = {**PLAIN, **changes}
    return "[[judgement]]\n" + "".join(f"{key} = {value}\n" for key, value in pairs.items() if value is not None)


@pytest.fixture
def read(tmp_path: Path) -> Any:
    def reader(content: str | bytes) -> tuple[CertaintyJudgement, ...]:
        file = tmp_path / "my.toml"
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_judgements(file)

    return reader


@pytest.fixture
def problems(read: Any) -> Any:
    def reader(content: str | bytes) -> tuple[str, ...]:
        with pytest.raises(JudgementsError) as caught:
            read(content)
        assert str(caught.value) == "\n".join(caught.value.problems)
        assert all(sentence.isprintable() for sentence in caught.value.problems)
        return caught.value.problems

    return reader


def test_every_key(read: Any) -> None:
    whole = """
[[judgement]]
measure = "ratio"
start = "randomised"
question = "Which placement?"
placement = "anterior-posterior against anterior-lateral"
population = "adults, elective"
judged_on = 2026-11-26
judged_by = "protocol committee"
risk_of_bias = { rating = "serious", reason = "Nobody was blinded." }
inconsistency = { rating = "Not serious", reason = "One study only." }
indirectness = { rating = "VERY SERIOUS", reason = "Sedated elective patients only." }
imprecision = { rating = "not-serious", reason = "The interval is narrow." }
small_study_effects = { rating = "strongly suspected", reason = "One small study." }
what_would_change = \"\"\"
A second
  study.\"\"\"
decision_context.values = "Pain counts."
decision_context.feasibility = "Turning is hard."
[[judgement]]
measure = "Capture"
start = "Observational"
judged_on = "2025-02-28"
large_effect = { levels = 2, reason = "Five times as many." }
[judgement.dose_response]
levels = 1
reason = "Rises with the current."
"""
    first, second = read(whole)
    assert first == CertaintyJudgement(
        measure="ratio",
        start="randomised",
        judgements=(
            Judgement("risk-of-bias", "serious", "Nobody was blinded."),
            Judgement("inconsistency", "not serious", "One study only."),
            Judgement("indirectness", "very serious", "Sedated elective patients only."),
            Judgement("imprecision", "not serious", "The interval is narrow."),
            Judgement("small-study-effects", "suspected", "One small study."),
        ),
        question="Which placement?",
        placement="anterior-posterior against anterior-lateral",
        population="adults, elective",
        judged_on=date(2026, 11, 26),
        judged_by="protocol committee",
        what_would_change="A second study.",
        decision_context=DecisionContext(values="Pain counts.", feasibility="Turning is hard."),
    )
    assert first.certainty == "very low"
    assert second == CertaintyJudgement(
        measure="capture",
        start="observational",
        judgements=(),
        upgrades=(
            Upgrade("large-effect", 2, "Five times as many."),
            Upgrade("dose-response", 1, "Rises with the current."),
        ),
        judged_on=date(2025, 2, 28),
    )
    assert second.certainty is None


@pytest.mark.parametrize("measure", MEASURES)
def test_measures(read: Any, measure: str) -> None:
    assert read(text_of(measure=f'"{measure}"'))[0].measure == measure


def test_line_ends_and_a_byte_order_mark_do_not_matter(read: Any) -> None:
    assert read(b"\xef\xbb\xbf" + text_of().replace("\n", "\r\n").encode()) == read(text_of())


def test_a_domain_that_is_left_away_is_not_made_up(read: Any) -> None:
    (judgement,) = read(text_of(imprecision=None))
    assert judgement.certainty is None
    assert judgement.reason == "Not judged: imprecision."


MEASURE = 'it takes "threshold", "capture", "ratio", "difference", "capture-ratio" or "outcome"'
START = 'it takes "randomised" or "observational"'
RATING = 'it takes "not serious", "serious" or "very serious"'
REASON = "it takes a reason of at least 3 words and at most 1,000 characters, in quotation marks"
DATE = "it takes a date such as 2026-11-26 (year, month, day), without a time"
TEXT = "it takes a text of at most 1,000 characters in quotation marks"


@pytest.mark.parametrize(
    ("key", "value", "sentence"),
    [
        ("measure", None, f": measure is missing; {MEASURE}."),
        ("measure", '" "', f": measure is missing; {MEASURE}."),
        ("measure", '"odds"', f', measure: "odds" is not accepted; {MEASURE}.'),
        ("measure", "3", f", measure: 3 is not accepted; {MEASURE}."),
        ("start", None, f": start is missing; {START}."),
        ("start", '"Anna Schmidt"', f", start: the text is not accepted; {START}."),
        ("start", "true", f", start: true is not accepted; {START}."),
        ("start", "nan", f", start: nan is not accepted; {START}."),
        ("start", "0x" + "f" * 5000, f", start: the number is not accepted; {START}."),
        ("start", "[1]", f", start: a list is not accepted; {START}."),
        ("start", "07:00:00", f", start: a date or time is not accepted; {START}."),
        ("judged_on", '"26.11.2026"', f", judged_on: the text is not accepted; {DATE}."),
        ("judged_on", '"2026-02-30"', f", judged_on: the text is not accepted; {DATE}."),
        ("judged_on", "2026-11-26T07:00:00", f", judged_on: a date or time is not accepted; {DATE}."),
        ("judged_on", "2026", f", judged_on: 2026 is not accepted; {DATE}."),
        ("question", "5", f", question: what stands there is not accepted; {TEXT}."),
        ("population", f'"{"x" * 1001}"', f", population: what stands there is not accepted; {TEXT}."),
        ("imprecision", '"serious"',
         ', imprecision: "serious" is not accepted; it takes { rating = "...", reason = "..." }.'),
        ("imprecision", '{ rating = "bad", reason = "the reason stands here" }',
         f', imprecision, rating: "bad" is not accepted; {RATING}.'),
        ("small_study_effects", '{ rating = "serious", reason = "the reason stands here" }',
         ', small_study_effects, rating: "serious" is not accepted; it takes "undetected" or "suspected".'),
        ("imprecision", '{ rating = "serious" }', f", imprecision: reason is missing; {REASON}."),
        ("imprecision", '{ rating = "serious", reason = "" }', f", imprecision: reason is missing; {REASON}."),
        ("imprecision", '{ rating = "serious", reason = "too wide" }',
         f", imprecision, reason: what stands there is not accepted; {REASON}."),
        ("imprecision", '{ rating = "serious", reason = 3 }',
         f", imprecision, reason: what stands there is not accepted; {REASON}."),
        ("large_effect", '{ levels = 3, reason = "the reason stands here" }',
         ", large_effect, levels: 3 is not accepted; it takes 1 or 2."),
        ("dose_response", '{ levels = 2, reason = "the reason stands here" }',
         ", dose_response, levels: 2 is not accepted; it takes 1."),
        ("dose_response", '{ levels = true, reason = "the reason stands here" }',
         ", dose_response, levels: true is not accepted; it takes 1."),
        ("dose_response", '{ reason = "the reason stands here" }', ", dose_response: levels is missing; it takes 1."),
        ("decision_context", "{ equity = 3 }", f", decision_context, equity: what stands there is not accepted; {TEXT}."),
        ("decision_context", '{ cost = "high" }', ', decision_context, "cost": this key is not known; accepted: values, '
         "acceptability, feasibility, equity, resources."),
        ("mesure", '"ratio"', f', "mesure": this key is not known (did you mean measure?); accepted: {KEYS}.'),
        ("risk-of-bias", "{}", f', "risk-of-bias": this key is not known (did you mean risk_of_bias?); accepted: {KEYS}.'),
        ("publication_bias", "{}",
         ', "publication_bias": this key is at the wrong place; write small_study_effects in place of publication_bias.'),
        ("values", '"x"', ', "values": this key is at the wrong place; it belongs to decision_context, write '
         "decision_context. in front of it."),
        ("'Anna Schmidt'", '"x"', f", a key that is not repeated: this key is not known; accepted: {KEYS}."),
    ],
)  # fmt: skip
def test_mistakes(problems: Any, key: str, value: str | None, sentence: str) -> None:
    assert problems(text_of(**{key: value})) == (f"my.toml, judgement 1{sentence}",)


@pytest.mark.parametrize("name", ["Anna Schmidt", "chair@example.org", "committee chair Schmidt"])
def test_a_person_who_judged_is_refused_and_not_repeated(problems: Any, name: str) -> None:
    (sentence,) = problems(text_of(judged_by=f'"{name}"'))
    assert sentence.startswith("my.toml, judgement 1, judged_by: what stands there is not accepted; it takes a role")
    assert "Schmidt" not in sentence
    assert "@" not in sentence


def test_texts_are_put_on_one_line(read: Any) -> None:
    (judgement,) = read(text_of(question='"""\nWhich\tplacement \\u202e?\n"""'))
    assert judgement.question == "Which placement ?"


def test_randomised_evidence_is_not_rated_up(problems: Any) -> None:
    assert problems(text_of(start='"randomised"', large_effect=UP)) == (
        "my.toml, judgement 1: Only evidence that starts as observational is rated up (large-effect); this is randomised.",
    )


def test_evidence_that_is_rated_down_is_not_rated_up(problems: Any) -> None:
    lowered = f'{{ rating = "serious", reason = "{WHY}" }}'
    assert problems(text_of(imprecision=lowered, large_effect=UP, start=None)) == (
        f"my.toml, judgement 1: start is missing; {START}.",
        "my.toml, judgement 1: Evidence is rated up (large-effect) only where nothing lowers it; lowered here for "
        "imprecision.",
    )


def test_a_key_of_the_judgement_below_a_heading(problems: Any) -> None:
    content = text_of() + '[judgement.decision_context]\nequity = "x"\nquestion = "y"\n'
    assert problems(content) == (
        'my.toml, judgement 1, decision_context, "question": this key is at the wrong place; it belongs to the judgement, '
        "write it directly below [[judgement]].",
    )


def test_keys_outside_of_a_judgement(problems: Any) -> None:
    assert problems('measure = "ratio"\njudgment = 3\n' + text_of()) == (
        'my.toml, "measure": this key is at the wrong place; write it below a line [[judgement]].',
        'my.toml, "judgment": this key is not known (did you mean judgement?); accepted: judgement.',
    )


def test_everything_is_said_at_once_by_position(problems: Any) -> None:
    found = problems(text_of(measure='"x"', mesure="1", judged_on="1") + text_of() + text_of(start='"y"', question="1"))
    assert [sentence.removeprefix("my.toml, judgement ").split(":")[0] for sentence in found] == [
        '1, "mesure"', "1, measure", "1, judged_on", "3, start", "3, question",
    ]  # fmt: skip


def test_a_body_of_evidence_is_judged_once(problems: Any, read: Any) -> None:
    assert problems(text_of(placement='"AP"') + text_of() + text_of(placement='"ap "', start='"randomised"')) == (
        "my.toml, judgement 3: measure, question, placement and population are those of judgement 1; a body of evidence "
        "is judged once.",
    )
    assert len(read(text_of(population='"adults"') + text_of(population='"children"'))) == 2


@pytest.mark.parametrize("content", ["", "\n", "# nothing\n", "judgement = []\n", b"\xef\xbb\xbf"])
def test_no_judgement(problems: Any, content: str | bytes) -> None:
    assert problems(content) == ("my.toml holds no judgement; a judgement begins with a line [[judgement]].",)


def test_what_is_no_list_of_tables(problems: Any) -> None:
    assert problems(text_of().replace("[[", "[").replace("]]", "]")) == (
        "my.toml: a judgement begins with a line [[judgement]], with two brackets on each side.",
    )
    assert problems("judgement = 3") == (
        "my.toml, judgement: 3 is not accepted; a judgement begins with a line [[judgement]].",
    )
    assert problems("judgement = [3]") == ("my.toml, judgement 1: 3 is not accepted; it takes keys with values.",)


NO_TOML = "my.toml is not valid TOML; brackets, braces and quotation marks are closed, and no key stands twice."


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ('[[judgement]]\nstart = "randomised"\nSecretword = oops\n',
         'my.toml, line 3, column 14, is not valid TOML; a line is key = "text" or key = { rating = "...", reason = "..." } '
         "on one line, and no key stands twice."),
        ("\r\n\r\nstart = \u201cSecretword\u201d\r\n",
         'my.toml, line 3, column 9, is not valid TOML; type straight quotation marks (") in place of the curly ones.'),
        ("patient_id,name\n1,Secretword\n", "my.toml, line 1, column 11, is not valid TOML; a line is"),
        ("Secretword = 1\nSecretword = 2\n", "my.toml, line 2, column 15, is not valid TOML; a line is"),
        ('a = "Secretword', NO_TOML),
        ("a = " + "9" * 5000, NO_TOML),
        ("a = " + "[" * 5000, NO_TOML),
    ],
)  # fmt: skip
def test_what_is_no_toml_is_not_repeated(problems: Any, content: str, sentence: str) -> None:
    (found,) = problems(content)
    assert found.startswith(sentence)
    assert "Secretword" not in found


def test_files_that_cannot_be_read(problems: Any, tmp_path: Path) -> None:
    assert problems(b"a = '\xff'") == ("my.toml is not UTF-8 text; save it as plain text in UTF-8.",)
    for path, why in (
        (tmp_path / "no.toml", "no.toml is not a file that is there"),
        (tmp_path, "is not a file that is there"),
        (tmp_path / ("n" * 5000), "cannot be read"),
        ("a\0b", "is not a file that is there"),
        ("", "the file of judgements is not a file that is there"),
        (tmp_path / "Anna_Schmidt.toml", "the file of judgements is not a file"),
    ):
        with pytest.raises(JudgementsError, match=why) as caught:
            read_judgements(path)
        assert str(caught.value).isprintable()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(JudgementsError, match="is not a file"):
        read_judgements(tmp_path / "pipe.toml")


def test_the_error_is_a_usage_error_and_survives_pickling() -> None:
    error = pickle.loads(pickle.dumps(JudgementsError(["One.", "Two."])))  # noqa: S301
    assert isinstance(error, UsageError)
    assert (error.problems, str(error)) == (("One.", "Two."), "One.\nTwo.")


# --- the template ----------------------------------------------------------------------------------------------------


def test_the_template_judges_nothing(problems: Any) -> None:
    assert problems(judgements_template_text()) == (
        f"my.toml, judgement 1: measure is missing; {MEASURE}.",
        f"my.toml, judgement 1: start is missing; {START}.",
        *(
            f"my.toml, judgement 1, {domain.replace('-', '_')}: nothing was judged yet; rating takes {words}, and reason at "
            "least a few words; a domain that cannot be judged yet is left away, and then there is no certainty."
            for domain in DOMAINS
            for words in [
                '"undetected" or "suspected"'
                if domain == "small-study-effects"
                else '"not serious", "serious" or "very serious"'
            ]
        ),
    )


def test_the_template_filled_in_is_accepted(read: Any) -> None:
    filled = judgements_template_text().replace('measure = ""', 'measure = "ratio"')
    filled = filled.replace('start = ""', 'start = "randomised"').replace('reason = ""', f'reason = "{WHY}"')
    head, small, tail = filled.partition("\nsmall_study_effects")
    filled = (
        head.replace('rating = ""', 'rating = "serious"') + small + tail.replace('rating = ""', 'rating = "undetected"')
    )
    (judgement,) = read(filled)
    assert judgement.certainty == "very low"
    assert judgement.judged_on is None
    assert judgement.decision_context == DecisionContext()


def test_the_template_explains_every_key_and_word() -> None:
    head = judgements_template_text().split("\n[[judgement]]")[0]
    for key in KEYS.split(", "):
        assert f"#   {key} " in head
    words = [*MEASURES, "randomised", "observational", *SERIOUS, "undetected", "suspected"]
    assert all(f'"{word}"' in head for word in words)
    assert all(f"({part})" in head for part in DecisionContext.__slots__)
    assert "no recommendation" in head


# --- anything at all -------------------------------------------------------------------------------------------------

quick = settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None)


def only_judgement_errors(read: Any, content: str | bytes) -> None:
    try:
        judgements = read(content)
    except JudgementsError as problem:
        sentences = problem.problems
    else:
        check_nothing_is_made_up(judgements)
        return
    assert sentences
    assert all(sentence.isprintable() for sentence in sentences)


def check_nothing_is_made_up(judgements: tuple[CertaintyJudgement, ...]) -> None:
    assert judgements
    for judgement in judgements:
        assert (judgement.certainty is None) == bool(judgement.reason) == bool(judgement.missing)
        assert all(is_reason(part.reason) for part in judgement.judgements + judgement.upgrades)


@quick
@given(content=st.binary() | st.text().map(lambda text: text.encode("utf-8", "surrogatepass")))
@example(content=b"[[judgement]]\n\x00")
@example(content=b"judgement = [[[[]]]]")
@example(content=b"a = 0x" + b"f" * 9000)
def test_any_bytes(read: Any, content: bytes) -> None:
    only_judgement_errors(read, content)


@quick
@given(data=st.data())
def test_damaged_files(read: Any, data: st.DataObject) -> None:
    content = bytearray((text_of(judged_by='"committee"') + text_of(measure='"capture"', large_effect=UP)).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 8))] = data.draw(st.binary(max_size=3))
    only_judgement_errors(read, bytes(content))


quoted = st.text(st.characters(exclude_categories=("Cc", "Cs"), exclude_characters="'")).map(lambda text: f"'{text}'")
atoms = st.one_of(
    quoted,
    st.sampled_from(
        ["true", "nan", "-inf", "-0.0", "1", "2", "2026-11-26", "07:00:00", "2026-11-26T07:00:00Z", "'2026-11-26'"]
    ),
    st.sampled_from(
        [f"'{word}'" for word in (*SERIOUS, "suspected", "undetected", "ratio", "randomised", "committee", WHY)]
    ),
    st.integers(-(10**400), 10**400).map(str),
    st.integers(0, 2**20_000).map(hex),
)
inner_keys = st.sampled_from(["rating", "reason", "levels", "values", "equity", "'x y'", "''"])
values = st.recursive(
    atoms,
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda parts: f"[{', '.join(parts)}]")
        | st.dictionaries(inner_keys, inner, max_size=3).map(
            lambda parts: "{ " + ", ".join(f"{key} = {value}" for key, value in parts.items()) + " }"
        )
    ),
    max_leaves=6,
)
tables = st.dictionaries(
    st.sampled_from([*KEYS.split(", "), "'\u202e'", "''", "judgement", "values"]), values, max_size=8
)
heads = st.sampled_from(
    ["[[judgement]]", "[judgement]", "[judgement.decision_context]", "[[judgement.imprecision]]", ""]
)


@quick
@given(parts=st.lists(st.tuples(heads, tables), max_size=4), plain=st.booleans())
def test_anything_that_looks_like_a_file_of_judgements(
    read: Any, parts: list[tuple[str, dict[str, str]]], plain: bool
) -> None:
    content = []
    for head, table in parts:
        filled = {**PLAIN, **table} if plain and head == "[[judgement]]" else table
        content.append("".join(f"{line}\n" for line in (head, *(f"{key} = {value}" for key, value in filled.items()))))
    only_judgement_errors(read, "".join(content))
