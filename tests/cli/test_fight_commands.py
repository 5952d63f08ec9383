"""The commands behind the pages of fights, clips and reels."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from cliplib import Library
from cliplib.cli import main
from tests.libraries import BLUE, RED, make_fight
from tests.media import footage

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def own(tmp_path: Path) -> Path:
    rows = ("0:02,Adeyemi,jab,missed,", "0:02.4,Brandt,counter right uppercut to the body,landed,low")
    make_fight(tmp_path / "fights" / "one", rows=(*rows, "0:06.5,Brandt,lead hook,blocked,"))
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    library.close()
    return tmp_path / "library"


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(library: Path, *arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main.run(["--library", str(library), *map(str, arguments)])
        out, err = capsys.readouterr()
        return code, out, err

    return call


def first(library: Path) -> int:
    return Library(library).finding.find("counter to the body").clips[0].id


def test_a_fight_by_rounds_with_its_counts(own: Path, run: Run) -> None:
    code, out, err = run(own, "fight", "brandt")
    assert (code, err) == (0, "")
    assert out.splitlines()[0] == "Round 1: 2 exchanges"
    assert f"{RED}  jab" in out
    code, out, _ = run(own, "fight", "brandt", "--json")
    told = json.loads(out)
    assert [len(r["clips"]) for r in told["rounds"]] == [2]
    assert {(a["fighter"], a["technique"], a["total"], a["landed"]) for a in told["actions"]} == {
        (RED, "jab", 1, 0),
        (BLUE, "uppercut", 1, 1),
        (BLUE, "hook", 1, 0),
    }
    assert run(own, "fight", "nobody")[0] == 2


def test_a_clip_is_recut_and_back(own: Path, run: Run) -> None:
    clip = first(own)
    before = Library(own).finding.clip(clip)
    code, out, _ = run(own, "recut", clip, "--first", 40, "--last", 59)
    assert (code, out.splitlines()[0]) == (0, f"clip {clip}: frames 40 to 59")
    assert footage.numbers(Library(own).making.portable(clip)) == list(range(40, 60))
    assert run(own, "recut", clip, "--first", 80, "--last", 59)[0] == 2
    assert run(own, "recut", clip)[0] == 2
    assert run(own, "recut", clip, "--as-logged")[0] == 0
    assert Library(own).finding.clip(clip) == before


def test_actions_are_printed_corrected_and_put_back(own: Path, run: Run, tmp_path: Path) -> None:
    clip = first(own)
    code, rows, _ = run(own, "correct", clip)
    assert code == 0
    path = tmp_path / "rows.csv"
    path.write_text(rows, encoding="utf-8")
    before = Library(own).finding.clip(clip)
    assert run(own, "correct", clip, path)[0] == 0
    assert Library(own).finding.clip(clip) == before
    path.write_text(rows.replace("uppercut", "hook"), encoding="utf-8")
    code, out, _ = run(own, "correct", clip, path)
    assert (code, "right hook to the body landed" in out) == (0, True)
    path.write_text(rows.replace("uppercut", "uperkut"), encoding="utf-8")
    code, _, err = run(own, "correct", clip, path)
    assert code == 2
    assert "did you mean “uppercut”" in err
    path.write_text("fighter,action\nBrandt,jab\n", encoding="utf-8")
    assert run(own, "correct", clip, path)[0] == 2
    assert run(own, "correct", clip, "--as-logged")[0] == 0
    assert Library(own).finding.clip(clip) == before


def test_more_like_it_and_reels(own: Path, run: Run) -> None:
    clip = first(own)
    code, out, _ = run(own, "alike", clip, "--json")
    assert code == 0
    assert clip not in [one["exchange_id"] for one in json.loads(out)]
    name = Library(own).making.make_reel([clip], title="Just one")
    code, out, _ = run(own, "reels")
    assert (code, out.splitlines()[1].split()[:3]) == (0, [name, "Just", "one"])
    Library(own).logging.corrections.recut(clip, 40, 60)
    assert run(own, "remake", name)[0] == 0
    numbers = footage.numbers(Library(own).making.made_reel(name).file)
    assert [n for n in numbers if n is not None] == list(range(40, 60))
    assert run(own, "remake", "none-such")[0] == 2
