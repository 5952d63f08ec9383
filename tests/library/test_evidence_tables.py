"""An evidence table is one object: one function and one row in the registry put it on the command line, on a
page, into JSON, CSV, the API and its document; its numbers open their clips by their keys."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

import click
import jsonschema_rs
import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient

from cliplib import Library, evidence_tables
from cliplib.cli import evidence as commands
from cliplib.core.errors import InputError, NotFoundError
from cliplib.stats.proportions import wilson
from cliplib.tally.table import Cell, Column, Fact, Filled, Filling, Form, Group, Row, pieces
from cliplib_web import create_app
from cliplib_web.evidence.asked import asked
from tests.library.test_evidence import made as made  # the same small library

HANDS = Group(
    "hands",
    "",
    (
        Column("hand", "text", ("hand",), maybe=False),
        Column("tried", "count", ("tried",), ("tried",)),
        Column("share", "share", ("share",), ("tried",), unit="% of tries"),
    ),
    row="HandRow",
)
HANDS_FORM = Form("Hands", (Fact("tries", int), HANDS, Fact("definitions", tuple[str, ...])))


def by_hand(evidence: Any, phrase: str, only: dict[str, str], where: Any = None) -> Filled:
    """A table that nobody has yet: tries by technique, as a stand-in for what a developer might want."""
    tally = evidence.tally(phrase, ("technique",), only=only, where=where)
    filling, table = Filling(), tally.table
    rows = [
        filling.row(
            HANDS,
            (one.values[0], one.tried, wilson(one.tried, table.total.tried)),
            key=one.values,
            behind={"tried": lambda i=i: table.behind(i).of("tried")},  # type: ignore[misc]
            words=one.values,
        )
        for i, one in enumerate(table.rows)
    ]
    facts = {"tries": table.total.tried, "definitions": ("Counted for a test.",)}
    return Filled(
        HANDS_FORM,
        facts,
        {"hands": rows},
        ("Counted for a test.",),
        tally.reading,
        openers=filling.openers,
    )


@pytest.fixture
def added() -> Iterator[None]:
    row = evidence_tables.EvidenceTable(
        "hands",
        "By hand",
        "Whose hands?",
        "Count hands.",
        HANDS_FORM,
        by_hand,
        (evidence_tables.PHRASE,),
        tries="",
    )
    evidence_tables.TABLES.append(row)
    yield
    evidence_tables.TABLES.remove(row)


def client_of(made: Path) -> FlaskClient:
    return create_app(made).test_client()


def test_one_function_and_one_row_are_a_table_everywhere(made: Path, added: None) -> None:
    group = click.Group(commands=commands.commands())
    runner = CliRunner()

    def run(*arguments: str) -> str:
        done = runner.invoke(group, ["hands", *arguments], obj=made, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done.stdout

    said = run("any punch")
    assert re.search(r"^jab +18 +67 % \(4\d–8\d\)$", said, re.MULTILINE), said
    assert "share (% of tries)" in said
    assert "Counted for a test." in said
    data = json.loads(run("any punch", "--json", "--only", "round=1"))
    assert data == {
        "tries": 9,
        "hands": [{"hand": "jab", "tried": 9, "share": data["hands"][0]["share"]}],
        "definitions": ["Counted for a test."],
    }
    # RFC 4180: a head and a line for each row.
    lines = list(csv.DictReader(io.StringIO(run("any punch", "--csv"))))
    assert [(line["hand"], line["tried"]) for line in lines] == [("jab", "18"), ("cross", "9")]

    client = client_of(made)
    page = client.get("/counts/hands?q=any+punch").get_data(as_text=True)
    assert "<h1>By hand</h1>" in page
    (link,) = re.findall(r'href="([^"]*)">18</a>', page)
    assert "<h1>18 exchanges</h1>" in client.get(link.replace("&amp;", "&")).get_data(as_text=True)
    # The tab stands on the other tables' pages, with the phrase.
    assert 'href="/counts/hands?q=jab"' in client.get("/counts/?q=jab").get_data(as_text=True)

    answer = client.get("/api/hands?q=any+punch&only=round%3D1").get_json()
    assert answer == data
    document = client.get("/api/openapi.json").get_json()
    schema = document["paths"]["/api/hands"]["get"]["responses"]["200"]["content"]["application/json"][
        "schema"
    ]
    validator = jsonschema_rs.Draft202012Validator({**schema, "components": document["components"]})
    validator.validate(answer)
    answer["hands"][0]["tried"] = "nine"
    assert not validator.is_valid(answer)
    assert client.get("/api/hands").status_code == 400


def test_without_the_row_there_is_no_such_table(made: Path) -> None:
    client = client_of(made)
    assert client.get("/counts/hands?q=jab").status_code == 404
    assert "/api/hands" not in client.get("/api/openapi.json").get_json()["paths"]
    library = Library(made)
    with pytest.raises(NotFoundError, match="no evidence table; there are tally, next"):
        library.evidence.table("hands", phrase="jab", only={})
    library.close()


def test_a_key_means_the_same_when_rows_move(made: Path) -> None:
    """A number's key is what it counts, not where it stands: it is the same with other rows around it."""
    library = Library(made)
    wide = library.evidence.table("next", phrase="punch", only={})
    narrow = library.evidence.table("next", phrase="missed jab", only={})
    shared = set(wide.openers) & set(narrow.openers)
    assert {"opponent/slip/times", "own/nothing more/times", "tries"} <= shared
    assert narrow.open("opponent/slip/times").tries == 9
    assert narrow.open("opponent/slip/times").words == ("then slip",)
    with pytest.raises(NotFoundError, match="ask for the table anew"):
        narrow.open("opponent/1/times")
    library.close()


