"""capstat synth: an invented study with known truth."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

__all__ = ["add_options", "run"]

USUAL_SIZE = {"registry": 600, "crossover": 40, "messy-export": 600, "repeated-checks": 60}


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    from capstat.cli.common import whole_number

    parser.add_argument(
        "--scenario", choices=tuple(USUAL_SIZE), default="registry", help="which study (default registry)"
    )
    parser.add_argument(
        "--patients", type=whole_number(4), help="patients (default: 600, for the crossover 40, for repeated checks 60)"
    )
    parser.add_argument("--seed", type=whole_number(0), default=1, help="seed (default 1)")
    parser.add_argument(
        "--out", required=True, help="folder for the files; made new, or replaced while it is as capstat wrote it"
    )


def run(options: argparse.Namespace) -> int:
    """Simulate a study and write its files."""
    from capstat.output import new_folder_atomically
    from capstat.synthetic import (
        clean_files,
        messy_files,
        simulate_crossover,
        simulate_registry,
        simulate_repeated_checks,
    )

    size = options.patients or USUAL_SIZE[options.scenario]
    if options.scenario == "crossover":
        files = clean_files(simulate_crossover(n_patients=size, seed=options.seed))
    elif options.scenario == "repeated-checks":
        files = clean_files(simulate_repeated_checks(n_patients=size, seed=options.seed))
    else:
        study = simulate_registry(n_patients=size, seed=options.seed)
        files = clean_files(study) if options.scenario == "registry" else messy_files(study, options.seed)
    with new_folder_atomically(options.out, "synthetic") as folder:
        for name, data in files.items():
            (folder / name).write_bytes(data)
    print(f"Invented data are in {options.out}: {', '.join(files)}.")
    return 0
