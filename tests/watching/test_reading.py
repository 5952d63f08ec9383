"""The clock's place and its reading, on drawn graphics of all styles."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from cliplib.watching import clock, clockplace, reading
from fixtures.telecast import graphic

pytestmark = [
    pytest.mark.xdist_group("telecast"),
    pytest.mark.skipif(not reading.available(), reason="the extra `watch` is not installed"),
]
TIMES = ("2:58", "2:31", "1:49", "1:17", "0:42", "0:06")


@pytest.fixture(scope="module")
def reader() -> reading.Reader:
    return reading.Reader()


def pictures(style: int, times: tuple[str, ...] = TIMES) -> list[np.ndarray]:
    """Grey, 640 x 360, with the clock on something that changes."""
    rng = np.random.default_rng(style)
    made = []
    for time in times:
        soft = cv2.resize(
            rng.integers(20, 190, (9, 16, 3)).astype(np.uint8), (640, 360), interpolation=cv2.INTER_CUBIC
        )
        graphic.clock(soft, graphic.STYLES[style], time, 2, 4, "latin")
        made.append(cv2.cvtColor(soft, cv2.COLOR_BGR2GRAY))
    return made


def part(picture: np.ndarray, box: tuple[float, float, float, float]) -> np.ndarray:
    h, w = picture.shape
    x0, y0, x1, y1 = (round(v * s) for v, s in zip(box, (w, h, w, h), strict=True))
    return picture[max(0, y0) : y1, max(0, x0) : x1]


def right(reader: reading.Reader, crops: list[np.ndarray]) -> int:
    read = [clock.parse(*reader.line(crop)) for crop in crops]
    wanted = [int(t[0]) * 60 + int(t[2:]) for t in TIMES]
    return sum(r is not None and r[0] == w for r, w in zip(read, wanted, strict=True))


@pytest.mark.parametrize("style", [1, 5])
def test_a_tight_line_is_read_and_a_loose_one_is_not(style: int, reader: reading.Reader) -> None:
    """With half of the line above it in the crop, many readings are lost: so the place has to be tight."""
    shown = pictures(style)
    place = clockplace.find(shown, reader)
    assert place is not None
    tight = right(reader, [part(p, place.line) for p in shown])
    high = place.line[3] - place.line[1]
    loose_box = (place.line[0], place.line[1] - 0.55 * high, place.line[2], place.line[3])
    loose = right(reader, [part(p, loose_box) for p in shown])
    assert tight == len(TIMES)
    assert loose < tight


def test_a_time_that_never_changes_is_no_clock(reader: reading.Reader) -> None:
    assert clockplace.find(pictures(0, ("1:30",) * 4), reader) is None


def test_a_film_without_a_clock_has_none(reader: reading.Reader) -> None:
    rng = np.random.default_rng(9)
    blank = [cv2.resize(rng.integers(0, 255, (9, 16)).astype(np.uint8), (640, 360)) for _ in range(3)]
    assert clockplace.find(blank, reader) is None
