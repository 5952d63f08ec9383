"""Whatever a file does to what decodes it: the process that asked goes on, says which file it was, and nothing
that is stored changes."""

from __future__ import annotations

import os
import resource
import struct
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from cliplib import Library
from cliplib.core.errors import Cancelled, ClipLibError, FootageError
from cliplib.media import ffmpeg
from cliplib.media.apart import asking, jobs
from cliplib.media.frames import FrameReader
from cliplib.media.probe import Probe, probe
from cliplib.media.sound import read_sound
from cliplib.media.working import prepare
from tests.libraries import ROWS, dump, make_fight
from tests.media import footage
from tests.trust import harmful
from tests.trust.harmful import WAYS, tried

# Private parts: the limit is lowered, so that it is reached.

ROOT = Path(__file__).parents[2]


class Harm:
    """Jobs whose target begins with one of `aims` do `deed` instead."""

    def __init__(self) -> None:
        self.aims: tuple[str, ...] = ()
        self.deed = ""
        self.done = 0


@pytest.fixture
def harm(monkeypatch: pytest.MonkeyPatch) -> Iterator[Harm]:
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setattr(asking, "STALL_S", 0.5)
    crew, harm, real = asking.Crew(), Harm(), asking.Apart.__init__
    monkeypatch.setattr(asking, "CREW", crew)

    def init(self: asking.Apart, what: object, target: str, *args: Any) -> None:
        harmful_one = bool(harm.aims) and target.startswith(harm.aims)
        # Of the clock, so not for what is only slow.
        silence = 0.5 if harmful_one and harm.deed == "hang" else 900.0
        monkeypatch.setattr(asking, "LONGEST_SILENCE_S", silence)
        if harmful_one:
            harm.done += 1
            target, args = "tests.trust.harmful:do", (harm.deed, *args)
        real(self, what, target, *args)

    monkeypatch.setattr(asking.Apart, "__init__", init)
    yield harm
    crew.end()


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("harm")
    make_fight(place / "fights" / "one")
    library = Library(place / "library", create=True)
    assert library.logging.ingest([place / "fights"]).exit_code == 0
    library.close()
    return place / "library"


SAID = {
    "segv": r"crashed what reads it \(signal 11\)",
    "loop": "kept the processor busy without end",
    "eat": "needs more memory than it may have",
    "hang": "nothing came of it for too long",
    "lie": "broke what reads it .ZeroDivisionError",
}
DECODING, PAINTING = "cliplib.media.apart.decoding:", "cliplib.media.apart.painting:"
RECODING, PROBING = "cliplib.media.apart.recoding:", "cliplib.media.apart.probing:"
WORK: dict[str, tuple[str, Callable[[Library], object]]] = {
    "a still": (PAINTING, lambda library: library.making.still(1, 30)),
    "a portable clip": (RECODING, lambda library: library.making.portable(1)),
    "pictures of a reel": (DECODING + "Frame", lambda library: library.making.make_reel([1], title="One")),
    "sound of a reel": (DECODING + "sound", lambda library: library.making.make_reel([1, 2], title="Two")),
}


@pytest.mark.parametrize("deed", harmful.DEEDS)
@pytest.mark.parametrize("work", WORK)
def test_harm_ends_in_words(stored: Path, harm: Harm, work: str, deed: str) -> None:
    before, listed = dump(stored), sorted(p for p in (stored / "reels").rglob("*") if p.is_file())
    library = Library(stored)
    harm.aims, harm.deed = (WORK[work][0],), deed
    with pytest.raises(FootageError, match=f"fight.mp4 .*{SAID[deed]}"):
        WORK[work][1](library)
    assert harm.done
    assert dump(stored) == before
    assert sorted(p for p in (stored / "reels").rglob("*") if p.is_file()) == listed
    assert not [p for p in stored.rglob("*") if ".part" in p.name or ".spool" in p.name]
    assert library.finding.find("jab").total == 1
    library.close()


