"""Evidence through the library: minutes, chosen values, changes, two logs and one agreed on, the pages."""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from click.testing import CliRunner

from cliplib import Library
from cliplib.cli.main import cli
from cliplib.core.errors import InputError, NotFoundError, PhraseError
from cliplib.core.models import Where
from cliplib.library.evidence.agreement import read_worksheet, worksheet
from tests.libraries import BLUE, RED

FIGHT = """title = "Adeyemi v Brandt"
date = {date}
rounds = 3
round_seconds = 60
rest_seconds = 10
result = {{ winner = "{blue}", method = "points" }}
[red]
name = "{red}"
stance = "southpaw"
[blue]
name = "{blue}"
stance = "orthodox"
[footage]
file = "not-here.mp4"
round_starts = ["0:10", "1:20", "2:30"]
[[log]]
file = "log.csv"
by = "JL"
[[log]]
file = "second.csv"
by = "MK"
"""


def log_of(rows: list[tuple[float, str, str, str]]) -> str:
    return "time,fighter,action,outcome\n" + "".join(f"{t:.2f},{w},{a},{o}\n" for t, w, a, o in rows)


def fight_rows() -> list[tuple[float, str, str, str]]:
    """Round 1: nine jabs that land. Rounds 2 and 3: nine that miss, each slipped and countered."""
    rows: list[tuple[float, str, str, str]] = [(12 + 5 * i, "Adeyemi", "jab", "landed") for i in range(9)]
    for i in range(9):
        at = (82 if i < 5 else 152 - 5 * 5) + 5 * i
        rows += [
            (at, "Adeyemi", "jab", "missed"),
            (at + 0.2, "Brandt", "slips outside", ""),
            (at + 0.6, "Brandt", "counter cross", "landed"),
        ]
    return rows


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("evidence")
    folder = base / "fights" / "one"
    folder.mkdir(parents=True)
    (folder / "fight.toml").write_text(FIGHT.format(date="2024-05-11", red=RED, blue=BLUE))
    rows = fight_rows()
    (folder / "log.csv").write_text(log_of(rows))
    second = [(t + 0.1, w, a, "blocked" if i == 3 else o) for i, (t, w, a, o) in enumerate(rows) if i != 5]
    (folder / "second.csv").write_text(log_of(second))
    library = Library(base / "library", create=True)
    assert library.logging.ingest([base / "fights"], cut=False).exit_code == 0
    library.close()
    return base / "library"


@pytest.fixture
def library(made: Path) -> Iterator[Library]:
    opened = Library(made)
    yield opened
    opened.close()


def test_a_second_log_counts_nothing_twice(library: Library) -> None:
    found = library.evidence.tally("jab", ["round"])
    rows = {row.values[0]: row for row in found.table.rows}
    assert [(r, rows[r].tried, rows[r].landed) for r in rows] == [("1", 9, 9), ("2", 5, 0), ("3", 4, 0)]
    # Rounds of one minute: as many a minute as there are.
    assert rows["1"].per_minute == pytest.approx(9)
    assert found.table.total.per_minute == pytest.approx(18 / 3)
    # Wilson's interval of 9 of 9 from 0 of 9: (z^2 / (n + z^2)), Newcombe 1998; 0.7009 by arithmetic.
    assert rows["1"].rate is not None
    assert rows["1"].rate.low == pytest.approx(9 / (9 + 1.959964**2), abs=1e-6)
    assert any("one fight" in line for line in found.definitions)


def test_every_number_opens_its_clips(library: Library) -> None:
    table = library.evidence.tally("jab", ["fighter", "round"]).table
    for place, row in enumerate(table.rows):
        for part in ("tried", "landed", "missed", "blocked", "unknown", "partial"):
            clips = library.finding.clips(table.clips(place, part))
            actions = [
                a for c in clips for a in c.actions if a.technique == "jab" and str(c.round) == row.values[1]
            ]
            wanted = [a for a in actions if part == "tried" or (a.outcome or "unknown") == part]
            assert len(wanted) == getattr(row, part)


