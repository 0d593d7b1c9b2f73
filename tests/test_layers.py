"""A module imports only from lower layers, and start-up loads neither modelling nor plotting libraries."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "capstat"
LAYERS = {
    "results": 0, "output": 0,
    "numerics": 1,
    "attempts": 2,
    "thresholds": 3,
    "distributions": 4,
    "capture": 5,
    "placement": 6, "protocol": 6, "synthesis": 6,
    "outcomes": 7,
    "analysis": 8, "synthetic": 8,
    "report": 9,
    "cli": 10,
}  # fmt: skip
MODELLING = {"scipy", "statsmodels", "lifelines"}
PLOTTING = {"matplotlib", "seaborn"}


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
    return found


def modules() -> list[Path]:
    return [path for path in sorted(PACKAGE.rglob("*.py")) if path != PACKAGE / "__init__.py"]


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_down(path):
    own = path.relative_to(PACKAGE).with_suffix("").parts[0]
    for name in imports_of(path):
        if name == "capstat" or not name.startswith("capstat"):
            assert name != "capstat", f"{path}: imports the package itself"
            continue
        other = name.split(".")[1]
        assert other == own or LAYERS[other] < LAYERS[own], f"{path}: {own} may not import {other}"


def test_every_part_has_a_layer():
    parts = {path.relative_to(PACKAGE).with_suffix("").parts[0] for path in modules()}
    assert parts == set(LAYERS)


def test_report_computes_nothing_and_only_figures_plot():
    for path in modules():
        roots = {name.split(".")[0] for name in imports_of(path)}
        if "report" in path.parts:
            assert not roots & MODELLING, f"{path} imports a modelling library"
        if path.parent != PACKAGE / "report" / "figures":
            assert not roots & PLOTTING, f"{path} imports a plotting library"


def test_numerics_speaks_of_no_pacing():
    for path in (PACKAGE / "numerics").glob("*.py"):
        text = path.read_text(encoding="utf-8").lower().replace("replacement", "")
        for word in ("pacing", "threshold", "placement", "patient", "capture", " ma "):
            assert word not in text, f"{path}: '{word}'"


@pytest.mark.parametrize(
    "command",
    [[sys.executable, "-c", "import capstat"], [sys.executable, "-m", "capstat.cli.main", "--help"]],
)
def test_start_up_loads_no_heavy_library(command):
    code = (
        "import runpy, sys\n"
        f"sys.argv = {command[1:]!r}\n"
        "try:\n"
        + (
            "    import capstat\n"
            if command[1] == "-c"
            else "    from capstat.cli.main import main; main(['--help'])\n"
        )
        + "except SystemExit: pass\n"
        "heavy = {'pandas', 'scipy', 'statsmodels', 'lifelines', 'matplotlib', 'seaborn'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)\n"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stderr