@pytest.mark.parametrize("aim", ["Frame", "sound"])
def test_a_reel_is_stopped_also_while_a_decoder_hangs(stored: Path, harm: Harm, aim: str) -> None:
    library = Library(stored)
    harm.aims, harm.deed = (DECODING + aim,), "wait"

    def progress(stage: str, done: int, total: int) -> None:
        if harm.done:
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        library.making.make_reel([1, 2], title="Three", progress=progress)
    assert not [p for p in stored.rglob("*") if ".part" in p.name]
    library.close()


def test_an_ingest_is_stopped_also_while_a_decoder_hangs(tmp_path: Path, harm: Harm) -> None:
    """And goes on when it is begun again."""
    make_fight(tmp_path / "fights" / "one")
    library = Library(tmp_path / "library", create=True)
    harm.aims, harm.deed = (PAINTING,), "wait"

    def progress(stage: str, done: int, total: int) -> None:
        if stage.startswith("cutting") and done:
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        library.logging.ingest([tmp_path / "fights"], progress=progress)
    assert not [p for p in tmp_path.rglob("*") if ".part" in p.name]
    harm.aims = ()
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    assert len(list((tmp_path / "library" / "posters").glob("*/*.jpg"))) == 2
    library.close()


def test_without_harm_it_all_works(stored: Path, harm: Harm, tmp_path: Path) -> None:
    """So it was the harm that failed; and the processes that did it are not asked again."""
    library = Library(stored)
    for _, work in WORK.values():
        assert work(library)
    assert not harm.done
    library.close()


@pytest.mark.parametrize("deed", harmful.DEEDS)
@pytest.mark.parametrize("aim", [PROBING, PAINTING])
def test_one_fights_footage_does_the_others_no_harm(tmp_path: Path, harm: Harm, aim: str, deed: str) -> None:
    """In one ingest: the fight with the harmful footage is reported, the other is cut; and once its footage
    does no harm any more it is cut as if nothing had been."""
    fights, root = tmp_path / "fights", tmp_path / "library"
    make_fight(fights / "good")
    library = Library(root, create=True)
    assert library.logging.ingest([fights]).exit_code == 0
    good = {path: path.read_bytes() for path in root.glob("*s/*/*")}
    assert len(good) == 4, "two clips with their posters"
    make_fight(fights / "harmful", kind="ntsc", title="Cole v Diaz", rows=ROWS)
    harm.aims, harm.deed = (aim,), deed
    report = library.logging.ingest([fights])
    assert harm.done
    assert report.exit_code == 2
    first, second = sorted(report.fights, key=lambda fight: fight.folder)
    assert not [*first.errors, *first.problems]
    said = " ".join(map(str, (*second.errors, *second.problems)))
    assert "harmful/fight.mp4" in said
    assert {path: path.read_bytes() for path in good} == good
    harm.aims = ()
    assert library.logging.ingest([fights]).exit_code == 0
    assert len(list(root.glob("clips/*/*.mp4"))) == 4
    assert not library.care.check(deep=True)
    library.close()


# --- files that are made to do it -------------------------------------------------------------------------


@pytest.mark.parametrize("way", WAYS)
def test_a_film_of_a_terabyte_of_nothing_ends_soon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    """A stream that begins well and then is a hole, as a failing recorder leaves it."""
    monkeypatch.setattr(asking, "STALL_S", 1.0)
    path = tmp_path / "hole.ts"
    path.write_bytes(footage.make("mpegts").path.read_bytes()[: 188 * 600])
    os.truncate(path, 1 << 40)
    said = tried(path, way, tmp_path, "mpegts")
    assert "kept the processor busy" in said
    assert not (tmp_path / "clip.mp4").exists()


def _gif(width: int, height: int) -> bytes:
    """GIF89a with one picture of a single pixel on a canvas of any size."""
    return (
        b"GIF89a" + struct.pack("<HHBBB", width, height, 0x80, 0, 0) + b"\0\0\0\xff\xff\xff"
        b"\x21\xf9\4\0\0\0\0\0" + b"," + struct.pack("<HHHHB", 0, 0, 1, 1, 0) + b"\2\2\x44\1\0;"
    )


@pytest.mark.parametrize("size", [(65535, 65535), (8193, 2), (2, 65535)])
def test_a_canvas_without_end_is_refused(tmp_path: Path, size: tuple[int, int]) -> None:
    path = tmp_path / "huge.gif"
    path.write_bytes(_gif(*size))
    with pytest.raises(FootageError, match=r"at most 8192 pixels|cannot be read|no picture"):
        probe(path)


