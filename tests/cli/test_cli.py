"""The command line: what it prints, what it says when something is wrong, and its exit codes."""

from __future__ import annotations

import importlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from cliplib import __version__
from cliplib.cli import main
from cliplib.cli.commands import COMMANDS
from cliplib.cli.progress import ProgressLine
from cliplib.media import ffmpeg
from tests.libraries import BLUE, RED, ROWS, make_fight, toml, write_log
from tests.media import footage

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library of two small fights; not to be changed."""
    base = tmp_path_factory.mktemp("made")
    (base / "library").mkdir()
    (base / "library" / "settings.toml").write_text("exchange_gap = 1.0\n")
    rows = [*ROWS, "0:04.6,Brandt,jab,missed,", "0:04.9,Adeyemi,counter cross to the body,landed,"]
    make_fight(base / "fights" / "one", rows=rows)
    make_fight(base / "fights" / "two", title="Adeyemi v Brandt again", date="2025-01-02", rows=ROWS[:2])
    assert main.run(["--library", str(base / "library"), "ingest", str(base / "fights")]) == 0
    return base / "library"


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(library: Path, *arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main.run(["--library", str(library), *map(str, arguments)])
        out, err = capsys.readouterr()
        return code, out, err

    return call


# --- the contracts ----------------------------------------------------------------------------------------

STEP_KEYS = {
    "by", "fighter", "stance", "technique", "hand", "side", "target", "outcome", "role", "direction",
    "within",
}  # fmt: skip
CLIP_KEYS = {
    "id", "fight", "round", "start", "end", "start_frame", "end_frame", "file", "poster", "actions",
    "matches",
}  # fmt: skip
ACTION_KEYS = {"time", "fighter", "technique", "hand", "side", "target", "outcome", "roles", "direction"}


def test_explain_json(made: Path, run: Run) -> None:
    """DESIGN's example: fighter 1's missed jab, then fighter 2's counter to the body."""
    code, out, err = run(made, "explain", "counter to the body after a missed jab", "--json")
    assert (code, err) == (0, "")
    reading = json.loads(out)
    assert reading["phrase"] == "counter to the body after a missed jab"
    assert all(set(step) >= STEP_KEYS for step in reading["steps"])
    said = [(s["by"], s["technique"], s["target"], s["outcome"], s["role"]) for s in reading["steps"]]
    assert said == [(1, "jab", None, "missed", None), (2, "punch", "body", None, "counter")]
    assert reading["unread"] == []
    assert isinstance(reading["where"], dict)


def test_find_json(made: Path, run: Run) -> None:
    code, out, err = run(made, "find", "counter to the body after a missed jab", "--json")
    assert (code, err) == (0, "")
    found = json.loads(out)
    assert set(found) == {"reading", "total", "clips", "facets"}
    assert found["total"] == 3
    assert set(found["facets"]) == {"technique", "fighter", "outcome", "round", "stance"}
    assert len(found["clips"]) == 3
    for clip in found["clips"]:
        assert set(clip) == CLIP_KEYS
        assert all(set(action) == ACTION_KEYS for action in clip["actions"])
        assert Path(clip["file"]).is_absolute()
        assert footage.numbers(Path(clip["file"])) == list(range(clip["start_frame"], clip["end_frame"]))
        jab, counter = (clip["actions"][i] for i in clip["matches"][0])
        assert (jab["technique"], jab["outcome"]) == ("jab", "missed")
        assert (counter["target"], counter["fighter"] != jab["fighter"]) == ("body", True)
        assert "counter" in counter["roles"]
    first = next(c for c in found["clips"] if c["fight"] == "Adeyemi v Brandt" and c["start"] == 1.0)
    assert (first["round"], first["end"], first["start_frame"], first["end_frame"]) == (1, 4.5, 25, 113)
    assert [a["time"] for a in first["actions"]] == [2.0, 2.4]
    # Brandt is orthodox: his right uppercut is a rear one.
    assert (first["actions"][1]["hand"], first["actions"][1]["side"]) == ("rear", "right")


