"""Drawings are where they were drawn, to the pixel, in the finished reel: as filmed, mirrored, zoomed."""

from __future__ import annotations

import subprocess
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
import pytest

from cliplib.media import ffmpeg
from cliplib.media.working import Prepared
from cliplib.reels.build import build
from cliplib.reels.drawings import horizontal_share
from cliplib.reels.parts import Drawing, Freeze, ReelPart, ReelSettings, Treatment, Zoom
from tests.reels.reel_parts import source_of

WIDTH, HEIGHT, BAR = 640, 480, 60  # the footage, 640 x 360, lies between bars of 60
WHITE = "#ffffff"
Shape = tuple[bool, tuple[float, float, float, float] | None]

SHAPES: list[Shape] = [
    (False, None),
    (True, None),
    (False, (0.25, 0.25, 0.5, 0.5)),
    (True, (0.25, 0.25, 0.5, 0.5)),
    (True, (0.4, 0.1, 0.4, 0.4)),
]


@pytest.fixture(scope="module")
def grey(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    out = tmp_path_factory.mktemp("grey") / "grey.mp4"
    command = [
        ffmpeg.binary(),
        "-v",
        "error",
        "-f",
        "lavfi",
        "-i",
        "color=gray:s=640x360:r=25:d=2",
        "-c:v",
        "libx264",
    ]
    subprocess.run([*command, out], check=True)
    return source_of(out)


def rendered(grey: Prepared, tmp_path: Path, drawing: Drawing, shape: Shape) -> npt.NDArray[np.float64]:
    """How far each pixel of the part's last frame is drawn on, from 0 to 1."""
    mirror, region = shape
    treatment = Treatment(
        mirror=mirror,
        zoom=Zoom(region, move_us=40_000) if region else None,
        drawings=(drawing,),
    )
    settings = ReelSettings(size=(WIDTH, HEIGHT), rate=Fraction(25), cards=False, preset="archive")
    part = ReelPart(grey, 10, 20, treatment=treatment)
    report = build([part], tmp_path / "reel.mp4", settings, tmp_path / "cache")
    return drawn(report.out)[-1]


def drawn(path: Path) -> list[npt.NDArray[np.float64]]:
    """White on grey, by luma, which has every pixel (chroma has a quarter of them)."""
    with av.open(str(path)) as container:
        lumas = [frame.to_ndarray()[: frame.height].astype(float) for frame in container.decode(video=0)]
    return [np.clip((luma - 150) / 80, 0, 1) for luma in lumas]


def where(point: tuple[float, float], shape: Shape) -> tuple[float, float]:
    """Pixels of the reel, by this test's own arithmetic: crop, turn round, scale, move down by the bar."""
    (x, y), (mirror, region) = point, shape
    left, top, side = (region[0], region[1], region[2]) if region else (0.0, 0.0, 1.0)
    x, y = (x - left) / side, (y - top) / side
    return (1 - x if mirror else x) * 640, y * 360 + BAR


@pytest.mark.parametrize("shape", SHAPES, ids=str)
@pytest.mark.parametrize("kind", ["line", "path"])
def test_lines_are_where_they_were_drawn(kind: str, shape: Shape, grey: Prepared, tmp_path: Path) -> None:
    """The middle of the stroke's cross-section, in many rows, against the line through both ends."""
    ends = ((0.45, 0.2), (0.7, 0.45)) if shape[1] == SHAPES[-1][1] else ((0.35, 0.3), (0.62, 0.7))
    points = ends if kind == "line" else (ends[0], tuple(np.mean(ends, axis=0)), ends[1])
    seen = rendered(grey, tmp_path, Drawing(kind, points, colour=WHITE), shape)
    (x0, y0), (x1, y1) = (where(p, shape) for p in ends)
    checked = 0
    for row in range(int(y0) + 8, int(y1) - 8, 3):
        if seen[row].sum() < 1 or not BAR + 5 < row < BAR + 355:
            continue
        middle = (np.arange(WIDTH) + 0.5) @ seen[row] / seen[row].sum()
        expected = x0 + (row + 0.5 - y0) / (y1 - y0) * (x1 - x0)
        assert abs(middle - expected) < 0.6
        checked += 1
    assert checked > 30


@pytest.mark.parametrize("shape", SHAPES[:4], ids=str)
def test_circles_and_boxes_are_where_they_were_drawn(shape: Shape, grey: Prepared, tmp_path: Path) -> None:
    box = rendered(grey, tmp_path, Drawing("box", ((0.4, 0.4), (0.6, 0.65)), colour=WHITE), shape)
    xs, ys = zip(where((0.4, 0.4), shape), where((0.6, 0.65), shape), strict=True)
    rows, columns = np.nonzero(box > 0.5)
    assert rows.min() + rows.max() + 1 == pytest.approx(sum(ys), abs=2)
    assert columns.min() + columns.max() + 1 == pytest.approx(sum(xs), abs=2)
    across = box[int(sum(ys) / 2)]
    edges = [((np.arange(WIDTH) + 0.5) * across)[half].sum() / across[half].sum() for half in
             (slice(0, int(sum(xs) / 2)), slice(int(sum(xs) / 2), WIDTH))]  # fmt: skip
    assert edges == pytest.approx(sorted(xs), abs=1)
    circle = rendered(grey, tmp_path, Drawing("circle", ((0.5, 0.5), (0.58, 0.5)), colour=WHITE), shape)
    middle, rim = where((0.5, 0.5), shape), where((0.58, 0.5), shape)
    rows, columns = np.nonzero(circle > 0.5)
    distances = np.hypot(columns + 0.5 - middle[0], rows + 0.5 - middle[1])
    assert distances.mean() == pytest.approx(abs(rim[0] - middle[0]), abs=1)
    assert distances.std() < 2


def test_an_arrow_points_at_its_second_end(grey: Prepared, tmp_path: Path) -> None:
    for mirror in (False, True):
        seen = rendered(
            grey, tmp_path, Drawing("arrow", ((0.3, 0.5), (0.7, 0.5)), colour=WHITE), (mirror, None)
        )
        rows, columns = np.nonzero(seen > 0.5)
        tall = [np.ptp(rows[columns == x]) for x in range(columns.min(), columns.max() + 1)]
        head = len(tall) - 1 - int(np.argmax(tall)) if not mirror else int(np.argmax(tall))
        assert head < 20  # the barbs are at the head's end
        tip = columns.min() if mirror else columns.max()
        assert abs(tip - where((0.7, 0.5), (mirror, None))[0]) < 3


def test_an_angle_says_its_degrees_and_text_reads_when_mirrored(grey: Prepared, tmp_path: Path) -> None:
    """Text is drawn after mirroring: at the mirrored place, the same letters."""
    letters = []
    for mirror in (False, True):
        seen = rendered(
            grey, tmp_path, Drawing("text", ((0.4, 0.5),), colour=WHITE, text="LEAD FOOT"), (mirror, None)
        )
        rows, columns = np.nonzero(seen > 0.5)
        assert abs(columns.min() - where((0.4, 0.5), (mirror, None))[0]) < 4
        assert abs(rows.max() - where((0.4, 0.5), (mirror, None))[1]) < 4
        letters.append(seen[rows.min() : rows.min() + 14, columns.min() : columns.min() + 90])
    assert np.abs(letters[0] - letters[1]).mean() < 0.08
    square = Drawing("angle", ((0.5, 0.2), (0.5, 0.5), (0.5 + 0.3 * 9 / 16, 0.5)), colour=WHITE)
    assert rendered(grey, tmp_path, square, (False, None)).sum() > 300


def test_drawings_come_and_go_at_their_times(grey: Prepared, tmp_path: Path) -> None:
    """Visible on frames with from <= time < until, and only on the shots asked for."""
    timed = Drawing("line", ((0.3, 0.3), (0.6, 0.6)), 480_000, 640_000, WHITE)
    frozen = Drawing("line", ((0.3, 0.8), (0.6, 0.8)), colour=WHITE, shots=("freeze",))
    treatment = Treatment(freeze=Freeze(200_000), drawings=(timed, frozen))
    part = ReelPart(grey, 5, 25, moments_us=(600_000,), treatment=treatment)
    settings = ReelSettings(rate=Fraction(25), cards=False)
    shown = drawn(build([part], tmp_path / "r.mp4", settings, tmp_path / "c").out)
    # Frames 12 to 15 are at 0.48 to 0.60 s; frame 15 is held five times more.
    upper = [bool(seen[:250].sum() > 20) for seen in shown]
    lower = [bool(seen[270:].sum() > 20) for seen in shown]
    assert [5 + k for k, on in enumerate(upper[:11]) if on] == [12, 13, 14, 15]
    assert upper[11:16] == [True] * 5
    assert not any(upper[16:])
    assert lower == [False] * 11 + [True] * 5 + [False] * 9


def test_drawings_stay_inside_the_picture(grey: Prepared, tmp_path: Path) -> None:
    drawing = Drawing("line", ((-0.5, -0.5), (1.5, 1.5)), colour=WHITE, width=0.05)
    seen = rendered(grey, tmp_path, drawing, (False, None))
    assert seen[: BAR - 2].max() < 0.3
    assert seen[BAR + 362 :].max() < 0.3
    assert (
        rendered(grey, tmp_path, Drawing("line", ((2, 2), (2, 3)), colour=WHITE), (False, None)).max() < 0.1
    )


def test_horizontal_share_is_a_measure_of_the_picture() -> None:
    """Head line at x = 0.5, lead-foot line at 0.6, stance 0.2 wide in a 16:9 picture: half a stance."""
    head = Drawing("line", ((0.5, 0.1), (0.5, 0.3)))
    foot = Drawing("line", ((0.6, 0.8), (0.6, 0.9)))
    stance = Drawing("line", ((0.45, 0.9), (0.65, 0.9)))
    height = Drawing("line", ((0.5, 0.1), (0.5, 0.9)))
    assert horizontal_share(head, foot, stance, 16 / 9) == pytest.approx(0.5)
    # 0.1 of the width is 0.1 * 16 / 9 of the height; the fighter is 0.8 of it tall.
    assert horizontal_share(foot, head, height, 16 / 9) == pytest.approx(0.1 * 16 / 9 / 0.8)
    with pytest.raises(ValueError, match="no length"):
        horizontal_share(head, foot, Drawing("line", ((0.1, 0.1), (0.1, 0.1))), 1)
