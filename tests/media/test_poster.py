"""Posters show exactly the frame that was asked for, upright, in square pixels and in the right colours."""

from __future__ import annotations

import dataclasses
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cliplib.core.errors import FootageError
from cliplib.media import ffmpeg
from cliplib.media.poster import Posters
from cliplib.media.probe import probe
from cliplib.media.working import Prepared, prepare
from fixtures import framecode
from tests.media import footage


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("posters")


def prepared(kind: str, folder: Path) -> Prepared:
    return prepare(probe(footage.make(kind).path), folder)


def number(path: Path) -> int | None:
    with Image.open(path) as image:
        luma = np.asarray(image.convert("L"))
    across, down = luma.shape[1] / footage.WIDTH, luma.shape[0] / footage.HEIGHT
    return framecode.read(luma, footage.CODE_X * across, footage.CODE_Y * down, framecode.CELL * across)


def some(count: int) -> list[int]:
    """Ends, both sides of the key pictures every 50 frames and in between, out of order."""
    wanted = [0, count - 1, 1, 49, 50, 51, 26, count - 2, 99, 98, 100, 73, 3]
    return [n for n in wanted if n < count]


@pytest.mark.parametrize(
    "kind",
    [
        *("closed gop", "ntsc", "edit list", "late video", "variable rate", "two tracks", "all intra"),
        *("mpegts wrap", "matroska ntsc", "open gop", "interlaced", "rotated", "h264 avi"),
        "mpegts from the middle",
    ],
)
def test_the_frame_is_the_one_asked_for(kind, folder):
    made, footing = footage.make(kind), prepared(kind, folder)
    with Posters(footing) as posters:
        for frame in some(len(made)):
            posters.write(frame, folder / "p.jpg")
            assert number(folder / "p.jpg") == made.first + frame


@pytest.mark.parametrize(
    "kind", ["closed gop", "open gop", "mpegts", "interlaced", "rotated", "hevc", "h264 avi"]
)
def test_so_it_is_without_a_file_that_can_be_sliced(kind, folder):
    made = footage.make(kind)
    footing = dataclasses.replace(prepared(kind, folder), sliced=None)
    with Posters(footing) as posters:
        for frame in some(len(made))[:8]:
            posters.write(frame, folder / "p.jpg")
            assert number(folder / "p.jpg") == made.first + frame


def test_every_frame_of_a_few_groups(folder):
    with Posters(prepared("closed gop", folder)) as posters:
        for frame in range(40, 110):
            posters.write(frame, folder / "p.jpg")
            assert number(folder / "p.jpg") == frame


@pytest.mark.parametrize(
    "kind", ["closed gop", "ntsc", "edit list", "variable rate", "mpegts", "open gop", "h264 avi", "hevc"]
)
def test_a_near_picture_lies_in_the_clip_and_near_by(kind, folder):
    """Key pictures come every 50 frames at most, so one that costs little is at most half of that away, or all
    of it where the clip ends before the next one."""
    made, footing = footage.make(kind), prepared(kind, folder)
    with Posters(footing) as posters:
        for frame in some(len(made)):
            first, last = max(0, frame - 40), min(len(made), frame + 40)
            posters.write_near(frame, folder / "p.jpg", first, last)
            shown = number(folder / "p.jpg")
            assert shown is not None
            assert made.first + first <= shown < made.first + last
            assert abs(shown - made.first - frame) <= (25 if last < len(made) else 50)


def test_without_a_key_picture_in_the_clip_it_is_the_frame_itself(folder):
    with Posters(prepared("closed gop", folder)) as posters:
        posters.write_near(77, folder / "p.jpg", 60, 95)
    assert number(folder / "p.jpg") == 77


def test_the_key_picture_will_do_when_asked(folder):
    with Posters(prepared("closed gop", folder)) as posters:
        shown = []
        for frame in (0, 49, 50, 75, 199):
            posters.write(frame, folder / "p.jpg", exact=False)
            shown.append(number(folder / "p.jpg"))
    assert shown == [0, 0, 50, 50, 150]