def test_only_takes_names_in_part_and_refuses_what_is_not_there(library: Library) -> None:
    evidence = library.evidence
    assert evidence.tally("jab", only={"fighter": "adey"}).table.total.tried == 18
    assert evidence.tally("cross", only={"opponent": "adey", "round": "02"}).table.total.tried == 5
    assert evidence.tally("jab", only={"fight": "1"}).table.total.tried == 18
    assert evidence.tally("jab", where=Where(rounds=("last",))).table.total.tried == 4
    for only, words in (
        ({"figther": "x"}, "did you mean “fighter”"),
        ({"technique": "jap"}, "did you mean “jab”"),
        ({"round": "two"}, "is no round"),
    ):
        with pytest.raises(InputError, match=words):
            evidence.tally("jab", only=only)
    with pytest.raises(NotFoundError):
        evidence.tally("jab", only={"fighter": "nobody at all"})
    with pytest.raises(PhraseError, match="toast"):
        evidence.tally("jab on toast")


def test_minutes_narrow_with_the_filters(library: Library) -> None:
    total = library.evidence.tally("jab", where=Where(rounds=(2, 3))).table.total
    assert total.watched_us == 2 * 60_000_000
    stances = library.evidence.tally("jab", where=Where(opponent_stance="orthodox"))
    assert stances.table.total.per_minute is None
    assert any("No rate per minute" in line for line in stances.definitions)


def test_what_comes_next(library: Library) -> None:
    found = library.evidence.next("missed jab").table
    slip = found.other[0]
    assert (slip.what, slip.times, slip.median_us) == ("slip", 9, 200_000)
    assert [row.what for row in found.own] == ["nothing more"]


def test_the_change_is_where_it_was_made(library: Library) -> None:
    found = library.evidence.change("jab", "adeyemi v brandt", "rate").result
    assert found.first_after is not None
    assert (found.first_after.round, found.first_after.elapsed_us) == (2, 2_000_000)
    assert "9 of 9 landed before, 0 of 9 after: chance alone would hardly do this" in found.words
    assert len(found.before) == len(found.after) == 9
    slips = next(line for line in found.replies if line.what == "slip")
    assert (slips.k1, slips.n1, slips.k2, slips.n2) == (0, 9, 9, 9)
    assert slips.words.endswith("chance alone would hardly do this")


def test_what_was_done_instead_is_of_the_same_situation(library: Library) -> None:
    """After a jab, Brandt's counter: where he did not throw it there was nothing."""
    found = library.evidence.change("counter cross after a jab", 1, "frequency").result
    assert {line.what for line in found.instead} <= {"slip", "cross"}


def test_too_little_is_refused(library: Library) -> None:
    found = library.evidence.change("hook", 1).result
    assert "0 tries are too few" in found.words
    assert found.first_after is None


def test_answers_through_the_library(library: Library) -> None:
    rows = library.evidence.answers("jab").result.rows
    best = next(r for r in rows if r.response == "slip, then cross")
    assert (best.stances, best.times, best.beaten, best.beaten_known) == ("open", 9, 9, 9)


def test_comparing_rounds(library: Library) -> None:
    found = library.evidence.compare("jab", {"round": "1"}, {"round": "2"})
    assert (found.this, found.that) == ("round 1", "round 2")
    assert found.result.landed[0].words == "9 of 9 against 0 of 5: chance alone would hardly do this"


def test_a_side_of_dates_is_called_what_it_is(library: Library) -> None:
    found = library.evidence.compare("jab", {"to": "2024-05"}, {"from": "2024-06-01"})
    assert (found.this, found.that) == ("until 2024-05-31", "from 2024-06-01")
    found = library.evidence.compare("jab", {"from": "2024-05-11", "to": "2024-05-11"}, {"from": "2025"})
    assert (found.this, found.that) == ("2024-05-11", "from 2025-01-01")


