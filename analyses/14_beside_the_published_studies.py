"""What the published studies say together, the invented registry beside them, and a brief for a committee.

Run: python analyses/14_beside_the_published_studies.py [--study synthetic_data/registry] [--out capstat-literature]

Prints: every question that the shipped records can answer, with the registry beside it and both together; the published
crossover reanalysed; where the registry lies in published ranges; and the brief without and with judgements of certainty,
which are invented here: a committee gives its own.  With --out, a folder with tables as CSV and figures.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis import (
    AnalysisOptions,
    LiteratureQuestion,
    analyse_evidence,
    capture_definitions_for,
    describe_local,
    evidence_brief,
)
from capstat.attempts import read_study
from capstat.output import csv_text, new_folder_atomically
from capstat.report.brief import brief_text, brief_words
from capstat.report.figures.reconstruction import PossibleData, possible_data_picture
from capstat.report.literature_section import literature_section
from capstat.report.table import table_text
from capstat.synthesis import published_crossover_2022, reconstruct_crossover
from capstat.synthesis.judgements import CertaintyJudgement
from capstat.synthesis.judgements_parts import Judgement
from capstat.synthesis.reconstruction_setting import Effort

if TYPE_CHECKING:
    from capstat.report.figures import Picture

INVENTED = CertaintyJudgement(
    measure="ratio",
    start="observational",
    judgements=(
        Judgement("risk-of-bias", "serious", "invented example: the order of placements was not concealed"),
        Judgement("inconsistency", "not serious", "invented example: one study, nothing to disagree with"),
        Judgement("indirectness", "serious", "invented example: sedated patients, not emergencies"),
        Judgement("imprecision", "serious", "invented example: twenty patients"),
        Judgement("small-study-effects", "undetected", "invented example: cannot be seen from one study"),
    ),
    judged_by="example committee",
    what_would_change="invented example: a randomised crossover in emergencies",
)


def one_possible_data_set() -> Picture:
    """Thirteen pairs that would have been printed in the same numbers, hollow where a value was put in."""
    found = reconstruct_crossover(published_crossover_2022(), seed=1, effort=Effort(chains=24, warm_up=60, draws=20))
    first, second = np.array(found.possible_pairs).T
    put_in = found.reported.imputed_as_ma
    return possible_data_picture(
        PossibleData(
            first_label="anterior-posterior", second_label="anterior-lateral", first_ma=first, second_ma=second,
            first_put_in=first == put_in, second_put_in=second == put_in, maximum_ma=found.reported.maximum_ma,
        ),
        "possible_data", "The 2022 crossover: pairs that agree with its summary", "", "Thirteen invented pairs of currents.",
    )  # fmt: skip


def main() -> None:
    """Print everything; write it where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--study", default="synthetic_data/registry")
    parser.add_argument("--out")
    options = parser.parse_args()

    study = read_study(options.study)
    chosen = AnalysisOptions()
    local = describe_local(study, chosen, capture_definitions_for(study))
    found = analyse_evidence(LiteratureQuestion(judgements=(INVENTED,)), local, level=chosen.level, seed=chosen.seed)
    section = literature_section(found, local.comparison)

    print("The local records are invented, and so are the judgements.\n")
    for question in section.questions:
        if question.leading:
            print(question.title)
            print("\n".join(f"  {sentence}" for sentence in question.sentences))
            print()
    for title, sentences in (
        ("The published crossover from its summary", section.reanalysis_sentences),
        ("The registry in published and trade ranges", section.range_sentences),
    ):
        print(title)
        print("\n".join(f"  {sentence}" for sentence in sentences))
        print()
    for table in section.reanalysis_tables:
        print(table_text(table))
    without = brief_text(
        evidence_brief(analyse_evidence(LiteratureQuestion(), local), "ratio", local.comparison, capture=found.capture)
    )
    print(f"Without judgements: {without.certainty}\n")
    for heading, sentences in brief_words(
        brief_text(evidence_brief(found, "ratio", local.comparison, capture=found.capture))
    ):
        print(heading)
        print("\n".join(f"  {sentence}" for sentence in sentences))
    if options.out:
        pictures = (*section.pictures, one_possible_data_set())
        with new_folder_atomically(Path(options.out), kind="literature") as scratch:
            for table in section.tables:
                (scratch / f"{table.name}.csv").write_bytes(csv_text(table.frame).encode("utf-8"))
            for picture in pictures:
                (scratch / f"{picture.name}.png").write_bytes(picture.png)


if __name__ == "__main__":
    main()