def test_facets_count_everything_and_lead_to_just_that(made: Path, run: Run) -> None:
    whole = json.loads(run(made, "find", "punch", "--json", "--limit", "1")[1])
    assert len(whole["clips"]) == 1
    assert whole["total"] > 1
    for value, count in whole["facets"]["fighter"].items():
        assert json.loads(run(made, "find", "punch", "--fighter", value, "--json")[1])["total"] == count
    for value, count in whole["facets"]["outcome"].items():
        assert json.loads(run(made, "find", "punch", "--outcome", value, "--json")[1])["total"] == count


def total(run: Run, made: Path, *arguments: str) -> int:
    code, out, err = run(made, "find", *arguments, "--json")
    assert code == 0, err
    return int(json.loads(out)["total"])


def test_filters(made: Path, run: Run) -> None:
    counter = "counter to the body"
    assert total(run, made, counter) == 3
    assert total(run, made, counter, "--fighter", "brandt") == 2
    assert total(run, made, counter, "--opponent", "Jonas") == 1
    assert total(run, made, counter, "--stance", "southpaw") == 1
    assert total(run, made, counter, "--opponent-stance", "southpaw") == 2
    assert total(run, made, counter, "--fight", "again") == 1
    assert total(run, made, counter, "--fight", "1") == 2
    assert total(run, made, counter, "--date", "2025") == 1
    assert total(run, made, counter, "--date", "2024-05") == 2
    assert total(run, made, counter, "--from", "2024-05-11", "--to", "2024-12-31") == 2
    assert total(run, made, counter, "--from", "2026") == 0
    assert total(run, made, counter, "--round", "1", "--round", "3-4") == 3
    assert total(run, made, counter, "--round", "2-9") == 0
    assert total(run, made, counter, "--place", "ropes") == 0
    assert total(run, made, "hook", "--outcome", "blocked") == 1


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--round", "five", "no round"),
        ("--round", "4-2", "no round"),
        ("--date", "yesterday", "no date"),
        ("--date", "2024-02-30", "no date"),
        ("--place", "kitchen", "centre, ropes, corner"),
        ("--place", "rope", "did you mean “ropes”?"),
        ("--fighter", "brant", "did you mean “Jonas Brandt”?"),
        ("--opponent", "Ademeyi", "did you mean “Emeka Adeyemi”?"),
        ("--outcome", "painful", "landed"),
        ("--fighter", "Nobody", "nobody called"),
        ("--fighter", "a", "may be"),
        ("--fight", "adeyemi", "may be any of 2"),
        ("--fight", "77", "no fight 77"),
        ("--order", "price", "price"),
        ("--stance", "sideways", "orthodox"),
    ],
)
def test_filters_that_make_no_sense(made: Path, run: Run, option: str, value: str, said: str) -> None:
    code, out, err = run(made, "find", "jab", option, value)
    assert code == 2
    assert out == ""
    assert said in err
    assert "Traceback" not in err


def test_pages_of_results(made: Path, run: Run) -> None:
    everything = json.loads(run(made, "find", "punch", "--order", "date", "--json")[1])["clips"]
    pages = []
    for offset in range(0, len(everything), 2):
        arguments = ("--order", "date", "--limit", "2", "--offset", str(offset), "--json")
        pages += json.loads(run(made, "find", "punch", *arguments)[1])["clips"]
    assert [c["id"] for c in pages] == [c["id"] for c in everything]


def test_find_for_people(made: Path, run: Run) -> None:
    code, out, err = run(made, "find", "counter to the body after a missed jab")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].startswith("Read as: ")
    assert lines[1] == "3 exchanges"
    assert lines[3].split() == ["id", "fight", "round", "clock", "what", "happened", "outcome"]
    assert "Adeyemi jab missed, Brandt counter right uppercut to the body landed" in out
    (fighters,) = (line for line in lines if line.startswith("fighter: "))
    assert f"{BLUE} (2), {RED} (1)" in fighters  # who threw the counter


def test_words_that_are_not_understood(made: Path, run: Run) -> None:
    code, out, err = run(made, "find", "flying jabb")
    assert code == 0
    assert "Not understood: “flying”" in out
    code, out, err = run(made, "find", "flying jab", "--strict")
    assert code == 2
    assert "flying" in err
    assert "^" in err
    assert run(made, "explain", "flying jab", "--strict")[0] == 2


