"""What the README tells people to write is read without a problem."""

from __future__ import annotations

import re
from pathlib import Path

from cliplib.library.library import Library
from cliplib.reels import read_theme

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def block(language: str, begins: str) -> str:
    found = [b for b in re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL) if b.startswith(begins)]
    assert len(found) == 1, (language, begins)
    return found[0]


def test_the_fight_and_its_log(tmp_path: Path) -> None:
    (tmp_path / "fight").mkdir()
    (tmp_path / "fight/fight.toml").write_text(block("toml", "title"), encoding="utf-8")
    (tmp_path / "fight/log.csv").write_text(block("csv", "time,"), encoding="utf-8")
    library = Library(tmp_path / "library", create=True)
    library.ingest([tmp_path / "fight"])
    assert library.find("counter to the body after a missed jab").total == 1
    assert library.find("slips outside").total == 1


def test_the_theme(tmp_path: Path) -> None:
    (tmp_path / "theme.toml").write_text(block("toml", "phrase"), encoding="utf-8")
    theme = read_theme(tmp_path / "theme.toml")
    assert theme.phrase == "counter to the body after a missed jab"


def test_the_picture_is_there() -> None:
    for path in re.findall(r"!\[.*?\]\((.*?)\)", README):
        assert (Path(__file__).parents[2] / path).is_file(), path
