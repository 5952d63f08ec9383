"""Each how-to of DEVELOPERS.md is done here as it is written, as a new developer would."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import pytest
from sqlite_utils import Database

from cliplib import Library, phrases
from cliplib.catalogue import schema
from cliplib.logs import forms
from cliplib.logs.csvform import read_csv, write_csv
from cliplib.phrases import lexicon, rules
from cliplib.vocabulary import load_vocabulary
from cliplib_web import create_app, pages
from tests.bench import __main__ as bench
from tests.libraries import make_fight
from tests.phrases import score

# Private parts: a migration of the guide's is taken out again.

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def how_to(title: str) -> str:
    return GUIDE.split(f"### {title}\n")[1].split("\n#")[0]


def block(title: str, language: str) -> str:
    found = re.findall(rf"```{language}\n(.*?)```", how_to(title), re.DOTALL)
    assert len(found) == 1, title
    return str(found[0])


def test_it_stays_a_guide() -> None:
    assert len(GUIDE.encode()) <= 12 * 1024


def test_what_it_names_is_there() -> None:
    targets = (ROOT / "Makefile").read_text(encoding="utf-8")
    for target in set(re.findall(r"`make ([a-z-]+)`", GUIDE)):
        assert re.search(rf"^{target}:", targets, re.MULTILINE), target
    for path in set(re.findall(r"`((?:cliplib|web|tests)/[\w/.]+)`", GUIDE)):
        assert (ROOT / path).exists(), path
    for module in set(re.findall(r"`(?:python -m )?(tests\.[a-z_.]+)`", GUIDE)):
        assert (ROOT / (module.replace(".", "/") + ".py")).exists(), module


@pytest.mark.parametrize(
    ("title", "file"),
    [
        ("Add a word to what phrases are read with", "words.txt"),
        ("Add a construction", "rules.txt"),
    ],
)
def test_add_to_what_phrases_are_read_with(title: str, file: str, monkeypatch: pytest.MonkeyPatch) -> None:
    line = block(title, "text")
    phrase, given = (part.strip() for part in line.rsplit(" | ", 1)[1].split("=>"))
    words = load_vocabulary()
    made = (lexicon.small_words, lexicon.lexicon_of, rules.grammar)

    def read() -> str:
        return score.short(score.reading(phrases.reading_json(phrases.read_search(phrase, words))))

    assert score.plain(read()) != score.plain(given)
    data = lexicon.data
    with monkeypatch.context() as changed:
        changed.setattr(lexicon, "data", lambda name: data(name) + (line if name == file else ""))
        for one in made:
            one.cache_clear()
        assert score.plain(read()) == score.plain(given)
    for one in made:
        one.cache_clear()


def test_add_a_technique(tmp_path: Path) -> None:
    library = tmp_path / "library"
    library.mkdir()
    (library / "terms.toml").write_text(block("Add a technique", "toml"), encoding="utf-8")
    rows = ("0:02,Adeyemi,liver shot,landed,",)
    report = Library(library, create=True).logging.ingest(
        [make_fight(tmp_path / "fight", kind=None, rows=rows)], cut=False
    )
    assert report.exit_code == 0, report
    assert Library(library).finding.find("landed liver punch").total == 1
    assert Library(library).finding.find("punch").total == 1


def test_add_a_log_format(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """With CSV's own reader behind it; `tests/logs/test_one_table.py` has one that is another form."""
    monkeypatch.setattr(forms, "FORMS", dict(forms.FORMS))
    names = {"FORMS": forms.FORMS, "Form": forms.Form, "read_tsv": read_csv, "write_tsv": write_csv}
    exec(block("Add a log format", "python"), names)
    fight = make_fight(tmp_path / "fight", kind=None, logs=[("log.tsv", "JL")])
    (fight / "log.csv").rename(fight / "log.tsv")
    report = Library(tmp_path / "library", create=True).logging.ingest([fight], cut=False)
    assert report.exit_code == 0, report


def test_add_a_page(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from flask import Blueprint

    glance = Blueprint("glance", __name__)
    glance.add_url_rule("/glance", "show", lambda: "one fight at a glance")
    Library(tmp_path / "library", create=True)
    monkeypatch.setattr(pages, "BLUEPRINTS", (*pages.BLUEPRINTS, glance))
    with pytest.raises(RuntimeError, match=r"glance\.show"):
        create_app(tmp_path / "library")
    row = eval(block("Add a page", "python"), {"Page": pages.Page})
    monkeypatch.setattr(pages, "PAGES", (*pages.PAGES, row))
    answer = create_app(tmp_path / "library").test_client().get("/glance")
    assert answer.get_data(as_text=True) == "one fight at a glance"


def test_add_a_migration(tmp_path: Path) -> None:
    """In a copy of the list, so that no other test sees it."""
    db = Database(sqlite3.connect(tmp_path / "catalogue.db", isolation_level=None))
    kept = list(schema.migrations._migrations)  # private: the library offers no way to take one back
    try:
        exec(block("Add a migration", "python"), {"migrations": schema.migrations, "Database": Database})
        assert schema.upgrade(db)[-1] == "gloves"
        assert "gloves_oz" in db["fights"].columns_dict
        assert schema.upgrade(db) == []
    finally:
        schema.migrations._migrations[:] = kept
        db.close()


def test_add_a_measure() -> None:
    assert set(bench.ALL) <= {path.stem for path in (ROOT / "tests" / "bench").glob("*.py")}
    assert (ROOT / "tests" / "MEASURED.md").is_file()
