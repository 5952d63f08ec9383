"""What comes out beside a film, read back with others' libraries: webvtt-py, opentimelineio, pypdf, PyAV,
pyloudnorm."""

from __future__ import annotations

import csv
import io
import itertools
import re
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import opentimelineio as otio
import pyloudnorm
import pytest
import webvtt
from pypdf import PdfReader

from cliplib.breakdowns import papers
from cliplib.breakdowns.counts import Counted, recounted
from cliplib.breakdowns.document import read
from cliplib.breakdowns.film import FilmPlan, FilmReport, PointFilm, Style, build_film, plan_film
from cliplib.breakdowns.folder import write_beside, write_folder
from cliplib.breakdowns.plan import FilmShot
from cliplib.breakdowns.render import Mix, lowered
from cliplib.breakdowns.take import TakeFolder
from cliplib.core.errors import InputError
from cliplib.reels.parts import Beside, Freeze, ReelSettings, Slow, Treatment
from tests.breakdowns import sessions
from tests.media import footage
from tests.reels.reel_parts import part

# Private parts: how times are shared out is tried with numbers alone, without film.

TEXT = r"""# Jabs & \<answers>

What this is about.

## The jab

He landed [9 of 14](<count:jab>) jabs, and that is a sentence that is much longer than one line of a caption. Then he stopped.

- [a try](clip:1)

## Ответ

Он нашёл ответ. 那就是全部。

- [both](beside:2,3)

## Only words

Nothing to see.
"""


def counter(_: object) -> Counted:
    return Counted(
        14,
        {"landed": 9, "missed": 5},
        14,
        {"tried": (1,)},
        "any jab",
        ("A try is …",),
        (("A v B", "2024-05-11"),),
    )


def speech(seconds: float) -> np.ndarray:
    """Something as loud and as lively as a voice: tones that come and go, with pauses."""
    t = np.arange(int(seconds * 48_000)) / 48_000
    tone = sum(np.sin(2 * np.pi * f * t) / n for n, f in enumerate((140, 280, 700, 1500), 1))
    return (0.05 * tone * (np.sin(2 * np.pi * 1.3 * t) > -0.2) * (np.sin(2 * np.pi * 0.15 * t) > -0.6))[
        np.newaxis
    ]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, FilmReport, FilmPlan]:
    folder = tmp_path_factory.mktemp("papers")
    document = read(TEXT)
    takes = []
    for n, seconds in enumerate((9.0, 4.0)):
        take = TakeFolder.begin(folder / "takes" / str(n), "point", ())
        number = take.record(0, "audio/wav", given=True)
        take.put_sound(number, 0, 0, sessions.wav(speech(seconds)))
        takes.append(take.take())
    slow = Treatment(Slow(Fraction(1, 2)), Freeze(1_000_000))
    one = part("closed gop", 30, 80, treatment=slow, facts={"fight": "A v B", "date": "2024-05-11"})
    second = part("ntsc", 60, 140, facts={"fight": "C v D"}, treatment=Treatment(mirror=True))
    both = part("closed gop", 100, 150, beside=Beside(second), facts={"fight": "A v B", "date": "2024-05-11"})
    sentences = [tuple(s for p in point.script for s, _ in p.sentences()) for point in document.points]
    points = [
        PointFilm("the-jab", "The jab", (FilmShot("a try", one),), takes[0], sentences=sentences[0]),
        PointFilm("ответ", "Ответ", (FilmShot("both", both),), takes[1], sentences=sentences[1]),
        PointFilm("only-words", "Only words", (), None, sentences=sentences[2]),
    ]
    style = Style(ReelSettings(size=(footage.WIDTH, footage.HEIGHT), rate=Fraction(25)))
    report, plan = build_film(document.title, points, style, folder / "film.mp4", folder / "cache")
    write_beside(document, plan, recounted(document, counter), folder, folder / "cache")
    return folder, report, plan