@pytest.mark.parametrize("way", WAYS[:-1])
def test_nor_does_it_fill_this_process_if_it_came_so_far(tmp_path: Path, way: str) -> None:
    """65,535 x 65,535 pixels are 17 GB: more than a process asking may have."""
    path = tmp_path / "huge.gif"
    path.write_bytes(_gif(65535, 65535))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    said = tried(path, way, tmp_path)
    assert said or way == "sound"  # of which there is none
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < before + (200 << 10)
    assert not (tmp_path / "clip.mp4").exists()
    assert not (tmp_path / "p.jpg").exists()


def test_pictures_that_change_their_size(tmp_path: Path) -> None:
    """A stream of small pictures followed by some of another shape: each is scaled to what was asked."""
    path = tmp_path / "grows.ts"
    small, large = (footage.make(kind).path for kind in ("closed gop", "rotated"))
    pieces = []
    for number, source in enumerate((small, large)):
        piece = tmp_path / f"{number}.ts"
        streams = ffmpeg.inputs(source)["V:0"]
        more: dict[str, Any] = (
            {"vf": "scale=1920:96", "vcodec": "libx264", "output_ts_offset": 30}
            if number
            else {"vcodec": "copy"}
        )
        ffmpeg.run(ffmpeg.output(streams, path=piece, **more))
        pieces.append(piece.read_bytes())
    path.write_bytes(b"".join(pieces))
    found = probe(path)
    with FrameReader(path, found.info, found.timeline, (64, 36)) as reader:
        shapes = {picture.shape for _, picture in reader.read(range(found.info.frames))}
    assert shapes == {(54, 64)}


def test_a_working_copy_grows_no_longer_than_the_footage_can_need(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ffmpeg writes where it was told to, and no more than that."""
    found = probe(footage.make("hevc").path)
    monkeypatch.setattr("cliplib.media.working._most_bytes", lambda found: 20_000)
    made = prepare(Probe(found.path, found.info, found.timeline), tmp_path)
    assert made.sliced is None
    assert "a longer file than the footage can need" in made.why
    assert not list(tmp_path.iterdir())
    monkeypatch.undo()
    assert prepare(found, tmp_path).sliced is not None


def test_sound_that_is_no_number(tmp_path: Path) -> None:
    """IEEE 754 has numbers that are none; they would reach everything that is mixed with them."""
    path = tmp_path / "nan.mkv"
    source = ffmpeg.inputs(footage.make("closed gop").path)
    ffmpeg.run(ffmpeg.output(source["V:0"], source["a:0"], path=path, vcodec="copy", acodec="pcm_f32le"))
    data = bytearray(path.read_bytes())
    for at in range(len(data) * 6 // 10, len(data) * 9 // 10, 4096):
        data[at : at + 8] = struct.pack("<ff", float("nan"), float("inf"))
    path.write_bytes(data)
    found = probe(path)
    samples = read_sound(path, found.info, Fraction(0), 7 * 48_000)
    assert samples.any()
    assert not (samples != samples).any()  # what is no number equals nothing, itself included
    assert abs(samples).max() < 100


def test_every_decoder_of_footage_is_in_a_process_apart() -> None:
    """Nothing that decodes is imported by what runs here, but by name, over there."""
    apart_only = ("decoding", "painting", "probing", "recoding", "scanning", "packets")
    for path in sorted((ROOT / "cliplib").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if path.stem in apart_only:
            continue
        for name in apart_only:
            assert f"import {name}" not in text, path
            assert f".{name} import" not in text, path
        if "import av" in text:
            assert path.stem in ("encoding", "joining", "sound"), path
            assert ".decode(" not in text, path
    assert {name.rpartition(".")[2] for name in jobs.COMMON} < set(apart_only)


def test_a_still_is_a_picture(stored: Path) -> None:
    library = Library(stored)
    with Image.open(library.making.still(1, 31)) as image:
        assert image.size == (footage.WIDTH, footage.HEIGHT)
    with pytest.raises(ClipLibError):
        library.making.still(1, 100_000)
    library.close()
