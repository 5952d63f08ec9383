"""Who may import what. The picture is in DEVELOPERS.md; this file holds it."""

from __future__ import annotations

import ast
import importlib.metadata
import subprocess
import sys
from pathlib import Path

import pytest

import cliplib

ROOT = Path(__file__).parents[2]

# From the ground up: a layer imports only layers before it (or itself).
LAYERS = (
    "core",
    "stats",
    "vocabulary",
    "phrases",
    "logs",
    "fightfolder",
    "relations",
    "media",
    "catalogue",
    "search",
    "tally",
    "reels",
    "report",
    "watching",
    "breakdowns",
    "ingest",
    "library",
    "cli",
)

# Third-party tools, and the one place each may be imported from.
HOMES = {
    "whoosh": ("cliplib/search/textindex.py",),
    "ffmpeg": ("cliplib/media/ffmpeg.py",),
    "imageio_ffmpeg": ("cliplib/media/ffmpeg.py",),
    "sqlite_utils": ("cliplib/catalogue/",),
    "sqlite3": ("cliplib/catalogue/", "cliplib/media/versions.py"),  # there: its version
    "av": ("cliplib/media/",),
    "opentimelineio": ("cliplib/reels/handover_timeline.py", "cliplib/breakdowns/timeline.py"),
    "markdown_it": ("cliplib/breakdowns/document.py",),
    "fpdf": ("cliplib/reels/handover_sheet.py", "cliplib/report/paper.py", "cliplib/breakdowns/sheet.py"),
    "fontTools": ("cliplib/reels/typefaces.py",),
    "matplotlib": ("cliplib/report/charts.py",),
    "click": ("cliplib/cli/",),
    "rapidocr": ("cliplib/watching/reading.py",),
    "flask": ("web/",),
    "waitress": ("web/",),
    "werkzeug": ("web/",),
    "rapidfuzz": (
        "cliplib/search/textindex.py",
        "cliplib/phrases",
        "cliplib/vocabulary",
        "cliplib/logs",
        "cliplib/fightfolder/",
        "cliplib/reels",
        "cliplib/breakdowns/links.py",
        "cliplib/library/names.py",
    ),
}

SOURCES = sorted([*ROOT.glob("cliplib/**/*.py"), *ROOT.glob("web/**/*.py")])


def layer_of(path: Path) -> str | None:
    """`cliplib/catalogue/schema.py` and `cliplib/reels/plan.py` belong to layers catalogue and reels."""
    relative = path.relative_to(ROOT)
    if relative.parts[0] != "cliplib" or (len(relative.parts) == 2 and relative.stem.startswith("__")):
        return None
    return relative.parts[1].removesuffix(".py")


def imports_of(path: Path) -> list[tuple[str, int]]:
    """Absolute dotted names of everything a file imports, with lines; also inside functions."""
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            stem = ".".join((*base, *(node.module.split(".") if node.module else ())))
            found.append((stem, node.lineno))
            found += [(f"{stem}.{alias.name}", node.lineno) for alias in node.names]
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports(path: Path) -> None:
    relative = path.relative_to(ROOT).as_posix()
    wrong = []
    for name, line in imports_of(path):
        top = name.split(".")[0]
        homes = HOMES.get(top)
        if homes and not relative.startswith(homes):
            wrong.append(f"{relative}:{line}: {top} is imported only in {', '.join(homes)}")
        if top == "cliplib" and relative.startswith("cliplib/") and "." in name:
            mine, theirs = layer_of(path), name.split(".")[1]
            if mine is None or (theirs in cliplib.__all__ and mine == "cli"):
                continue
            assert mine in LAYERS, f"{relative} is in no layer: add it to LAYERS and DEVELOPERS.md"
            assert theirs in LAYERS, f"{relative}:{line} imports {name}, which is in no layer"
            if LAYERS.index(theirs) > LAYERS.index(mine):
                wrong.append(f"{relative}:{line}: {mine} must not import {theirs}, which stands above it")
        offered = "." not in name or name.split(".")[1] in (*cliplib.__all__, "library")
        if relative.startswith("web/") and top == "cliplib" and not offered:
            wrong.append(f"{relative}:{line}: pages import what cliplib offers, not {name}")
    assert not wrong, "\n".join(wrong)


def test_cliplib_runs_without_flask() -> None:
    code = (
        "import sys\n"
        "class Refuse:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name.split('.')[0] in {'flask', 'waitress', 'cliplib_web'}:\n"
        "            raise ImportError(name)\n"
        "sys.meta_path.insert(0, Refuse())\n"
        "import cliplib.cli.main\n"
        "for name in cliplib.__all__:\n    getattr(cliplib, name)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_every_package_is_shipped() -> None:
    """A package that pyproject forgets would be missing from the wheel."""
    import tomllib

    shipped = set(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"])
    here = {
        ".".join(path.parent.relative_to(ROOT).parts).replace("web", "cliplib_web", 1)
        for path in SOURCES
        if path.name == "__init__.py"
    }
    assert here == shipped


def test_top_level_is_as_agreed() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    if not tracked:
        pytest.skip("not a git checkout")
    assert {name.split("/")[0] for name in tracked} <= {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "Makefile", "pyproject.toml",
        "requirements.lock", "requirements-dev.lock", ".gitignore", ".ci",
        "cliplib", "web", "tests", "fixtures",
    }  # fmt: skip


def test_the_command_is_the_installed_one() -> None:
    scripts = importlib.metadata.entry_points(group="console_scripts", name="cliplib")
    assert {s.value for s in scripts} == {"cliplib.cli.main:main"}