def test_chapters_one_a_point(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    folder, report, _plan = made
    with av.open(str(folder / "film.mp4")) as film:
        chapters = [(float(c["start"] * c["time_base"]), c["metadata"]["title"]) for c in film.chapters()]
        frames = sum(1 for _ in film.decode(video=0))
    assert [title for _, title in chapters] == ["The jab", "Ответ", "Only words"]
    assert chapters[0][0] == 0
    assert frames == report.frames
    listed = re.findall(r"^(\d+):(\d\d) (.+)$", (folder / "description.txt").read_text(), re.MULTILINE)
    assert [(int(m) * 60 + int(s), h) for m, s, h in listed] == [(int(at), h) for at, h in chapters]


def test_speech_longer_than_film_holds_the_last_picture(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    folder, _, plan = made
    start, planned, _ = plan.placed()[0]
    assert planned.frames == 9 * 25
    shown = footage.numbers(folder / "film.mp4")[start : start + planned.frames]
    assert shown[0] == 30
    assert set(shown[-50:]) == {shown[-1]}


def test_loudness(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    """EBU R 128 at -16 LUFS, and no true peak above -1 dBTP; measured by pyloudnorm (ITU-R BS.1770) and, for
    the peak, on four times as many samples (BS.1770, annex 2)."""
    folder, _, plan = made
    with av.open(str(folder / "film.mp4")) as film:
        whole = np.concatenate([f.to_ndarray() for f in film.decode(audio=0)], axis=1).T.astype(np.float64)
    meter = pyloudnorm.Meter(48_000)
    for start, planned, point in plan.placed()[:2]:
        first = int(plan.seconds(start) * 48_000)
        some = whole[first : first + int(plan.seconds(planned.frames) * 48_000)]
        assert meter.integrated_loudness(some) == pytest.approx(-16, abs=1.0), point.heading
    from scipy.signal import resample_poly

    peak = 20 * np.log10(np.abs(resample_poly(whole, 4, 1, axis=0)).max())
    assert peak <= -1.0


def test_film_is_lowered_under_the_voice() -> None:
    voice = np.zeros((2, 48_000 * 6), np.float32)
    voice[:, 48_000 * 2 : 48_000 * 3] = 0.1
    gain = lowered(voice, -15)
    assert gain[48_000 * 2 + 24_000] == pytest.approx(10 ** (-15 / 20), rel=0.01)
    assert gain[48_000] == pytest.approx(1)
    assert gain[48_000 * 5] == pytest.approx(1)
    assert (np.abs(np.diff(20 * np.log10(gain))) < 0.01).all()  # it slides


def test_captions(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    folder, _report, plan = made
    cues = list(webvtt.read(str(folder / "captions.vtt")))
    text = (folder / "captions.vtt").read_text()
    assert text.count("worked out from the length") == 3
    said = " ".join(" ".join(cue.text.split("\n")) for cue in cues)
    assert "He landed 9 of 14 jabs" in said
    assert "Он нашёл ответ." in said
    assert "那就是全部。" in said
    assert all(len(line) <= papers.LINE for cue in cues for line in cue.text.split("\n"))
    times = [(cue.start_in_seconds, cue.end_in_seconds) for cue in cues]
    assert all(a < b for a, b in times)
    assert all(b <= c + 0.002 for (_, b), (c, _) in itertools.pairwise(times))
    start, _planned, _ = plan.placed()[0]
    assert times[0][0] == pytest.approx(float(plan.seconds(start)), abs=0.01)


def test_tapped_times() -> None:
    times = papers._times(("a" * 10, "b" * 30, "c" * 10), {1: Fraction(3)}, Fraction(10))
    assert times[0] == (0, 3)
    assert times[1][1] == pytest.approx(3 + 7 * 0.75)


def test_timeline(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    folder, report, _ = made
    timeline = otio.adapters.read_from_file(str(folder / "timeline.otio"))
    assert [(t.name, t.kind) for t in timeline.tracks] == [
        ("Pictures", "Video"), ("Film sound", "Audio"), ("Voice", "Audio"),
    ]  # fmt: skip
    for track in timeline.tracks:
        assert track.duration().value == report.frames
    assert any(isinstance(item, otio.schema.Stack) for item in timeline.tracks[0])
    assert [marker.name for marker in timeline.tracks[0].markers] == ["The jab", "Ответ", "Only words"]
    voices = [item for item in timeline.tracks[2] if isinstance(item, otio.schema.Clip)]
    assert len(voices) == 2
    for clip in voices:
        path = Path(
            re.sub(
                "^file://",
                "",
                __import__("urllib.parse", fromlist=["unquote"]).unquote(clip.media_reference.target_url),
            )
        )
        with av.open(str(path)) as sound:
            assert float(sound.duration / 1e6) == pytest.approx(
                clip.source_range.duration.to_seconds(), abs=0.05
            )


def test_edl_says_what_it_cannot_hold(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    text = (made[0] / "timeline.edl").read_text()
    for lack in (
        "SOUND AND THE VOICE ARE NOT IN THIS LIST",
        "OF TWO CLIPS AT ONCE THE FIRST",
        "FREEZE",
        "0.5 OF ITS SPEED",
    ):
        assert lack in text
    timeline = otio.adapters.read_from_string(text, "cmx_3600", rate=25)
    assert len(list(timeline.find_clips())) >= 4


def test_sources(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    folder, _, _plan = made
    rows = list(csv.DictReader(io.StringIO((folder / "sources.csv").read_text())))
    assert {(row["fight"], row["point"], row["shot"]) for row in rows} == {
        ("A v B", "The jab", "a try"), ("A v B", "Ответ", "both"), ("C v D", "Ответ", "both"),
    }  # fmt: skip
    first = next(row for row in rows if row["shot"] == "a try")
    assert (first["first_frame"], first["end_frame"], first["in"], first["out"]) == (
        "30",
        "80",
        "0:01.200",
        "0:03.200",
    )
    # Frames 30 to 80 and 100 to 150, each once, of 200 at 25 a second.
    total = len(footage.make("closed gop"))
    assert float(first["seconds_used"]) == pytest.approx(4.0)
    assert float(first["share"]) == pytest.approx(100 / total, abs=1e-3)
    text = (folder / "sources.txt").read_text()
    assert "no legal advice" in text
    assert "4.0 s of it" in text


def test_script_to_read_from(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    text = " ".join(" ".join(page.extract_text() for page in PdfReader(made[0] / "script.pdf").pages).split())
    for said in ("Jabs & <answers>", "1 The jab", "He landed 9 of 14 jabs", "Он нашёл ответ.", "Shots: both"):
        assert said in text


def test_a_folder_that_plays_without_the_library(
    made: tuple[Path, FilmReport, FilmPlan], tmp_path: Path
) -> None:
    folder, report, plan = made
    beside = [path for path in folder.iterdir() if path.suffix in (".txt", ".csv", ".vtt", ".pdf", ".otio")]
    names = write_folder(read(TEXT), plan, report.out, beside, tmp_path / "out")
    assert {"index.html", "film.mp4", "captions.vtt", "script.pdf", "breakdown.md", "manifest.json"} <= set(
        names
    )
    page = (tmp_path / "out" / "index.html").read_text()
    assert "Jabs &amp; &lt;answers&gt;" in page
    assert "<answers>" not in page
    assert not re.search(r"https?://", page)
    write_folder(read(TEXT), plan, report.out, beside, tmp_path / "out")  # ours may be written anew
    (tmp_path / "mine").mkdir()
    with pytest.raises(InputError, match="no bundle of ours"):
        write_folder(read(TEXT), plan, report.out, beside, tmp_path / "mine")


def test_one_new_take_draws_one_point(made: tuple[Path, FilmReport, FilmPlan]) -> None:
    folder, _report, plan = made
    style = Style(ReelSettings(size=(footage.WIDTH, footage.HEIGHT), rate=Fraction(25)))
    again, _ = build_film(plan.title, plan.points, style, folder / "film.mp4", folder / "cache")
    assert (again.made, again.reused) == (0, 3)
    take = TakeFolder.begin(folder / "takes" / "2", "point", ())
    take.put_sound(take.record(0, "audio/wav", given=True), 0, 0, sessions.wav(speech(2)))
    points = [*plan.points[:2], PointFilm("only-words", "Only words", (), take.take())]
    changed, _ = build_film(plan.title, points, style, folder / "other.mp4", folder / "cache")
    assert (changed.made, changed.reused) == (1, 2)


def test_no_point() -> None:
    with pytest.raises(InputError, match="no point to show"):
        plan_film("T", [], Style(ReelSettings()), Path())


def test_mix_off() -> None:
    assert Mix(film=None).film is None
