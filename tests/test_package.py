"""What is shipped, and that public names are what they say."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import capstat

ROOT = Path(__file__).parent.parent


def test_every_public_name_exists():
    for name in capstat.__all__:
        assert getattr(capstat, name) is not None
    assert dir(capstat) == sorted(capstat.__all__)
    assert not hasattr(capstat, "nonsense")


def test_wheel_holds_the_package_and_nothing_else(tmp_path):
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(tmp_path), str(ROOT)]
    subprocess.run(build, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    package = {name for name in names if name.startswith("capstat/")}
    expected = {
        str(path.relative_to(ROOT)).replace("\\", "/")
        for path in (ROOT / "capstat").rglob("*")
        if (path.is_file() and path.suffix in (".py", ".j2", ".toml", ".typed", ".csv", ".json"))
        or path.name == "py.typed"
    }
    assert package == expected
    rest = {name.split("/", 1)[1] for name in names if name not in package}
    assert rest == {"METADATA", "WHEEL", "RECORD", "entry_points.txt", "licenses/LICENSE"}


def test_top_level_is_the_agreed_one():
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout
    top = {line.split("/")[0] for line in tracked.splitlines() if not line.startswith(".")}
    allowed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "capstat", "analyses", "tests", "synthetic_data", "LICENSE",
        "CITATION.cff", "constraints.txt",
    }  # fmt: skip
    assert top <= allowed
