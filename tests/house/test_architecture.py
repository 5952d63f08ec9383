"""The rules of the house; DEVELOPERS.md says where things go. Each rule is also seen to bite."""

from __future__ import annotations

import importlib.metadata
import inspect
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import cliplib
from tests.house import rules

ROOT = Path(__file__).parents[2]

# From the ground up: what stands on a floor imports only from floors before it, or from its own.
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
# Inside the library's package too: the desk first, then its services, each on those before it.
LIBRARY = (
    "names",
    "private",
    "desk",
    "filmlock",
    "themefiles",
    "finding",
    "logging",
    "evidence",
    "making",
    "care",
    "library",
)
FLOORS = (
    "cliplib",  # the list of what is offered: imports nothing, and may be imported by the command line and the pages
    *(
        f"cliplib.{name}"
        for layer in LAYERS
        for name in ([*(f"library.{part}" for part in LIBRARY), "library"] if layer == "library" else [layer])
    ),
    "cliplib.__main__",
    "cliplib_web",
)

# Third-party tools, and the one place each may be imported from. More than one place has a reason.
HOMES = {
    "whoosh": ("cliplib/search/textindex.py",),
    "ffmpeg": ("cliplib/media/ffmpeg.py",),
    "imageio_ffmpeg": ("cliplib/media/ffmpeg.py",),
    "sqlite_utils": ("cliplib/catalogue/",),
    "sqlite3": (
        "cliplib/catalogue/store.py",  # connections
        "cliplib/catalogue/medium.py",  # connections that only read
        "cliplib/catalogue/state.py",  # what a file that is no catalogue of ours is known by
        "cliplib/catalogue/care.py",  # copying and scrubbing the file, which only its own interface can do
        "cliplib/media/versions.py",  # its version
    ),
    "av": (
        "cliplib/media/apart/",  # all that decodes strangers' film, in processes apart
        "cliplib/media/mp4/packets.py",  # the packets of a file, without decoding
        "cliplib/media/joining.py",  # films that we made ourselves
        "cliplib/media/sound.py",  # the same
    ),
    "opentimelineio": (
        "cliplib/reels/handover_timeline.py",
        "cliplib/breakdowns/timeline.py",
    ),  # two timelines
    "markdown_it": ("cliplib/breakdowns/document.py",),
    "fpdf": (  # three papers
        "cliplib/reels/handover_sheet.py",
        "cliplib/report/paper.py",
        "cliplib/breakdowns/sheet.py",
    ),
    "fontTools": ("cliplib/reels/typefaces.py",),
    "matplotlib": ("cliplib/report/charts.py",),
    "click": ("cliplib/cli/",),
    "rapidocr": ("cliplib/watching/reading.py",),
    "flask": ("web/",),
    "waitress": ("web/site/serve.py", "web/site/connections.py"),  # running it; what it does on a connection
    "werkzeug": ("web/app.py", "web/site/ranges.py"),  # errors and proxies; byte ranges
    "rapidfuzz": (  # “did you mean …?”, each about words of its own
        "cliplib/phrases/",
        "cliplib/logs/source.py",
        "cliplib/search/textindex.py",
        "cliplib/reels/theme_reading.py",
        "cliplib/breakdowns/links.py",
        "cliplib/library/names.py",
    ),
}

FOR_OTHERS = {
    "Action", "Fault", "FightFolderError", "FighterRow", "Frames", "PhraseError", "SettingsError", "Theme", "ThemeError",
}  # fmt: skip
"""Offered to programs that use a library: what its services take, give and raise. All else that is offered is used
by a command or a page, so that nothing is offered by accident."""


@pytest.fixture(scope="module")
def house() -> rules.House:
    return rules.House(ROOT)


def test_no_circle_of_imports(house: rules.House) -> None:
    assert rules.circles(house) == []


def test_one_direction(house: rules.House) -> None:
    assert rules.upward(house, FLOORS) == []


def test_one_door(house: rules.House) -> None:
    assert rules.past_the_door(house, cliplib.__all__) == []