def test_sides_that_share_tries_are_refused(library: Library) -> None:
    for this, that, words in (
        ({"fighter": "adey"}, {"fighter": "Emeka Adeyemi"}, "share 18 tries"),
        ({"round": "1"}, {"fighter": "adey"}, "share 9 tries"),
        ({"round": "1"}, {}, "“round 1” and “everything” share 9 tries"),
        ({"fighter": "brandt"}, {"fighter": "brandt"}, "share 0 tries"),
    ):
        with pytest.raises(InputError, match=words):
            library.evidence.compare("jab", this, that)


# --- two logs ---------------------------------------------------------------------------------------------


def test_two_logs_and_the_one_agreed_on(library: Library, tmp_path: Path) -> None:
    found = library.evidence.two_logs(1)
    assert (found.one, found.two, found.by) == ("log.csv", "second.csv", ("JL", "MK"))
    assert sorted(d.what for d in found.disagreements) == ["only in log.csv", "outcome"]
    with pytest.raises(InputError, match="2 of 2 disagreements are not decided"):
        library.evidence.agreed_log(found, {}, "csv")
    by_what = {d.what: d.key for d in found.disagreements}
    text = library.evidence.agreed_log(
        found, {by_what["outcome"]: "second", by_what["only in log.csv"]: "neither"}, "csv"
    )
    # Read again as the only log of a fight of its own, it is the second log at the first's times.
    folder = tmp_path / "agreed"
    folder.mkdir()
    toml = FIGHT.format(date="2024-06-01", red=RED, blue=BLUE).split("[[log]]")[0]
    (folder / "fight.toml").write_text(toml + '[[log]]\nfile = "agreed.csv"\n')
    (folder / "agreed.csv").write_text(text)
    own = Library(tmp_path / "library", create=True)
    assert own.logging.ingest([folder], cut=False).exit_code == 0
    total = own.evidence.tally("jab").table.total
    own.close()
    # Of eighteen jabs one was left out and one was blocked rather than landed.
    assert (total.tried, total.landed, total.blocked, total.missed) == (17, 7, 1, 9)
    again = library.evidence.two_logs(1)
    assert again.disagreements == found.disagreements


def test_two_logs_by_round_and_clock(tmp_path: Path) -> None:
    """Without any bell, too, two people who saw one punch count it once, and their logs can be compared."""
    folder = tmp_path / "fights" / "one"
    folder.mkdir(parents=True)
    (folder / "fight.toml").write_text(
        'title = "Okoro v Visser"\n[red]\nname = "Ada Okoro"\n[blue]\nname = "Bram Visser"\n'
        '[[log]]\nfile = "a.csv"\nby = "JL"\n[[log]]\nfile = "b.csv"\nby = "MK"\n'
    )
    head = "round,clock,fighter,action,outcome\n"
    slipped = "1,2:50,Okoro,jab,{}\n1,2:49.5,Visser,slip,\n"
    (folder / "a.csv").write_text(
        head + slipped.format("") + "2,2:50,Okoro,cross,landed\n1,1:00,Okoro,hook,\n"
    )
    (folder / "b.csv").write_text(
        head + slipped.format("missed") + "2,2:50.4,Okoro,cross,blocked\n3,1:00,Okoro,hook,\n"
    )
    own = Library(tmp_path / "library", create=True)
    assert own.logging.ingest([tmp_path / "fights"], cut=False).exit_code == 0
    assert [own.finding.find(phrase).total for phrase in ("jab", "cross", "hook")] == [1, 1, 2]
    found = own.evidence.two_logs(1)
    assert (found.agreement.paired, found.left_out, found.beyond) == (3, 0, 1)
    said = [(d.what, d.one, d.two, d.round, d.clock_us) for d in found.disagreements]
    assert said == [
        ("only in a.csv", "Ada Okoro hook", "", 1, 60_000_000),
        ("outcome", "Ada Okoro rear cross landed", "Ada Okoro rear cross blocked", 2, 170_000_000),
        ("only in b.csv", "", "Ada Okoro hook", 3, 60_000_000),
    ]
    text = own.evidence.agreed_log(
        found, {d.key: found.decision("b.csv") for d in found.disagreements}, "csv"
    )
    rows = [(r["round"], r["clock"], r["action"], r["outcome"]) for r in csv.DictReader(io.StringIO(text))]
    assert rows == [
        ("1", "2:50", "jab", "missed"),
        ("1", "2:49.5", "slip", ""),
        ("2", "2:50.4", "cross", "blocked"),
        ("3", "1:00", "hook", ""),
    ]
    own.close()