def test_notes_are_found_by_word(made: Path, run: Run) -> None:
    assert total(run, made, "nice and low") == 2


# --- the other commands -----------------------------------------------------------------------------------


def test_fights_and_clip(made: Path, run: Run) -> None:
    code, out, _ = run(made, "fights")
    assert code == 0
    assert [line.split()[0] for line in out.splitlines()] == ["id", "1", "2"]
    rows = json.loads(run(made, "fights", "--json")[1])
    assert [(r["title"], r["date"], r["clips"]) for r in rows] == [
        ("Adeyemi v Brandt", "2024-05-11", 3),
        ("Adeyemi v Brandt again", "2025-01-02", 1),
    ]
    code, out, _ = run(made, "clip", 1)
    assert code == 0
    assert "round 1, 0:06 left" in out
    assert "right uppercut" in out
    clip = json.loads(run(made, "clip", 1, "--json")[1])
    assert set(clip) == CLIP_KEYS
    code, _, err = run(made, "clip", 99)
    assert (code, err) == (2, "cliplib: there is no clip 99 in this library\n")


def test_logs_come_back_out(made: Path, run: Run, tmp_path: Path) -> None:
    out = tmp_path / "log.csv"
    assert run(made, "log", "1", "-o", out)[0] == 0
    text = out.read_text(encoding="utf-8")
    assert "counter right uppercut" in text
    fight = make_fight(tmp_path / "fights" / "copy", rows=())
    (tmp_path / "library").mkdir()
    shutil.copy(made / "settings.toml", tmp_path / "library")
    (fight / "log.csv").write_text(text, encoding="utf-8")
    assert run(tmp_path / "library", "ingest", fight)[0] == 0
    again = tmp_path / "again.csv"
    assert run(tmp_path / "library", "log", "1", "-o", again)[0] == 0
    assert again.read_text(encoding="utf-8") == text
    for form, begins in (("vtt", "WEBVTT"), ("jsonl", "{")):
        assert run(made, "log", "1", "--format", form, "-o", tmp_path / f"log.{form}")[0] == 0
        assert (tmp_path / f"log.{form}").read_text(encoding="utf-8").startswith(begins)
    assert run(made, "log", "1", "--log", "nothing.csv")[0] == 2


def test_export_is_exact_and_hides_nothing(made: Path, run: Run, tmp_path: Path) -> None:
    out = tmp_path / "clip.mp4"
    assert run(made, "export", 1, "-o", out)[0] == 0
    assert footage.numbers(out) == list(range(25, 113))


def test_outputs_do_not_land_on_the_library(made: Path, run: Run, tmp_path: Path) -> None:
    clip = json.loads(run(made, "clip", 1, "--json")[1])
    before = Path(clip["file"]).read_bytes()
    film = made.parent / "fights" / "one" / "fight.mp4"
    for target in (clip["file"], film, made / "catalogue.db", made / "clips"):
        code, _, err = run(made, "export", 1, "-o", target)
        assert code == 2, target
        assert "choose another place" in err or "is a folder" in err or "directory" in err
    assert run(made, "export", 1, "-o", tmp_path / "no such folder" / "x.mp4")[0] == 2
    assert Path(clip["file"]).read_bytes() == before
    assert film.read_bytes() == footage.make("closed gop").path.read_bytes()


def test_reel(made: Path, run: Run, tmp_path: Path) -> None:
    out = tmp_path / "reel.mp4"
    code, said, err = run(made, "reel", "counter to the body after a missed jab", "-o", out, "--no-cards")
    assert code == 0, err
    assert "3 clips" in said
    assert out.stat().st_size > 10_000
    theme = tmp_path / "theme.toml"
    theme.write_text('phrase = "lead hook"\n[picture]\ncards = false\n')
    code, said, err = run(made, "reel", "--theme", theme, "-o", tmp_path / "themed.mp4", "--json")
    assert code == 0, err
    assert json.loads(said)["clips"] == 1
    code, said, err = run(
        made, "reel", "--clips", "2,1", "-o", tmp_path / "picked.mp4", "--no-cards", "--json"
    )
    assert code == 0, err
    assert json.loads(said)["clips"] == 2


