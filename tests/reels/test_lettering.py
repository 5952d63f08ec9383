"""Text in pictures: any text at all, inside the picture, in the right colours."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw, features

from cliplib.reels import lettering, typefaces
from cliplib.reels.compose import Composer, View
from cliplib.reels.frame_shape import fit, whole

# Private parts: what is known of the machine's typefaces is forgotten, as on another machine.

CANVAS = (1280, 720)
ODD = [
    "Ñandú Ørsted-Łukasz O'Brien “the 100 %” d’Été: 1-2; [x] \\N {\\b1} %{pts} $HOME `id` <b>&amp;</b>",
    "שלום עולם · مرحبا بالعالم",
    "line\nbreak\ttab\x00\x1b[31m\u202ereversed\u2028more",
    "W" * 400,
    "a " * 300,
    "😀 漢字 한글",
]


def rgb(picture: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """By libav's own conversion, BT.709."""
    frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
    frame.colorspace, frame.color_range = 1, 1
    return np.asarray(frame.to_ndarray(format="rgb24"))


def laid(lines: tuple[str, ...], canvas: tuple[int, int], size: tuple[int, int]) -> npt.NDArray[np.bool_]:
    """Where a caption changes a grey picture of that size on a canvas."""
    before = lettering.blank(*canvas, colour=(128, 128, 128))
    after = before.copy()
    made = lettering.caption(lines, canvas, fit(size, canvas).as_tuple())
    assert made is not None
    made.onto(after)
    return (before != after)[: canvas[1]]


@pytest.mark.parametrize("text", ODD)
@pytest.mark.parametrize(
    ("canvas", "size"),
    [
        (CANVAS, CANVAS),
        (CANVAS, (640, 480)),
        ((720, 1280), CANVAS),
        ((320, 180), (320, 180)),
        ((64, 64), (64, 64)),
    ],
)
def test_any_caption_stays_inside_the_picture(
    text: str, canvas: tuple[int, int], size: tuple[int, int]
) -> None:
    rows, columns = np.nonzero(laid((text, text), canvas, size))
    box = fit(size, canvas)
    assert columns.min() >= box.x
    assert columns.max() < box.x + box.width
    assert len(rows) > 0
    if canvas[0] > 100:
        assert np.ptp(rows) < canvas[1] * 0.3  # it must not hide the fight


@settings(max_examples=60)
@given(st.text(max_size=80), st.text(max_size=200))
def test_no_text_fails(first: str, second: str) -> None:
    picture = lettering.blank(*CANVAS)
    made = lettering.caption((first, second), CANVAS, (0, 0, *CANVAS))
    assert (made is None) == (not lettering.clean(first) and not lettering.clean(second))
    if made is not None:
        made.onto(picture)
    lettering.card("title", (first, second), (320, 180))


def test_a_caption_beneath_the_picture_where_there_is_room() -> None:
    rows, _ = np.nonzero(laid(("Adeyemi v Brandt", "jab missed"), (720, 1280), CANVAS))
    box = fit(CANVAS, (720, 1280))
    assert rows.min() > box.y + box.height


def test_text_is_light_on_dark() -> None:
    """Contrast of at least 4.5 to 1, as WCAG 2.2 asks (success criterion 1.4.3), over a white picture too."""

    def luminance(colour: npt.NDArray[np.float64]) -> float:
        share = colour / 255
        linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    picture = lettering.blank(*CANVAS, colour=(255, 255, 255))
    made = lettering.caption(("Adeyemi v Brandt", "jab missed"), CANVAS, (0, 0, *CANVAS))
    assert made is not None
    made.onto(picture)
    area = rgb(picture)[made.y + 4 : made.y + made.inverse[0].shape[0] - 4, made.x + 4 : made.x + 200]
    paper = np.median(area.reshape(-1, 3), axis=0)
    ink = np.percentile(area.reshape(-1, 3), 99.5, axis=0)
    assert (luminance(ink) + 0.05) / (luminance(paper) + 0.05) > 4.5