def test_both_keeps_both(library: Library) -> None:
    found = library.evidence.two_logs(1)
    text = library.evidence.agreed_log(found, {d.key: "both" for d in found.disagreements}, "csv")
    jabs = [row for row in csv.DictReader(io.StringIO(text)) if "jab" in row["action"]]
    assert len(jabs) == 19


def test_a_worksheet_goes_round(library: Library) -> None:
    found = library.evidence.two_logs(1)
    text = worksheet(found)
    assert read_worksheet(found, text) == {}
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0][-3:] == ["log.csv", "second.csv", "take"]
    for take in (" Second ", "second.csv"):
        filled = io.StringIO()
        csv.writer(filled).writerows([rows[0], *([*row[:-1], take] for row in rows[1:])])
        assert read_worksheet(found, filled.getvalue()) == {d.key: "second" for d in found.disagreements}
    with pytest.raises(InputError, match=r"line 2, column “take”: “maybe” is no decision; .* log.csv, sec"):
        read_worksheet(found, "key,take\n1.0-,maybe\n")
    with pytest.raises(InputError, match="needs the columns"):
        read_worksheet(found, "a,b\n1,2\n")
    with pytest.raises(InputError, match="they have changed"):
        library.evidence.agreed_log(found, {"999.0-": "first"}, "csv")


def test_the_same_log_twice_is_refused(library: Library) -> None:
    with pytest.raises(InputError, match="two different logs"):
        library.evidence.two_logs(1, "log.csv", "log.csv")
    with pytest.raises(NotFoundError, match="no log “x"):
        library.evidence.two_logs(1, "x.csv")


def test_an_empty_log_is_compared_with_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "fights" / "one"
    folder.mkdir(parents=True)
    (folder / "fight.toml").write_text(FIGHT.format(date="2024-05-11", red=RED, blue=BLUE))
    (folder / "log.csv").write_text(log_of(fight_rows()))
    (folder / "second.csv").write_text(log_of([]))
    opened = Library(tmp_path / "library", create=True)
    assert opened.logging.ingest([tmp_path / "fights"], cut=False).exit_code == 0
    with pytest.raises(InputError, match=r"“second\.csv” has no action with a time"):
        opened.evidence.two_logs(1)
    opened.close()


def test_what_only_one_log_has_counts(library: Library, made: Path) -> None:
    found = library.evidence.two_logs(1)
    # 36 actions in one log and 35 in the other, all of these in both: F1 is 2 x 35 / 71 (arithmetic).
    assert found.agreement.seen is not None
    assert found.agreement.seen.value == pytest.approx(70 / 71)
    said = run(made, "agree", "1")
    assert "Positive agreement, seen by both: 0.99 (0.9" in said
    assert "only in log.csv" in said
    assert "Techniques: all 35 pairs alike; 1 action in one log only" in said
    assert not re.search(r"(\d\.\d\d) \(\1 to \1\)", said)


# --- commands ---------------------------------------------------------------------------------------------