def test_services_take_the_desk(house: rules.House) -> None:
    assert rules.takes_the_library(house, "cliplib.library.library", ["cliplib.library.library"]) == []
    lines = (ROOT / "cliplib/library/library.py").read_text().splitlines()
    assert len(lines) <= 150


def test_nobody_reaches_into_private_parts(house: rules.House) -> None:
    assert rules.private(house) == []


def test_tests_that_reach_into_private_parts_say_why(tmp_path: Path) -> None:
    assert rules.private_in_tests(ROOT) == []
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests/a.py").write_text("from cliplib import b\nb._x = 1\n")
    assert rules.private_in_tests(tmp_path) == [
        "tests/a.py:2: reaches into a private part, and no comment says why: b._x"
    ]


def test_each_tool_has_one_home(house: rules.House) -> None:
    assert rules.away_from_home(house, HOMES) == []


# --- what is offered --------------------------------------------------------------------------------------


def test_what_is_offered_is_used_is_there_and_says_what_it_is(house: rules.House) -> None:
    asking = [m for name, m in house.modules.items() if name.startswith(("cliplib.cli.", "cliplib_web"))]
    asked = {one.name.removeprefix("cliplib.") for module in asking for one in house.imports(module)}
    assert set(cliplib.__all__) == (asked & set(cliplib.__all__)) | FOR_OTHERS
    for name in cliplib.__all__:
        value = getattr(cliplib, name)
        if inspect.isclass(value) or inspect.isfunction(value) or inspect.ismodule(value):
            assert inspect.getdoc(value), f"{name} has no docstring"
    assert set(dir(cliplib)) == set(cliplib.__all__)
    with pytest.raises(AttributeError, match="no attribute 'Librarian'"):
        _ = cliplib.Librarian  # type: ignore[attr-defined]