@pytest.mark.parametrize("text", ["a bc def ghij " * 12, "Wörter, die umbrechen müssen", "x" * 300])
def test_wrapping_loses_nothing_but_what_the_ellipsis_stands_for(text: str) -> None:
    face = typefaces.typeface(20)
    whole = lettering.wrap(text, face, 300, 100)
    assert "".join("".join(whole).split()) == "".join(text.split())
    assert all(face.getlength(line) <= 300 for line in whole)
    short = lettering.wrap(text, face, 300, 1)
    assert len(short) == 1
    assert face.getlength(short[0]) <= 300
    assert short[0].endswith("…") == (len(whole) > 1)


@pytest.mark.parametrize(
    ("colour", "luma"),
    [((255, 255, 255), 235), ((0, 0, 0), 16), ((255, 0, 0), 63), ((0, 255, 0), 173), ((0, 0, 255), 32)],
)
def test_colours_are_those_of_bt709(colour: tuple[int, int, int], luma: int) -> None:
    """Rec. ITU-R BT.709: Y = 16 + 219 (0.2126 R + 0.7152 G + 0.0722 B); and back by libav."""
    picture = lettering.blank(64, 64, colour)
    assert picture[10, 10] == luma
    assert np.abs(rgb(picture)[20:40, 20:40].astype(int) - colour).max() <= 3


def test_laying_on_mixes_as_pillow_does() -> None:
    """Half-transparent colours over a picture, against Pillow's own alpha_composite."""
    random = np.random.default_rng(5)
    blocks = random.integers(0, 256, (6, 8, 4), dtype=np.uint8).repeat(8, 0).repeat(8, 1)
    image = Image.fromarray(blocks)
    picture = lettering.blank(96, 80, (90, 140, 60))
    below = Image.new("RGBA", (96, 80), (90, 140, 60, 255))
    below.alpha_composite(image, (12, 10))
    lettering.overlay(image, 12, 10).onto(picture)
    wanted = np.asarray(below.convert("RGB")).astype(int)
    inside = np.zeros((80, 96), bool)
    for y in range(10, 58, 8):  # the middles of the blocks: chroma has half the resolution
        for x in range(12, 76, 8):
            inside[y + 3 : y + 5, x + 3 : x + 5] = True
    assert np.abs(rgb(picture).astype(int) - wanted)[inside].max() <= 6


@pytest.mark.parametrize(("x", "y"), [(10, 8), (11, 8), (10, 9), (11, 9)])
def test_odd_places_are_kept(x: int, y: int) -> None:
    picture = lettering.blank(64, 48)
    lettering.overlay(Image.new("RGBA", (9, 7), (255, 255, 255, 255)), x, y).onto(picture)
    rows, columns = np.nonzero(picture[:48] > 200)
    assert (rows.min(), rows.max(), columns.min(), columns.max()) == (y, y + 6, x, x + 8)