def run(made: Path, *arguments: str) -> str:
    done = CliRunner().invoke(cli, ["--library", str(made), *arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def test_tally_as_a_table_as_json_and_as_csv(made: Path) -> None:
    table = run(made, "tally", "jab", "--by", "round")
    assert re.search(r"^1 +9 +9 +0 +0 +0 +0 +100 % \(70–100\) +9\.00", table, re.MULTILINE)
    assert f"cliplib --library {made} tally jab --only round=1 --went landed --clips\n" in table
    data = json.loads(run(made, "tally", "jab", "--by", "round", "--json", "--ids"))
    assert [row["values"]["round"] for row in data["rows"]] == ["1", "2", "3"]
    assert len(data["rows"][0]["clips"]["landed"]) == 9
    listed = run(made, "tally", "jab", "--only", "round=1", "--went", "landed", "--clips")
    assert listed.startswith("9 exchanges")
    assert "rate_low" in run(made, "tally", "jab", "--by", "round", "--csv")


@pytest.mark.parametrize(
    ("question", "clips"),
    [
        (("jab", "--by", "round", "--fight", "Adeyemi v", "--fighter", "Brandt"), 0),
        (("jab", "--by", "round", "--fight", "1", "--fighter", "Adeyemi", "--round", "1-2"), 9),
        (("jab", "--by", "stance match", "--round", "1", "--round", "3", "--only", "fighter=" + RED), 9),
        (("", "--by", "technique", "--fighter", "Brandt", "--round", "2", "--from", "2024"), 5),
        (("Adeyemi's jab", "--by", "fight", "--round", "1"), 9),
        (("--by", "round", "--", "-jab"), 9),
    ],
)
def test_the_clips_behind_a_number_are_those_of_the_question(
    made: Path, question: tuple[str, ...], clips: int
) -> None:
    """The line that `tally` ends with, put into a POSIX shell, asks about all that was asked about."""
    rows = run(made, "tally", *question)
    end = rows.splitlines()[-1]
    if not clips:
        assert "cliplib" not in end
        return
    assert end.startswith("The clips behind a number: cliplib ")
    words = shlex.split(end.partition(": cliplib ")[2])
    assert words[:2] == ["--library", str(made)]
    assert run(made, *words[2:]).startswith(f"{clips} exchanges\n")


def test_too_few_tries_for_a_change_lead_to_the_counts(made: Path) -> None:
    said = run(made, "change", "Brandt's cross", "Adeyemi", "--only", "round=3")
    line = next(line for line in said.splitlines() if "round by round" in line)
    words = shlex.split(line.partition(": cliplib ")[2])
    assert words[3:] == ["Brandt's cross", "--fight", "1", "--by", "round", "--only", "round=3"]
    assert re.search(r"^3 +4 +4 ", run(made, *words[2:]), re.MULTILINE)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("next", "missed jab"), "slip"),
        (("compare", "jab", "--this", "round=1", "--that", "round=2"), "9 of 9   0 of 5"),
        (("compare", "jab", "--this", "from=2024-01", "--that", "to=2023"), "nothing to compare"),
        (("change", "jab", "1"), "between round 1"),
        (("answers", "jab"), "slip, then cross"),
        (("answers", "slip", "--defence"), "tried against it"),
        (("agree", "1"), "2 disagreements"),
    ],
)
def test_commands_print_tables_with_their_definitions(
    made: Path, arguments: tuple[str, ...], words: str
) -> None:
    said = run(made, *arguments)
    assert words in said
    assert "Percent error" in said or "Counted once each" in said
    if "from=2024-01" not in arguments:
        assert json.loads(run(made, *arguments, "--json"))["definitions"]