def test_a_reel_has_the_filters_of_find(made: Path, run: Run, tmp_path: Path) -> None:
    counter = "counter to the body after a missed jab"
    out = tmp_path / "reel.mp4"
    code, said, err = run(made, "reel", counter, "--fight", "again", "-o", out, "--no-cards", "--json")
    assert code == 0, err
    assert json.loads(said)["clips"] == 1
    # A reel of ours is made anew in its place; anybody else's file is not.
    code, said, err = run(made, "reel", counter, "--fight", "1", "-o", out, "--no-cards", "--json")
    assert code == 0, err
    assert json.loads(said)["clips"] == 2
    out.write_bytes(b"a film of somebody's own")
    code, _, err = run(made, "reel", counter, "-o", out)
    assert (code, out.read_bytes()) == (2, b"a film of somebody's own")
    assert "no reel of ours" in err
    assert "--force" in err
    assert run(made, "reel", counter, "--fight", "again", "-o", out, "--no-cards", "--force")[0] == 0
    assert out.read_bytes() != b"a film of somebody's own"
    code, _, err = run(made, "reel", counter, "-o", tmp_path / "reel.avi")
    assert code == 2
    assert "reel.mp4" in err
    assert "leave out the filters" in run(made, "reel", "--clips", "1", "--round", "1", "-o", out)[2]


def test_a_round_that_no_fight_has(made: Path, run: Run) -> None:
    for arguments in (("jab", "--round", "9"), ("jab in round 9",)):
        code, said, err = run(made, "find", *arguments)
        assert (code, err) == (0, "")
        assert "no fight here has anything in round 9; the last one that was logged is round 1" in said
    assert "no fight here" not in run(made, "find", "overhand in round 1")[1]


def test_words_in_notes(made: Path, run: Run) -> None:
    code, said, err = run(made, "words", "low")
    assert (code, err) == (0, "")
    assert "nice and low" in said
    assert "Adeyemi v Brandt" in said
    found = json.loads(run(made, "words", "low", "--json")[1])
    assert found["total"] == len(found["hits"]) > 0
    assert ["low", True] in found["hits"][0]["snippet"]
    assert "did you mean “nice”" in run(made, "words", "nicw")[1]
    # The same beneath a phrase with a word that only notes could hold.
    said = run(made, "find", "uppercut nicw")[1]
    assert "Not understood: “nicw”, so it is looked for in notes and titles; did you mean “nice”?" in said
    found = json.loads(run(made, "find", "uppercut nicw", "--json")[1])
    assert found["reading"]["meant"][0]["meant"] == ["nice"]