# --- letters that our own fonts lack -----------------------------------------------------------------------


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A system whose only font, of our making, has 漢 as a full square and क as its lower half."""
    monkeypatch.setattr(typefaces, "folders", lambda: [tmp_path])
    monkeypatch.setattr(typefaces, "_known", {})
    typefaces._installed.cache_clear()
    yield tmp_path
    typefaces._installed.cache_clear()


def _font(out: Path, glyphs: dict[str, int]) -> None:
    """`glyphs`: each character with the height of its block, of 1000 units to the em."""
    builder = FontBuilder(1000, isTTF=True)
    names = {f"block{ord(c)}": tall for c, tall in glyphs.items()}
    builder.setupGlyphOrder([".notdef", *names])
    builder.setupCharacterMap({ord(c): f"block{ord(c)}" for c in glyphs})
    drawn = {".notdef": TTGlyphPen(None).glyph()}
    for name, tall in names.items():
        pen = TTGlyphPen(None)
        pen.moveTo((0, 0))
        for corner in ((0, tall), (1000, tall), (1000, 0)):
            pen.lineTo(corner)
        pen.closePath()
        drawn[name] = pen.glyph()
    builder.setupGlyf(drawn)
    builder.setupHorizontalMetrics(dict.fromkeys(drawn, (1000, 0)))
    builder.setupHorizontalHeader(ascent=1000, descent=0)
    builder.setupOS2()
    builder.setupPost()
    builder.save(out)


def _ink(text: str, size: int = 40) -> npt.NDArray[np.uint8]:
    """Text standing on row 60, from column 10 on."""
    image = Image.new("L", (400, 80), 0)
    typefaces.typeface(size).write(ImageDraw.Draw(image), (10, 60), text, fill=255)
    return np.asarray(image)


def test_what_our_fonts_lack_is_drawn_with_the_systems(installed: Path) -> None:
    _font(installed / "Blocks-Regular.ttf", {"漢": 1000, "क": 500})
    assert typefaces.faults(["漢字"]).startswith("no font on this machine has 字:")
    assert typefaces.faults(["漢क Adeyemi, Łukasz"]) == ""
    ink = _ink("漢क")
    assert ink[22:58, 12:48].min() == 255  # an em square, 40 pixels, on the line
    assert ink[42:58, 52:88].min() == 255
    assert ink[22:38, 52:88].max() == 0
    latin = typefaces.typeface(40).getlength("ab ")
    assert typefaces.typeface(40).getlength("ab 漢क") == pytest.approx(latin + 80, abs=1)
    assert np.array_equal(_ink("ab 漢")[:, : 10 + int(latin)], _ink("ab ")[:, : 10 + int(latin)])


def test_a_line_from_the_right_is_laid_from_the_right(installed: Path) -> None:
    """Hebrew first: what comes after it stands to its left (UAX #9, rule L2), itself from left to right."""
    _font(installed / "Blocks-Regular.ttf", {"漢": 1000, "क": 500})
    ink = _ink("שלום 漢क")
    full = (ink[22:58] == 255).all(axis=0).nonzero()[0]
    assert full.min() < 12
    assert ink[42:58, 52:88].min() == 255
    assert ink[22:38, 52:88].max() == 0
    ink = _ink("a 漢 שלום")
    assert (ink[22:58] == 255).all(axis=0).nonzero()[0].min() > 30


def test_another_font_is_another_drawing_and_none_is_said(installed: Path) -> None:
    assert typefaces.basis(["Adeyemi", "v Brandt…"]) == []
    assert typefaces.basis(["漢"]) == [""]
    _font(installed / "Blocks-Regular.ttf", {"漢": 1000})
    (installed / "Broken.ttf").write_bytes(b"no font at all")
    typefaces._known.clear()
    typefaces._installed.cache_clear()
    assert typefaces.basis(["漢"]) == ["Blocks-Regular.ttf"]
    assert typefaces.faults(["字"]) != ""


@pytest.mark.skipif(not features.check("raqm"), reason="Pillow has no Raqm here")
def test_arabic_is_joined() -> None:
    """Beh alone, and twice: joined, two are narrower than one beside the other (Unicode 15.0, section 9.2)."""
    face = typefaces.typeface(60)
    assert face.getlength("بب") < 2 * face.getlength("ب") - 5
    assert "not joined" not in typefaces.faults(["بب"])


def test_without_shaping_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(typefaces.features, "check", lambda name: False)
    assert typefaces.faults(["بب"]).startswith("Arabic letters are not joined")
    assert typefaces.faults(["Adeyemi v Brandt"]) == ""


def test_a_slow_replay_is_marked_as_one() -> None:
    """Upper right, beneath the number if there is one: nobody takes it for how fast it was (common practice).
    The picture changes there and nowhere else, and is as before when the mark is off."""
    box = (0, 0, *CANVAS)
    alone, beneath = (lettering.speed_badge(Fraction(1, 2), box, beneath=on) for on in (False, True))
    number = lettering.number_badge(3, box)
    assert alone.y == number.y
    assert beneath.y >= number.y + number.inverse[0].shape[0]
    composer = Composer(CANVAS, [fit(CANVAS, CANVAS)])
    film, view = lettering.blank(*CANVAS), [View(whole())]
    plain = composer.compose([film], view, [1]).copy()
    composer.mark = alone
    marked = composer.compose([film], view, [1]).copy()
    changed = np.argwhere(lettering.planes(plain)[0] != lettering.planes(marked)[0])
    assert len(changed) > 100
    assert changed[:, 1].min() > CANVAS[0] // 2
    assert changed[:, 0].max() < CANVAS[1] // 4
    composer.mark = None
    assert (composer.compose([film], view, [1]) == plain).all()