def test_agree_writes_a_log_and_never_over_one(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "agreed.csv"
    assert "fight.toml" in run(made, "agree", "1", "--else", "first", "-o", str(out))
    assert out.read_text().count("jab") == 18
    original = made.parent / "fights" / "one" / "second.csv"
    before = original.read_bytes()
    done = CliRunner().invoke(
        cli, ["--library", str(made), "agree", "1", "--else", "first", "-o", str(original)]
    )
    assert isinstance(done.exception, InputError)
    assert original.read_bytes() == before


# --- pages ------------------------------------------------------------------------------------------------


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.pictures: list[tuple[str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "a" and (given.get("href") or "").startswith("/counts/clips"):
            self.found.append(str(given["href"]))
        if tag == "img":
            self.pictures.append((str(given.get("src")), str(given.get("alt") or "")))


def _shown(page: str) -> int:
    """How many tries, or else exchanges, a page of clips says it shows."""
    tries = re.search(r"(\d+) tries; an exchange", page)
    found = tries or re.search(r"<h1>(\d+) exchanges?</h1>", page)
    assert found
    return int(found[1])


@pytest.mark.parametrize(
    "address",
    [
        "/counts/?q=jab&by=fighter&by=round",
        "/counts/?q=punch&by=technique&only=from%3D2024",
        "/counts/next?q=missed+jab",
        "/counts/next?q=punch",
        "/counts/change?q=jab&fight=1",
        "/counts/caught?q=slip",
        "/counts/compare?q=punch&this=round%3D1&that=round%3D2&by=technique",
        "/counts/compare?q=punch&this=fighter%3DEmeka+Adeyemi&this_to=2024&that=fighter%3DJonas+Brandt&only=fight%3D1",
        "/counts/agree/1",
    ],
)
def test_every_number_on_the_pages_is_a_link_that_shows_as_many(made: Path, address: str) -> None:
    from cliplib_web import create_app

    client = create_app(made).test_client()
    text = client.get(address).get_data(as_text=True)
    assert 'role="alert"' not in text
    links = _Links()
    links.feed(text)
    numbers = re.findall(r'href="(/counts/(?:clips|agree)[^"]*)">(\d+)(?: (?:clips|tries)[^<]*)?</a>', text)
    assert len(numbers) >= 3
    for link, number in numbers:
        page = client.get(link.replace("&amp;", "&")).get_data(as_text=True)
        assert _shown(page) == int(number), link
    for link in links.found:
        assert client.get(link).status_code == 200, link
    # What stands in a table and is no word is 0, a time, a p-value, or opens its clips.
    for cell in re.findall(r"<td[^>]*>(.*?)</td>", text, re.DOTALL):
        bare = re.sub(r"<a .*?</a>", "", cell, flags=re.DOTALL)
        assert not re.search(r"(?<![\d.])[1-9]\d*(?![\d.])(?!.*( s|points|<select|frame))", bare), cell
    for source, alt in links.pictures:
        picture = client.get(source)
        assert picture.mimetype == "image/svg+xml"
        assert alt


def test_a_rate_opens_what_it_is_of(made: Path) -> None:
    from cliplib_web import create_app

    client = create_app(made).test_client()
    text = client.get("/counts/?q=jab&by=round").get_data(as_text=True)
    (link,) = re.findall(r'href="([^"]*)">100 % \(70–100\)</a>', text)
    assert _shown(client.get(link.replace("&amp;", "&")).get_data(as_text=True)) == 9


def test_comparing_asks_for_two_sides(made: Path) -> None:
    from cliplib_web import create_app

    client = create_app(made).test_client()
    assert "Choose what is to be compared" in client.get("/counts/compare?q=jab").get_data(as_text=True)
    text = client.get("/counts/compare?q=jab&this=round%3D1&that=round%3D2").get_data(as_text=True)
    assert "chance alone would hardly do this" in text
    assert re.search(r">9</a> of <a [^>]*>9</a>", text)
    text = client.get("/counts/compare?q=jab&this_from=2024-13").get_data(as_text=True)
    assert "is no date" in text


def test_agreeing_on_the_page(made: Path) -> None:
    from cliplib_web import create_app

    client = create_app(made).test_client()
    text = client.get("/counts/agree/1").get_data(as_text=True)
    key = re.search(r'name="form_key" value="([^"]+)"', text)
    takes = re.findall(r'name="(take-[^"]+)"', text)
    assert key
    assert len(takes) == 2
    for name in ("log.csv", "second.csv"):  # over the columns, and as what to take
        assert f'<th scope="col" class="text">{name}</th>' in text
        assert re.search(rf'<option value="\w+">{name}</option>', text)
    form = {"form_key": key[1], "first": "log.csv", "second": "second.csv"}
    undecided = client.post("/counts/agree/1", data=form)
    assert undecided.status_code == 400
    assert "not decided" in undecided.get_data(as_text=True)
    done = client.post("/counts/agree/1", data=form | dict.fromkeys(takes, "first"))
    assert done.mimetype == "text/csv"
    assert done.get_data(as_text=True).count("jab") == 18
    assert urlsplit(done.request.url).path == "/counts/agree/1"


def test_bad_addresses_are_answered(made: Path) -> None:
    from cliplib_web import create_app

    client = create_app(made).test_client()
    for address, status in (
        ("/counts/?q=jab&by=weather", 400),
        ("/counts/?q=jab&only=round", 400),
        ("/counts/?q=jab+on+toast", 200),
        ("/counts/clips?q=jab&key=total/lucky", 404),
        ("/counts/clips?q=jab&table=next&key=own/kick/times", 404),
        ("/counts/clips?q=jab&table=lucky&key=tries", 404),
        ("/counts/clips?q=jab", 404),
        ("/counts/caught?q=slip+on+toast", 200),
        ("/counts/compare?q=jab&this=round", 400),
        ("/counts/agree/1/clips?key=colour", 404),
        ("/counts/chart.svg?q=jab&kind=pie", 404),
        ("/counts/change?q=jab&fight=99", 200),
        ("/counts/agree/99", 404),
    ):
        assert client.get(address).status_code == status, address


# --- over HTTP --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "arguments"),
    [
        ("tally?q=jab&by=round&by=fighter", ("tally", "jab", "--by", "round", "--by", "fighter")),
        ("tally?q=jab&only=round%3D2&fighter=Emeka+Adeyemi", ("tally", "jab", "--only", "round=2", "--fighter", RED)),
        ("next?q=missed+jab", ("next", "missed jab")),
        ("answers?q=jab", ("answers", "jab")),
        ("answers?q=jab&any_stance=yes", ("answers", "jab", "--any-stance")),
        ("caught?q=slip", ("answers", "slip", "--defence")),
        (
            "compare?q=jab&this=round%3D1&that=round%3D2&by=technique",
            ("compare", "jab", "--this", "round=1", "--that", "round=2", "--by", "technique"),
        ),
        ("compare?q=jab&this=from%3D2024&that=to%3D2023",
         ("compare", "jab", "--this", "from=2024", "--that", "to=2023")),
        ("change?q=jab&fight=1", ("change", "jab", "1")),
        ("change?q=jab&fight=1&of=frequency", ("change", "jab", "1", "--of", "frequency")),
        ("change?q=hook&fight=1", ("change", "hook", "1")),
        ("fights/1/agreement", ("agree", "1")),
    ],
)  # fmt: skip
def test_over_http_as_from_the_command(made: Path, address: str, arguments: tuple[str, ...]) -> None:
    """The same data, and as the OpenAPI document describes it (JSON Schema 2020-12)."""
    import jsonschema_rs

    from cliplib_web import create_app
    from cliplib_web.api import document as api_doc

    answer = create_app(made).test_client().get(f"/api/{address}")
    assert answer.status_code == 200, answer.get_data(as_text=True)
    found = answer.get_json()
    assert found == json.loads(run(made, *arguments, "--json"))
    document = api_doc.document()
    path = "/api/" + address.split("?")[0].replace("fights/1", "fights/{fight_id}")
    schema = document["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema_rs.Draft202012Validator({**schema, "components": document["components"]}).validate(found)


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("next", "“q” is missing"),
        ("compare?q=jab", "say what is compared"),
        ("compare?q=jab&this=round%3D1&that=rnd%3D1", "did you mean “round”"),
        ("change?q=jab", "“fight” is missing"),
        ("change?q=jab&fight=1&of=luck", "neither rate nor frequency"),
        ("tally?q=jab&by=weather", "nothing to group by"),
        ("tally?q=jab&only=from%3D2024-13", "is no date"),
        ("answers?q=jab&any_stance=1", "yes or no"),
        ("fights/1/agreement?first=log.csv&second=log.csv", "two different logs"),
    ],
)
def test_what_cannot_be_counted_is_said_over_http(made: Path, address: str, words: str) -> None:
    from cliplib_web import create_app

    answer = create_app(made).test_client().get(f"/api/{address}")
    assert answer.status_code == 400
    assert words in answer.get_json()["message"]