def test_every_number_with_clips_counts_them(made: Path) -> None:
    """Each key of every table opens as many tries as the number says."""
    library = Library(made)
    asked: list[tuple[str, dict[str, Any]]] = [
        ("tally", {"phrase": "punch", "by": ("fighter", "round")}),
        ("next", {"phrase": "jab"}),
        ("answers", {"phrase": "jab"}),
        ("caught", {"phrase": "slip"}),
        ("compare", {"phrase": "punch", "this": {"round": "1"}, "that": {"round": "2"}, "by": "technique"}),
        ("change", {"phrase": "jab", "fight": 1}),
    ]
    assert {name for name, _ in asked} <= {table.name for table in evidence_tables.TABLES}
    for name, question in asked:
        found = library.evidence.table(name, **question, only={})
        checked = 0
        for group in found.groups():
            for row in group.rows:
                for column, cell in zip(group.columns, row.cells, strict=True):
                    for piece in cell:
                        if piece.key and column.kind in ("count", "of"):
                            assert found.open(piece.key).tries == int(piece.text), (name, piece)
                            checked += 1
        assert checked >= 2, name
    library.close()


def test_what_is_not_known_is_left_open() -> None:
    for kind, value, text in (
        ("share", None, ""),
        ("share", wilson(4, 9), "44 % (19–73)"),
        ("chance", 0.0002, "< 0.001"),
        ("chance", 0.0214, "0.021"),
        ("seconds", None, ""),
        ("seconds", 450_000, "0.45"),
        ("whole", None, ""),
        ("frequency", 8.4, "8.40"),
        ("time", -5, ""),
    ):
        cell = Cell((value,))
        assert "".join(p.text for p in pieces(Column("x", kind), cell)) == text  # type: ignore[arg-type]
    assert pieces(Column("x", "of", ("a", "b")), Cell((0, 0))) == ()
    assert Row((Cell((1,)),)).names == ()


SAID: dict[str, tuple[tuple[str, str], ...]] = {
    "tally": (("by", "round"), ("by", "outcome")),
    "next": (),
    "answers": (("any_stance", "yes"),),
    "caught": (),
    "elsewhere": (),
    "compare": (("this", "round=1"), ("this", "fighter=Adeyemi"), ("that", "round=2"), ("by", "technique")),
    "change": (("fight", "1"), ("of", "frequency")),
}


@pytest.mark.parametrize("table", evidence_tables.TABLES, ids=lambda table: table.name)
def test_parameters_are_read_in_one_way(made: Path, table: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Address, command and link of a breakdown say the same pairs, and the table is asked the same."""
    pairs = SAID[table.name]
    values = evidence_tables.values(table, pairs)
    assert sorted(evidence_tables.said(table, values)) == sorted(pairs)
    with create_app(made).test_request_context("/?" + urlencode([("q", "jab"), *pairs])):
        here = asked(table)
        assert here.values == values
        assert sorted(parse_qsl(urlsplit(here.link()).query)) == sorted([("q", "jab"), *pairs])
    given: list[dict[str, Any]] = []
    monkeypatch.setattr(
        type(Library(made).evidence),
        "table",
        lambda self, name, **asked: given.append({"name": name, **asked}) or 1 / 0,
    )
    words = [table.switch] if table.switch else []
    for name, text in pairs:
        if name == "fight":
            words.insert(0, text)
        else:
            words += [f"--{name.replace('_', '-')}", *([] if text == "yes" else [text])]
    command = next(c for c in commands.COMMANDS if c.name == (table.command or table.name))
    CliRunner().invoke(command, ["jab", *words], obj=made)
    (asked_by_command,) = given
    assert {name: asked_by_command.get(name) for name in values} == values


@pytest.mark.parametrize(
    ("name", "pairs", "said"),
    [
        ("answers", [("any_stance", "maybe")], "must be yes or no"),
        ("compare", [("this", "round")], "chooses nothing"),
        ("compare", [("this", "round=1"), ("this", "Round=2")], "round is given twice"),
        ("tally", [("by", key) for key in evidence_tables.KEYS[:4]], "4 things to group by are too many"),
        ("tally", [("by", "weather")], "is nothing to group by"),
        ("change", [("of", "mood")], "is neither rate nor frequency"),
    ],
)
def test_what_cannot_be_asked_is_said_alike(
    made: Path, name: str, pairs: list[tuple[str, str]], said: str
) -> None:
    with pytest.raises(InputError, match=said):
        evidence_tables.values(evidence_tables.named(name), pairs)
    client = create_app(made).test_client()
    for address in (f"/api/{name}", "/counts/" if name == "tally" else f"/counts/{name}"):
        answer = client.get(f"{address}?{urlencode([('q', 'jab'), *pairs])}")
        assert answer.status_code == 400
        assert said in html.unescape(answer.text)


def test_clips_of_a_number_without_what_its_table_needs(made: Path) -> None:
    for name in ("change", "compare"):
        answer = client_of(made).get(f"/counts/clips?table={name}&q=jab&key=x")
        assert answer.status_code in (400, 404), answer.text
