"""What strangers wrote reaches a terminal or a spreadsheet as text only: names, notes, paths, broken files."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from cliplib.cli import main
from tests.libraries import make_fight, write_log

STEERS = "\x1b]0;owned\x07\x1b[31m\u202e\x9b2J\r\x08"
"""Sets a window's title, colours, turns the direction, clears the screen, goes back (ECMA-48; UAX #9)."""

Run = Callable[..., str]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("steering")
    note = "\u202e\x9b31m as seen"
    make_fight(base / "fights" / "one", rows=(f"0:02,Adeyemi,jab,missed,{note}",))
    assert main.run(["--library", str(base / "library"), "ingest", str(base / "fights")]) == 0
    return base / "library"


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command; its words, of which none may steer."""

    def call(library: Path, *arguments: str, stdin: str = "") -> str:
        capfd.readouterr()
        with monkeypatch.context() as patch, (library.parent / "stdin").open("w+") as file:
            file.write(stdin)
            file.seek(0)
            patch.setattr("sys.stdin", file)
            main.run(["--library", str(library), *arguments])
        said = "".join(capfd.readouterr())
        odd = {c for c in said if not c.isprintable() and c not in "\n\t"}
        assert not odd, (arguments, odd, said)
        return said

    return call


@pytest.mark.parametrize(
    "command",
    [
        "find jab", "find jab --json", "find {}jab", "find --fighter {}", "find --fight {}", "find --place {}",
        "find --date {}", "explain {}zzz --strict", "explain {} --json", "words seen", "words {}x", "complete {}",
        "clip 1", "clip 1 --json", "fight {}", "fight 1", "fights", "alike {}", "ingest {}", "reel jab -o {}/a.mp4",
        "reel --theme {} -o a.mp4", "themes show {}", "themes remove {}", "remake {}", "forget {}", "log {}",
        "forget --fighter {}", "backup {}/a.tar", "restore {}", "check --without {}", "agree 1 --first {}",
        "compare jab --this {} --that x", "tally jab --by {}", "tally jab --csv", "correct 1 {}", "recut 1 --first {}",
        "report fight {} -o a.pdf", "handover {}", "serve --host {} --port 1", "log-import 1 a --by {}", "{}",
    ],
)  # fmt: skip
def test_what_was_given_steers_no_terminal(made: Path, run: Run, command: str) -> None:
    assert run(made, *(word.format(STEERS) for word in command.split())) or command.startswith("complete")


@pytest.mark.parametrize(
    "row",
    [
        f"0:02,Adeyemi,jab,missed,{STEERS}", "0:02,Adeyemi,jxab\u202e,missed,", "0:02,Ade\u202eyemi,jab,,",
        "0:02,Adeyemi,jab,miss\u202eed,", "0:0\x9b2,Adeyemi,jab,,",
    ],
)  # fmt: skip
def test_a_bad_row_is_shown_without_steering(tmp_path: Path, run: Run, row: str) -> None:
    fight = make_fight(tmp_path / "fight", kind=None)
    write_log(fight, [row])
    assert "log.csv:2" in run(tmp_path / "library", "ingest", str(fight))


def test_broken_files_are_shown_without_steering(tmp_path: Path, run: Run) -> None:
    fight = make_fight(tmp_path / f"a{STEERS}", kind=None)
    toml = fight / "fight.toml"
    good = toml.read_text()
    for bad in (f'x = "{STEERS}"\n', '"k\u202e" = 3\n', '"k\\u001b[31m" = 3\n', "event = \u202e\n"):
        toml.write_text(bad + good)
        assert "fight.toml" in run(tmp_path / "library", "ingest", str(fight))
    toml.write_text(good)
    run(tmp_path / "library", "ingest", str(fight))
    for name, text in (
        ("settings.toml", 'number_profile = "\u202e"\n'), ("settings.toml", '"\\u001b" = 1\n'),
        ("terms.toml", '[[term]]\nname = "x\u202e"\nkind = "\u202e"\n'),
    ):  # fmt: skip
        (tmp_path / "library" / name).write_text(text)
        assert name in run(tmp_path / "library", "fights")
        (tmp_path / "library" / name).unlink()
    theme = tmp_path / f"{STEERS}.toml"
    for text in ('phrase = "jab"\nti\u202etle = "x"\n', 'phrase = "jab"\n"\\u001b[31m" = 1\n'):
        theme.write_text(text)
        run(tmp_path / "library", "themes", "put", str(theme))
        run(tmp_path / "library", "reel", "--theme", str(theme), "-o", str(tmp_path / "a.mp4"))


def test_json_says_the_same_in_escapes(made: Path, run: Run) -> None:
    """RFC 8259, section 7: any character may be escaped, and reads back to itself."""
    drawing = {"kind": "text", "points": [[0.1, 0.2]], "text": "a\u202e\u2028b"}
    run(made, "draw", "add", "1", "-", stdin=json.dumps(drawing))
    said = run(made, "draw", "list", "1")
    assert json.loads(said)[0]["text"] == drawing["text"]
    assert "\\u202e" in said
