"""The commands that hand reels on, on a small library of numbered footage."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import opentimelineio
import pytest

from cliplib import ClipChange, Library
from cliplib.cli import main
from tests.libraries import make_fight
from tests.media import footage

Run = Callable[..., tuple[int, str]]
JABS = 'phrase = "jab"\n[picture]\ncards = false\n'


@pytest.fixture
def library(tmp_path: Path) -> Path:
    make_fight(tmp_path / "fights" / "one")
    one = Library(tmp_path / "library", create=True)
    one.logging.ingest([tmp_path / "fights"])
    one.close()
    return tmp_path / "library"


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(library: Path, *arguments: object) -> tuple[int, str]:
        capsys.readouterr()
        code = main.run(["--library", str(library), *map(str, arguments)])
        out, err = capsys.readouterr()
        return code, out + err

    return call


def test_themes_are_built_when_they_changed(library: Path, run: Run) -> None:
    themes = library / "themes"
    themes.mkdir()
    (themes / "jabs.toml").write_text(JABS, encoding="utf-8")
    assert run(library, "themes", "build") == (0, "jabs: 1 clip; new\n")
    reel = library / "reels" / "jabs.mp4"
    assert len(footage.numbers(reel)) > 25
    assert run(library, "themes", "build") == (0, "jabs: unchanged (1 clip)\n")
    (themes / "bad.toml").write_text('phrase = "jab"\norder = "upwards"', encoding="utf-8")
    code, said = run(library, "themes", "build", "--json")
    assert code == 2
    made = json.loads(said)
    assert "bad.toml:2:1: order must be one of" in made[0]["problem"]
    assert made[1]["report"]["changed"] is False


def test_one_more_example_comes_in_with_the_log(library: Path, tmp_path: Path, run: Run) -> None:
    themes = tmp_path / "themes"
    themes.mkdir()
    (themes / "hooks.toml").write_text('phrase = "hook"\n[picture]\ncards = false\n', encoding="utf-8")
    assert run(library, "themes", "build", themes)[1] == "hooks: 1 clip; new\n"
    log = tmp_path / "fights" / "one" / "log.csv"
    log.write_text(log.read_text(encoding="utf-8") + "0:03.6,Adeyemi,rear hook,missed,\n", encoding="utf-8")
    code, said = run(library, "ingest", tmp_path / "fights")
    assert code == 0, said
    (made,) = json.loads(run(library, "themes", "build", themes, "--json")[1])
    assert (made["report"]["made"], made["report"]["reused"]) == (1, 1)
    assert [c for c in made["report"]["changes"] if c.startswith("added: ")]


def test_every_kind_of_handover(library: Path, tmp_path: Path, run: Run) -> None:
    begins = {
        "captions": b"WEBVTT", "chapters": b"WEBVTT", "shots": b"number,", "sheet": b"%PDF-",
        "timeline": b"{", "edl": b"TITLE:",
    }  # fmt: skip
    for kind, begin in begins.items():
        out = tmp_path / kind
        assert run(library, "handover", kind, "jab", "-o", out) == (0, f"{out}\n")
        assert out.read_bytes().startswith(begin)
    back = opentimelineio.adapters.read_from_string((tmp_path / "timeline").read_text(), "otio_json")
    clip = next(iter(back.find_clips()))
    row = Library(library).finding.find("jab").clips[0]
    assert row.end_frame is not None
    assert row.start_frame is not None
    assert clip.source_range.start_time.value == row.start_frame
    assert clip.source_range.duration.value == row.end_frame - row.start_frame


def test_handover_and_bundle_have_the_filters_of_find(library: Path, tmp_path: Path, run: Run) -> None:
    found = Library(library).finding.find("punch")
    outcome, some = min(found.facets["outcome"].items(), key=lambda item: item[1])
    assert 0 < some < found.total
    out = tmp_path / "shots.csv"
    for options, count in (([], found.total), (["--outcome", outcome], some)):
        assert run(library, "handover", "shots", "punch", *options, "-o", out)[0] == 0
        assert len(out.read_text(encoding="utf-8").splitlines()) == 1 + count
    assert run(library, "bundle", "punch", "--outcome", outcome, "-o", tmp_path / "some")[0] == 0
    assert len(list((tmp_path / "some" / "clips").iterdir())) == some
    code, said = run(library, "handover", "shots", "--clips", "1", "--outcome", outcome, "-o", out)
    assert (code, "leave out the filters" in said) == (2, True)


def test_a_kept_reel_is_handed_over_as_it_was_made(library: Path, tmp_path: Path, run: Run) -> None:
    one = Library(library)
    change = ClipChange(2, caption=("Look at the feet",))
    name = one.making.make_reel([2, 1], title="Two", changes=[change])
    out = tmp_path / "captions.vtt"
    assert run(library, "handover", "captions", "--reel", name, "-o", out) == (0, f"{out}\n")
    text = out.read_text(encoding="utf-8")
    assert text.count("-->") == 2
    assert text.index("Look at the feet") < text.index("Adeyemi")
    code, said = run(library, "handover", "captions", "--reel", "none", "-o", out)
    assert (code, "no reel called" in said) == (2, True)
    assert run(library, "handover", "captions", "jab", "--reel", name, "-o", out)[0] == 2


def test_a_bundle_of_picked_clips(library: Path, tmp_path: Path, run: Run) -> None:
    code, said = run(library, "bundle", "--clips", "2,1", "--title", "Two", "-o", tmp_path / "two")
    assert code == 0
    assert said.startswith(f"{tmp_path / 'two'}: 10 files\n")
    assert "Footage belongs to somebody" in said
    shutil.rmtree(tmp_path / "two" / "clips")
    code, said = run(library, "bundle", "--clips", "99", "-o", tmp_path / "none")
    assert code == 2
    assert "no clip 99" in said
    assert not (tmp_path / "none").exists()
    code, said = run(library, "bundle", "jab", "-o", library)
    assert code == 2


MEMORY = """
import dataclasses, resource, sys
from pathlib import Path
from cliplib.reels.build import build
from tests.reels.reel_parts import SMALL, part
folder, count = Path(sys.argv[1]), int(sys.argv[2])
parts = [part("closed gop", n % 150, n % 150 + 8 + n % 11) for n in range(count)]
small = dataclasses.replace(SMALL, size=(160, 90))
build(parts, folder / "reel.mp4", small, folder / "cache")
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def test_memory_does_not_grow_with_the_reel(tmp_path: Path) -> None:
    """Peak memory of a process that builds a reel from nothing: 10 clips against 90."""
    footage.make("closed gop")
    peaks = []
    for count in (10, 90):
        done = subprocess.run(
            [sys.executable, "-c", MEMORY, str(tmp_path), str(count)],
            capture_output=True,
            text=True,
            check=True,
        )
        peaks.append(int(done.stdout))
    assert peaks[1] < peaks[0] * 1.25 + 20_000, f"from {peaks[0]} to {peaks[1]} kB"
