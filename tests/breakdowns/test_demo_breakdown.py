"""The whole job on demo fights: one command makes a breakdown of three points with a voice, drawings, a side by
side, counts and chapters; all of it is read back with others' libraries (PyAV, webvtt-py, opentimelineio,
pypdf, pyloudnorm, markdown-it-py)."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import av
import numpy as np
import opentimelineio as otio
import pyloudnorm
import pytest
import webvtt
from markdown_it import MarkdownIt
from pypdf import PdfReader

from cliplib import Library
from fixtures import argument, demo, walk

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1200), pytest.mark.xdist_group("demo breakdown")]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Library]:
    folder = tmp_path_factory.mktemp("demo")
    demo.build(folder / "fights", ["adeyemi-brandt", "lautele-valcan"])
    library = Library(folder / "library", create=True)
    assert library.logging.ingest([folder / "fights"]).exit_code == 0
    cliplib = [sys.executable, "-m", "cliplib", "--library", str(folder / "library")]
    film, page = walk.breakdown(cliplib, folder)
    return film, page, library


def test_it_says_what_is_so(made: tuple[Path, Path, Library]) -> None:
    film, _, library = made
    checked = library.making.breakdowns.check(film.parent.name)
    assert checked.well
    assert len(checked.recounts.counts) == 4
    # The author's own count: see fixtures/fights/README.md and the story in test_demo.
    assert [one.link.text for one in checked.recounts.counts][:2] == ["3 of 3", "1 of 4"]


def test_the_film(made: tuple[Path, Path, Library]) -> None:
    film = made[0]
    with av.open(str(film)) as container:
        chapters = [c["metadata"]["title"] for c in container.chapters()]
        frames = [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]
    assert chapters == ["He waits for the jab", "The step outside", "Others do it too"]
    with av.open(str(film)) as container:
        sound = np.concatenate([f.to_ndarray() for f in container.decode(audio=0)], axis=1).T.astype(float)
    assert abs(sound.shape[0] / 48_000 - len(frames) / 25) < 0.1
    # EBU R 128's measure over the whole programme (ITU-R BS.1770), by pyloudnorm.
    assert pyloudnorm.Meter(48_000).integrated_loudness(sound) == pytest.approx(-16, abs=1.5)
    # The drawing's yellow is on some pictures of the first point, and on none of the last.
    yellow = [((f[..., 0] > 200) & (f[..., 1] > 160) & (f[..., 2] < 90)).sum() for f in frames[125:-200]]
    assert max(yellow[: len(yellow) // 3]) > 100
    # Two pictures beside each other leave bars above and below, which one does not.
    bars = [f[:40].max() < 40 and f[-40:].max() < 40 and f[170:190].max() > 60 for f in frames]
    assert sum(bars) > 50


def test_beside_the_film(made: tuple[Path, Path, Library]) -> None:
    place = made[0].parent
    cues = list(webvtt.read(str(place / "captions.vtt")))
    said = " ".join(" ".join(cue.text.split()) for cue in cues)
    assert "goes to the body" in said
    timeline = otio.adapters.read_from_file(str(place / "timeline.otio"))
    assert [track.name for track in timeline.tracks] == ["Pictures", "Film sound", "Voice"]
    pages = " ".join(page.extract_text() for page in PdfReader(place / "script.pdf").pages)
    assert "He waits for the jab" in pages
    sources = (place / "sources.txt").read_text(encoding="utf-8")
    assert "Adeyemi v Brandt, 2024-05-11" in sources
    assert "Lautele v Vâlcan" in sources
    assert "no legal advice" in sources
    description = (place / "description.txt").read_text(encoding="utf-8")
    assert "0:00 He waits for the jab" in description
    assert "3 of 3: " in description


def test_the_text_is_plain_markdown(made: tuple[Path, Path, Library]) -> None:
    text = (made[0].parent / "breakdown.md").read_text(encoding="utf-8")
    html = MarkdownIt("commonmark").render(text)
    assert html.count("<h2>") == 3
    assert html.count("<a href=") == 8
    assert len(argument.spoken(text)) == 3


def test_the_folder_is_whole(made: tuple[Path, Path, Library]) -> None:
    page = made[1]
    listed = json.loads((page / "manifest.json").read_text(encoding="utf-8"))
    for one in listed["files"]:
        assert (page / one["file"]).stat().st_size == one["bytes"]
    assert {"index.html", "film.mp4"} <= {one["file"] for one in listed["files"]}
