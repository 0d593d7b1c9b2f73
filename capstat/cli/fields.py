"""capstat fields: the data dictionary, a blank template, or a schema."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.cli.common import print_json

if TYPE_CHECKING:
    import argparse

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    parser.add_argument("--table", choices=("attempts", "steps", "periods", "patients"), help="only this table")
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument(
        "--template",
        nargs="?",
        const="capstat-template",
        metavar="FOLDER",
        help="write blank CSV files with the columns into a new folder (default capstat-template)",
    )
    kind.add_argument("--schema", action="store_true", help="print the open Table Schema (JSON)")


def run(options: argparse.Namespace) -> int:
    """Print the field table, or make a template or schema from it."""
    from capstat.attempts import TABLES, field_table_text, table_schema, template_csvs
    from capstat.output import new_folder_atomically

    if options.schema:
        tables = [options.table] if options.table else list(TABLES)
        schemas = {table: table_schema(table) for table in tables}
        print_json(schemas[options.table] if options.table else schemas)
    elif options.template:
        with new_folder_atomically(options.template, "template") as folder:
            for name, text in template_csvs().items():
                if options.table is None or name == f"{options.table}.csv":
                    (folder / name).write_bytes(text.encode("utf-8"))
        print(f"Blank tables are in {options.template}; only attempts.csv is needed.")
    else:
        print(field_table_text(options.table))
    return 0