def test_completions_begin_with_what_was_searched(run: Run, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", kind=None)
    library = tmp_path / "library"
    run(library, "ingest", fight)
    run(library, "find", "counter uppercut to the body in round 1")
    code, said, err = run(library, "complete", "counter up")
    assert (code, err) == (0, "")
    assert said.splitlines()[0] == "counter uppercut to the body in round 1"
    assert "counter uppercut" in said.splitlines()


def test_a_log_with_bad_rows_says_what_to_do(run: Run, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", kind=None)
    library = tmp_path / "library"
    assert "1 fight, 0 clips cut" in run(library, "ingest", fight)[1]
    write_log(fight, [*ROWS, "0:07,Brandt,flying knee,landed,"])
    code, _, err = run(library, "ingest", fight)
    assert code == 2
    assert "--skip-bad-rows" in err
    assert "Nothing of a fight" in err
    assert "2" in run(library, "fights")[1]
    write_log(fight, ROWS[2:])
    assert "1 exchange," in run(library, "ingest", fight)[1]


def test_words_that_no_log_knows_go_elsewhere(run: Run, tmp_path: Path) -> None:
    rows = [*ROWS, "0:06.8,Brandt,walks him down,,"]
    fight = make_fight(tmp_path / "one", kind=None, rows=rows)
    code, out, err = run(tmp_path / "library", "ingest", "--skip-bad-rows", fight)
    assert code == 0
    assert "1 row left out" in out  # with two problems
    assert err.count("is not understood") == 2
    assert err.count("or make it the note of an action") == 1
    # What the message says to do works.
    write_log(fight, [*ROWS, "0:06.8,Brandt,,,walks him down"])
    assert run(tmp_path / "library", "ingest", fight)[0] == 0
    assert "walks him down" in run(tmp_path / "library", "words", "walks down")[1]


def test_a_clock_is_minutes_and_seconds(run: Run, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", kind=None)
    (fight / "log.csv").write_text("round,clock,fighter,action\n1,0.05,Brandt,jab\n")
    code, _, err = run(tmp_path / "library", "ingest", fight)
    assert code == 2
    assert "“0.05” is not a clock; write minutes:seconds, such as 0:05" in err
    (fight / "log.csv").write_text("round,clock,fighter,action\n1,0:05,Brandt,jab\n1,4.5,Brandt,jab\n")
    assert run(tmp_path / "library", "ingest", fight)[0] == 0


def test_roles_are_explained(made: Path, run: Run) -> None:
    said = run(made, "clip", "1")[1]
    assert "counter: a punch that answers" in said
    assert "lead: the exchange's first punch" in said


def test_reels_that_cannot_be(made: Path, run: Run, tmp_path: Path) -> None:
    out = tmp_path / "reel.mp4"
    for arguments, said in (
        (["overhand"], "no clip to show"),
        (["--clips", "1,99"], "no clip 99"),
        (["--clips", "one"], "not a list of clip numbers"),
        (["jab", "--clips", "1"], "one of"),
        ([], "one of"),
        (["--theme", str(tmp_path / "none.toml")], "cannot be read"),
    ):
        code, _, err = run(made, "reel", *arguments, "-o", out)
        assert code == 2, arguments
        assert said in err
    assert not out.exists()


def test_forget(run: Run, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one")
    library = tmp_path / "library"
    run(library, "ingest", fight)
    assert run(library, "forget", "adeyemi", "--yes")[0] == 0
    assert list((library / "clips").rglob("*.mp4")) == []
    assert (fight / "fight.mp4").is_file()
    assert "No fights yet" in run(library, "fights")[1]
    assert total(run, library, "jab") == 0
    assert run(library, "ingest", fight)[0] == 0
    assert total(run, library, "jab") == 1


def test_forgetting_offers_logs_that_are_nowhere_else(run: Run, tmp_path: Path) -> None:
    fight, log = make_fight(tmp_path / "one"), tmp_path / "mine.csv"
    library = tmp_path / "library"
    run(library, "ingest", fight)
    log.write_text("time,fighter,action\n3.0,Brandt,shovel hook landed\n", encoding="utf-8")
    assert run(library, "log-import", "1", log, "--by", "RS")[0] == 0
    code, out, _ = run(library, "forget", "1")  # nobody answers the question
    assert code != 0
    assert "RS’s log of “Adeyemi v Brandt” (lines: 1)" in out
    assert "--save-logs" in out
    assert total(run, library, "jab") == 1
    kept = tmp_path / "kept"
    assert run(library, "forget", "1", "--yes", "--save-logs", kept)[0] == 0
    (saved,) = kept.iterdir()
    assert "shovel hook" in saved.read_text(encoding="utf-8")
    assert "No fights yet" in run(library, "fights")[1]


def test_reindex_and_check(made: Path, run: Run, tmp_path: Path) -> None:
    library = tmp_path / "library"
    shutil.copytree(made, library)
    phrases = ("counter to the body after a missed jab", "nice and low", "jab", "flying jab")
    before = [run(library, "find", phrase, "--json") for phrase in phrases]
    assert run(library, "check")[:2] == (0, "all is well\n")
    for derived in ("index", "columns"):
        shutil.rmtree(library / derived, ignore_errors=True)
    assert run(library, "reindex")[0] == 0
    assert [run(library, "find", phrase, "--json") for phrase in phrases] == before
    next((library / "clips").rglob("*.mp4")).unlink()
    code, out, _ = run(library, "check")
    assert code == 1
    assert "1 clip missing" in out
    assert run(library, "check", "--repair")[0] == 0
    assert run(library, "check", "--deep")[:2] == (0, "all is well\n")


def test_backup_restore_and_forget(made: Path, run: Run, tmp_path: Path) -> None:
    library, again = tmp_path / "library", tmp_path / "again"
    shutil.copytree(made, library)
    before = run(library, "fights", "--json")[1]
    assert run(library, "backup", "--clips", str(tmp_path / "kept.tar"))[0] == 0
    assert run(again, "restore", str(tmp_path / "kept.tar"))[0] == 0
    assert json.loads(run(again, "fights", "--json")[1]) == json.loads(before)
    code, _, err = run(again, "restore", str(tmp_path / "kept.tar"))
    assert (code, "never over a library" in err) == (2, True)
    code, out, _ = run(library, "check", "--without", "Emeka Adeyemi")
    # What was written last may still lie in the write-ahead log beside the catalogue.
    assert (code, bool(re.search(r"catalogue\.db(-wal)? holds", out))) == (1, True), out
    assert run(library, "forget", "--fighter", "Emeka Adeyemi", "--yes")[0] == 0
    code, out, _ = run(library, "check", "--without", "Emeka Adeyemi")
    assert (code, "no file of the library holds" in out) == (0, True)


# --- ingest -----------------------------------------------------------------------------------------------


def test_ingest_reports(run: Run, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one")
    code, out, err = run(tmp_path / "library", "ingest", fight)
    assert (code, err) == (0, "")
    assert out.splitlines()[0] == "Adeyemi v Brandt: added, 2 exchanges, 2 clips cut"
    code, out, _ = run(tmp_path / "library", "ingest", fight, "--json")
    report = json.loads(out)
    assert (report["unchanged"], report["clips_cut"], report["failed"]) == (1, {}, 0)
    write_log(fight, ["0:02,Adeyemi,gribble,,"])
    code, out, err = run(tmp_path / "library", "ingest", fight)
    assert code == 2
    assert err.startswith("one/log.csv:2:14: ")
    assert "^" in err
    code, out, err = run(tmp_path / "library", "ingest", fight, "--json")
    assert code == 2
    assert json.loads(out)["fights"][0]["problems"][0]["column"] == 14


def test_input_errors_are_sentences(run: Run, tmp_path: Path) -> None:
    for arguments in (
        ["find", "jab"],
        ["clip", "1"],
        ["ingest", str(tmp_path / "nothing")],
        ["ingest"],
        ["frobnicate"],
        ["clip", "one"],
    ):
        code, out, err = run(tmp_path / "library", *arguments)
        assert code == 2, arguments
        assert out == ""
        assert err
        assert "Traceback" not in err


def test_damage_is_a_failure(run: Run, tmp_path: Path) -> None:
    (tmp_path / "library").mkdir()
    (tmp_path / "library" / "catalogue.db").write_bytes(b"garbage" * 500)
    code, _, err = run(tmp_path / "library", "fights")
    assert code == 1
    assert "not a catalogue" in err


# --- as a process -----------------------------------------------------------------------------------------


def process(*arguments: object, **more: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "cliplib", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **more,  # type: ignore[call-overload]
    )


def test_version_and_environment(made: Path) -> None:
    child = process("--version")
    assert child.communicate()[0].startswith(f"cliplib {__version__}\n")
    child = process("fights", "--json", env={**os.environ, "CLIPLIB_LIBRARY": str(made)})
    assert len(json.loads(child.communicate()[0])) == 2


def test_ctrl_c_stops_cleanly_and_it_goes_on(tmp_path: Path, run: Run) -> None:
    """SIGINT while a working copy is being made."""
    fight = make_fight(tmp_path / "one", kind="hevc")
    library = tmp_path / "library"

    def listens() -> None:  # tests may run where it is ignored, behind nohup say
        signal.signal(signal.SIGINT, signal.SIG_DFL)

    child = process("--library", library, "ingest", fight, start_new_session=True, preexec_fn=listens)
    deadline = time.monotonic() + 60
    while not list(library.glob("working/.*")) and child.poll() is None:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    assert child.poll() is None, "it was done before it could be stopped"
    os.killpg(child.pid, signal.SIGINT)
    _, err = child.communicate(timeout=60)
    assert child.returncode == 130
    assert "Traceback" not in err
    assert "run it again" in err
    assert list(library.glob("working/*")) == []
    code, out, err = run(library, "ingest", fight)
    assert code == 0, err
    assert "2 clips cut" in out


def test_a_reader_that_has_seen_enough(made: Path) -> None:
    child = process("--library", made, "find", "punch", "--json")
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.close()
    err = child.stderr.read()
    child.stderr.close()
    assert (child.wait(60), err) == (1, "")


def test_open_plays_in_the_systems_player(
    made: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = tmp_path / "opened"
    player = tmp_path / "bin" / "xdg-open"
    player.parent.mkdir()
    player.write_text(f'#!/bin/sh\necho "$1" > "{opened}"\n')
    player.chmod(0o755)
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("PATH", str(player.parent))
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(ffmpeg.binary()))
    assert run(made, "clip", 1, "--open")[0] == 0
    assert opened.read_text().strip().endswith(".mp4")
    assert run(made, "find", "counter to the body", "--open")[0] == 0
    playlist = Path(opened.read_text().strip()).read_text(encoding="utf-8").splitlines()
    assert len(playlist) == 4
    assert all(Path(line).is_file() for line in playlist[1:])
    player.unlink()
    code, _, err = run(made, "clip", 1, "--open")
    assert code == 1
    assert "open" in err


# --- progress ---------------------------------------------------------------------------------------------


class Screen:
    """A terminal that remembers."""

    def __init__(self, tty: bool):
        self.tty, self.written = tty, ""

    def isatty(self) -> bool:
        return self.tty

    def write(self, text: str) -> None:
        self.written += text

    def flush(self) -> None:
        pass


def test_progress_tells_the_time_left(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 100.0
    monkeypatch.setattr("cliplib.cli.progress.time.monotonic", lambda: now)
    screen = Screen(tty=True)
    with ProgressLine(screen) as progress:  # type: ignore[arg-type]
        progress("cutting One", 0, 100)
        for done in range(1, 51):
            now += 0.2
            progress("cutting One" if done < 30 else "cutting Two", done, 100)
        # 50 of 100 took 10 s, so 10 s are left; the count goes on from fight to fight.
        assert screen.written.endswith("\rcutting Two  50 of 100  0:10 left")
    assert screen.written.endswith(" \r")


def test_quick_work_shows_no_progress() -> None:
    screen = Screen(tty=True)
    with ProgressLine(screen) as progress:  # type: ignore[arg-type]
        progress("reading logs", 0, 3)
        progress("reading logs", 3, 3)
    assert screen.written == ""


def test_progress_into_a_file_is_sparse(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 0.0
    monkeypatch.setattr("cliplib.cli.progress.time.monotonic", lambda: now)
    screen = Screen(tty=False)
    with ProgressLine(screen) as progress:  # type: ignore[arg-type]
        for done in range(301):
            now = done * 0.1
            progress("cutting One", done, 300)
    assert len(screen.written.splitlines()) in (2, 3)
    assert "\r" not in screen.written


def test_names_are_our_own_and_every_command_has_help() -> None:
    context = click.Context(main.cli)
    assert main.cli.list_commands(context) == [
        "agree", "alike", "answers", "backup", "beside", "breakdown", "bundle", "change", "check", "clip", "compare",
        "complete", "correct", "draw", "explain", "export", "fight", "fights", "find", "forget", "handover", "ingest",
        "log", "log-import", "next", "passphrase", "recut", "reel", "reels", "reindex", "remake", "report", "restore",
        "serve", "signed-in", "tally", "themes", "watch", "words",
    ]  # fmt: skip
    for name in main.cli.list_commands(context):
        command = main.cli.get_command(context, name)
        assert command is not None
        assert command.help
        assert COMMANDS[name][1] == command.get_short_help_str(limit=10_000), (
            "the line in cli/commands.py is another"
        )
    modules = {module for module, _ in COMMANDS.values()}
    found = {c.name for module in modules for c in importlib.import_module(f"cliplib.cli.{module}").COMMANDS}
    assert found == set(COMMANDS), "a command that no line in cli/commands.py names"


def test_toml_helper_escapes() -> None:
    import tomllib

    assert tomllib.loads(toml(title='a "b" \\ c'))["title"] == 'a "b" \\ c'