def test_what_is_offered_is_loaded_when_it_is_asked_for() -> None:
    code = (
        "import sys, cliplib\n"
        "assert [m for m in sys.modules if m.startswith('cliplib')] == ['cliplib']\n"
        "from cliplib import format_time\n"
        "assert 'cliplib.core.timebase' in sys.modules and 'cliplib.library' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


# --- each rule bites --------------------------------------------------------------------------------------

Rule = Callable[[rules.House], list[str]]


def _bad(name: str, rule: Rule, said: str, **files: str) -> pytest.param:  # type: ignore[valid-type]
    return pytest.param(rule, said, files, id=name)


def _floors(*names: str) -> Rule:
    return lambda house: rules.upward(house, names)


def _door(house: rules.House) -> list[str]:
    return rules.past_the_door(house, ["Library"])


def _desk(house: rules.House) -> list[str]:
    return rules.takes_the_library(house, "cliplib.library.library", ["cliplib.library.library"])


def _homes(house: rules.House) -> list[str]:
    return rules.away_from_home(house, {"av": ("cliplib/media/",)})


@pytest.mark.parametrize(
    ("rule", "said", "files"),
    [
        _bad("a circle", rules.circles, "a circle of imports: cliplib.a, cliplib.b, cliplib.c",
             cliplib__a="import cliplib.b", cliplib__b="from cliplib import c", cliplib__c="from cliplib.a import x"),
        _bad("a circle for the types", rules.circles, "a circle of imports: cliplib.a, cliplib.b",
             cliplib__a="from cliplib import b",
             cliplib__b="from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from cliplib.a import x"),
        _bad("a circle in a function", rules.circles, "a circle of imports: cliplib.a, cliplib.b",
             cliplib__a="from cliplib import b", cliplib__b="def f():\n    from cliplib.a import x"),
        _bad("a circle by relative imports", rules.circles, "a circle of imports: cliplib_web.a, cliplib_web.b",
             web__a="from . import b", web__b="from .a import x"),
        _bad("up the stairs", _floors("cliplib", "cliplib.core", "cliplib.cli"),
             "cliplib/core/a.py:2: must not import cliplib.cli.b.x, which stands above it",
             cliplib__core__a="def f():\n    from cliplib.cli.b import x", cliplib__cli__b="x = 1"),
        _bad("up inside a package", _floors("cliplib.library.desk", "cliplib.library.care", "cliplib.library"),
             "cliplib/library/desk.py:1: must not import cliplib.library.care.check, which stands above it",
             cliplib__library__desk="from cliplib.library.care import check", cliplib__library__care__check=""),
        _bad("on no floor", _floors("cliplib.core"),
             "cliplib/attic.py:1: cliplib.attic stands on no floor; add its package to FLOORS", cliplib__attic=""),
        _bad("past the door", _door,
             "web/a.py:1: imports cliplib.core.x; cliplib/__init__.pyi lists what may be",
             web__a="from cliplib.core import x\nfrom cliplib import Library\nfrom flask import g"),
        _bad("a command past the door", _door,
             "cliplib/cli/a.py:1: imports cliplib.tally; cliplib/__init__.pyi lists what may be",
             cliplib__cli__a="import cliplib.tally\nfrom cliplib.cli import b", cliplib__cli__b=""),
        _bad("a command that knows the pages", _door,
             "cliplib/cli/a.py:1: imports cliplib_web.b; cliplib/__init__.pyi lists what may be",
             cliplib__cli__a="import cliplib_web.b", web__b=""),
        _bad("the desk from a page", _door,
             "web/a.py:2: reaches for the desk; ask a service of the library",
             web__a="def f(library):\n    return library.desk.catalogue"),
        _bad("a service that takes all", _desk, "cliplib/library/care.py:3: a service takes the desk, not the library",
             cliplib__library__care="from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n"
             "    from cliplib.library.library import Library",
             cliplib__library__library="class Library: ..."),
        _bad("a private part", rules.private,
             "cliplib/a.py:3: reaches into a private part: other._catalogue",
             cliplib__a="class A:\n    def f(self, other):\n        return self._own, other._own, other._catalogue"),
        _bad("a private import", rules.private, "cliplib/a.py:1: reaches into a private part: from cliplib.b import _x",
             cliplib__a="from cliplib.b import _x", cliplib__b="_x = 1"),
        _bad("a tool away from home", _homes, "cliplib/core/a.py:1: av is imported only in cliplib/media/",
             cliplib__core__a="import av.container", cliplib__media__b="import av"),
        _bad("a home that is empty", _homes, "cliplib/media/ is named as a home of av and does not import it",
             cliplib__media__b="import os"),
    ],
)  # fmt: skip
def test_the_rule_bites(tmp_path: Path, rule: Rule, said: str, files: dict[str, str]) -> None:
    for name, text in files.items():
        path = tmp_path / f"{name.replace('__', '/')}.py"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{text}\n")
    assert rule(rules.House(tmp_path)) == [said]


def test_complexity_has_a_ceiling(tmp_path: Path) -> None:
    """ruff's C901 at 12 is on, and each exception is named with a reason."""
    deep = (
        "def f(x):\n" + "".join(f"    if x == {n}:\n        x += 1\n" for n in range(12)) + "    return x\n"
    )
    (tmp_path / "deep.py").write_text(deep)
    words = [sys.executable, "-m", "ruff", "check", "--no-cache", "--config", str(ROOT / "pyproject.toml")]
    done = subprocess.run([*words, str(tmp_path)], capture_output=True, text=True, check=False)
    assert "C901 `f` is too complex (13 > 12)" in done.stdout, done.stderr
    for path in [*ROOT.glob("cliplib/**/*.py"), *ROOT.glob("web/**/*.py")]:
        for line in path.read_text(encoding="utf-8").splitlines():
            if "noqa: C901" in line:
                assert len(line.partition("noqa: C901")[2].strip(" -()")) > 10, f"{path}: no reason: {line}"


# --- what is shipped --------------------------------------------------------------------------------------

SOURCES = sorted([*ROOT.glob("cliplib/**/*.py"), *ROOT.glob("web/**/*.py")])


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
