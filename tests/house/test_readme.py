"""What the README tells people to write is read without a problem."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from cliplib import Library
from cliplib.breakdowns import document as documents
from cliplib.media import versions
from cliplib.reels.theme_reading import read_theme

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def block(language: str, begins: str) -> str:
    found = [b for b in re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL) if b.startswith(begins)]
    assert len(found) == 1, (language, begins)
    return found[0]


def test_the_fight_and_its_log(tmp_path: Path) -> None:
    (tmp_path / "fight").mkdir()
    told = block("toml", "title") + block("toml", "[[period]]")
    (tmp_path / "fight/fight.toml").write_text(told, encoding="utf-8")
    rows = block("csv", "time,") + "15:00,Adeyemi,jab,landed,\n"
    (tmp_path / "fight/log.csv").write_text(rows, encoding="utf-8")
    library = Library(tmp_path / "library", create=True)
    library.logging.ingest([tmp_path / "fight"])
    assert library.finding.find("counter to the body after a missed jab").total == 1
    assert library.finding.find("slips outside").total == 1
    assert library.finding.find("jab during one hand").total == 1


def test_the_theme(tmp_path: Path) -> None:
    (tmp_path / "theme.toml").write_text(block("toml", "phrase"), encoding="utf-8")
    theme = read_theme(tmp_path / "theme.toml")
    assert theme.phrase == "counter to the body after a missed jab"


def test_the_breakdown() -> None:
    document = documents.read(block("markdown", "# The"))
    assert [point.heading for point in document.points] == ["He waits for the jab"]
    assert [link.kind for link in document.points[0].shots] == ["clip", "beside", "find", "picture"]
    assert not document.problems
    assert not document.notes


def test_the_picture_is_there() -> None:
    for path in re.findall(r"!\[.*?\]\((.*?)\)", README):
        assert (ROOT / path).is_file(), path


def test_what_is_promised_was_tried() -> None:
    """The ranges and pins of the project's files, and the table that `check` goes by."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    low, high = (int(version.split(".")[1]) for version in versions.TRIED["Python"])
    named = {word for word in project["classifiers"] if word.startswith("Programming Language")}
    assert named == {f"Programming Language :: Python :: 3.{minor}" for minor in range(low, high + 1)}
    assert project["requires-python"].startswith(f">=3.{low}")
    assert f"Python 3.{low} to 3.{high}" in README
    (av,) = (text for text in project["dependencies"] if text.startswith("av>"))
    low, high = versions.TRIED["PyAV"]
    assert av == f"av>={low},<{int(high.split('.')[0]) + 1}"
    pins = re.findall(r"^av==(\S+)", (ROOT / "requirements.lock").read_text(encoding="utf-8"), re.MULTILINE)
    assert len(pins) == 1
    assert versions.within(pins[0], *versions.TRIED["PyAV"])