@pytest.mark.parametrize(
    ("kind", "width", "size"),
    [
        ("closed gop", 480, (480, 272)),
        ("closed gop", 320, (320, 181)),  # 272 * 320 / 480 = 181.3
        ("closed gop", 1000, (480, 272)),  # never enlarged
        ("anamorphic", 480, (480, 204)),  # 480 * 4/3 = 640 square pixels across: 272 * 480 / 640
        ("rotated", 480, (480, 272)),
        ("upside down", 240, (240, 136)),
    ],
)
def test_sizes_are_of_square_pixels(kind, width, size, folder):
    with Posters(prepared(kind, folder)) as posters:
        posters.write(10, folder / "p.jpg", width)
    with Image.open(folder / "p.jpg") as image:
        assert image.size == size
        assert image.format == "JPEG"


@pytest.mark.parametrize(
    ("size", "filters", "ycc", "rgb"),
    [
        # Y = 16 + 219 (Kr R + Kg G + Kb B), Cb = 128 + 224 (B-Y)/(2 - 2 Kb), Cr = 128 + 224 (R-Y)/(2 - 2 Kr)
        # with Kr .2126 and Kb .0722 (Rec. ITU-R BT.709), or Kr .299 and Kb .114 (BT.601).
        # Which of them untagged footage is in goes by its size (common practice).
        ("1280x720", "", (63, 102, 240), (255, 0, 0)),
        ("1280x720", "", (173, 42, 26), (0, 255, 0)),
        ("720x576", "", (81, 90, 240), (255, 0, 0)),
        ("720x576", "", (145, 54, 34), (0, 255, 0)),
        ("1280x720", "setparams=colorspace=smpte170m", (81, 90, 240), (255, 0, 0)),
        ("720x576", "setparams=colorspace=bt709", (63, 102, 240), (255, 0, 0)),
        ("1280x720", "", (235, 128, 128), (255, 255, 255)),
    ],
)
def test_colours(size, filters, ycc, rgb, tmp_path):
    width, height = (int(n) for n in size.split("x"))
    planes = [np.full((height, width), ycc[0], np.uint8)]
    planes += [np.full((height // 2, width // 2), value, np.uint8) for value in ycc[1:]]
    command = [ffmpeg.binary(), "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", size]
    command += ["-r", "25", "-i", "-", *(["-vf", filters] if filters else [])]
    command += ["-c:v", "libx264", "-preset", "ultrafast", "-crf", "10", tmp_path / "c.mp4"]
    subprocess.run(command, input=b"".join(p.tobytes() for p in planes) * 2, check=True)
    found = prepare(probe(tmp_path / "c.mp4"), tmp_path)
    for way in (found, dataclasses.replace(found, sliced=None)):
        with Posters(way) as posters:
            posters.write(1, tmp_path / "p.jpg")
        with Image.open(tmp_path / "p.jpg") as image:
            middle = np.asarray(image.convert("RGB"))[100, 100].astype(int)
        assert np.abs(middle - rgb).max() <= 6


def test_a_frame_that_is_not_there_is_an_error(folder):
    with Posters(prepared("closed gop", folder)) as posters:
        for frame in (-1, 200):
            with pytest.raises(FootageError, match="has 200 frames"):
                posters.write(frame, folder / "none.jpg")
    assert not (folder / "none.jpg").exists()


def test_footage_that_went_away_is_an_error(tmp_path):
    copy = Path(shutil.copy(footage.make("all intra").path, tmp_path / "gone.mp4"))
    footing = prepare(probe(copy), tmp_path)
    copy.unlink()
    with pytest.raises(FootageError, match="cannot be read any more"), Posters(footing):
        pass


def test_a_damaged_frame_is_replaced_by_a_neighbour(tmp_path):
    made = footage.make("closed gop")
    data = bytearray(made.path.read_bytes())
    at = len(data) // 2
    data[at : at + 9000] = b"\0" * 9000
    (tmp_path / "damaged.mp4").write_bytes(data)
    footing = prepare(probe(tmp_path / "damaged.mp4"), tmp_path)
    with Posters(footing) as posters:
        for frame in range(80, 120, 3):
            posters.write(frame, tmp_path / "p.jpg")
            with Image.open(tmp_path / "p.jpg") as image:
                assert image.size == (480, 272)
