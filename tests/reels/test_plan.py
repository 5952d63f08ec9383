"""What a reel will show, decided without reading a file."""

from __future__ import annotations

import dataclasses
import itertools
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cliplib.core.errors import InputError
from cliplib.core.models import FootageInfo
from cliplib.core.timebase import Timeline
from cliplib.media.joining import samples_before
from cliplib.media.working import Prepared
from cliplib.reels.frame_shape import Box, Frame, fit, region, whole
from cliplib.reels.parts import Freeze, ReelPart, ReelSettings, Slow, Treatment, Zoom
from cliplib.reels.plan import choose_encoding, nearest_rate, plan_reel
from cliplib.reels.shots import shots_of, zoom_amounts

NTSC = Fraction(30000, 1001)


def footage(
    frames: int = 100,
    rate: Fraction = Fraction(25),
    size: tuple[int, int] = (1280, 720),
    *,
    aspect: Fraction = Fraction(1),
    rotation: int = 0,
    base: Fraction | None = None,
    name: str = "a",
) -> Prepared:
    """Footage that isn't there: constant rate, times rounded to `base` (default: exact)."""
    base = base or 1 / rate / 512
    pts = np.array([round(Fraction(n) / rate / base) for n in range(frames)], dtype=np.int64)
    line = Timeline(pts, round(Fraction(frames) / rate / base), base)
    info = FootageInfo(
        "mov", "h264", *size, aspect, rotation, False, rate, False, base, frames,
        line.duration_us, 0, (), True,
        "", 1, name,
    )  # fmt: skip
    return Prepared(Path(f"{name}.mp4"), None, info, line, "")


def frames_of(part: ReelPart, rate: Fraction) -> list[int]:
    return [frame for shot in shots_of(part, rate) for frame in shot.frames]


# --- which frames -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [Fraction(25), NTSC, Fraction(24000, 1001), Fraction(50)])
def test_one_rate_shows_each_frame_once(rate: Fraction) -> None:
    assert frames_of(ReelPart(footage(rate=rate), 10, 63), rate) == list(range(10, 63))


@pytest.mark.parametrize("rate", [Fraction(25), NTSC, Fraction(24000, 1001), Fraction(30), Fraction(60)])
def test_times_rounded_to_milliseconds_neither_repeat_nor_drop(rate: Fraction) -> None:
    """Matroska keeps whole milliseconds (its default TimestampScale, RFC 9559 section 5.1.2.9)."""
    part = ReelPart(footage(2000, rate, base=Fraction(1, 1000)), 7, 1900)
    assert frames_of(part, rate) == list(range(7, 1900))


def test_film_to_video_repeats_two_and_three_times() -> None:
    """The pulldown every editor knows: 24 frames fill 60 by turns of two and three (common practice)."""
    shown = frames_of(ReelPart(footage(rate=Fraction(24)), 0, 24), Fraction(60))
    assert len(shown) == 60
    counts = [shown.count(n) for n in range(24)]
    assert set(counts) == {2, 3}
    assert all(a != b for a, b in itertools.pairwise(counts))


def test_thirty_to_twenty_five_drops_every_sixth() -> None:
    shown = frames_of(ReelPart(footage(rate=Fraction(30)), 0, 60), Fraction(25))
    assert len(shown) == 50
    assert shown == sorted(set(shown))
    assert max(b - a for a, b in itertools.pairwise(shown)) == 2


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 80),
    st.sampled_from([Fraction(25), NTSC, Fraction(12), Fraction(50), Fraction(2500, 83)]),
    st.sampled_from([Fraction(25), NTSC, Fraction(24000, 1001), Fraction(60)]),
)
def test_length_is_kept_to_half_a_frame(frames: int, source: Fraction, rate: Fraction) -> None:
    shown = frames_of(ReelPart(footage(100, source), 3, 3 + frames), rate)
    assert shown == sorted(shown)
    assert shown[0] == 3 or len(shown) < frames
    assert len(shown) == 1 or abs(Fraction(len(shown)) / rate - frames / source) <= 1 / rate / 2


def test_frames_outside_the_footage_are_refused() -> None:
    with pytest.raises(InputError, match="not in footage of 100 frames"):
        shots_of(ReelPart(footage(), 90, 101), Fraction(25))


def test_sound_never_drifts() -> None:
    """An hour of 30000/1001 is 107,892 frames (drop-frame arithmetic of SMPTE ST 12-1) and 3,599.9964 s."""
    assert samples_before(107892, NTSC) == int(Fraction(107892) * 1001 / 30000 * 48000) == 172799827
    lengths = [samples_before(n + 33, NTSC) - samples_before(n, NTSC) for n in range(0, 33 * 400, 33)]
    assert sum(lengths) == samples_before(33 * 400, NTSC)
    assert max(lengths) - min(lengths) <= 1


# --- slowly and still -------------------------------------------------------------------------------------


def test_half_speed_shows_each_frame_twice_from_just_before_the_action() -> None:
    treatment = Treatment(slow=Slow(Fraction(1, 2), before_us=200_000, after_us=400_000))
    part = ReelPart(footage(), 10, 90, moments_us=(1_600_000,), treatment=treatment)
    play, slow = shots_of(part, Fraction(25))
    assert list(play.frames) == list(range(10, 90))
    # 25 frames a second: 1.6 s is frame 40; 0.2 s before it 35, 0.4 s after it 50
    assert list(slow.frames) == [n for n in range(35, 50) for _ in range(2)]
    assert slow.sound == ""


@pytest.mark.parametrize(("speed", "times"), [(Fraction(1, 4), 4), (Fraction(1, 3), 3), (Fraction(1), 1)])
def test_slow_speeds_repeat_real_frames(speed: Fraction, times: int) -> None:
    part = ReelPart(footage(), 0, 100, moments_us=(2_000_000,), treatment=Treatment(slow=Slow(speed)))
    shown = shots_of(part, Fraction(25))[1].frames
    assert all(shown.count(n) == times for n in set(shown))


def test_freeze_holds_the_action_inside_the_slow_replay() -> None:
    treatment = Treatment(slow=Slow(before_us=200_000, after_us=400_000), freeze=Freeze(1_000_000))
    part = ReelPart(footage(), 10, 90, moments_us=(1_200_000, 1_600_000), treatment=treatment)
    kinds = [shot.kind for shot in shots_of(part, Fraction(25))]
    assert kinds == ["play", "slow", "freeze", "slow"]
    _, before, held, after = shots_of(part, Fraction(25))
    assert set(held.frames) == {40}
    assert len(held.frames) == 25
    assert before.frames[-1] == 40
    assert after.frames[0] == 41
    # What was sounding goes on where it stopped: half a second of film takes one of reel.
    assert after.start == before.start + Fraction(len(before.frames), 25) / 2


def test_freeze_without_replay_is_in_the_play() -> None:
    part = ReelPart(footage(), 10, 90, moments_us=(1_600_000,), treatment=Treatment(freeze=Freeze(500_000)))
    before, held, after = shots_of(part, Fraction(25))
    assert [*before.frames, *after.frames] == list(range(10, 90))
    assert set(held.frames) == {40}
    assert (
        len(held.frames) == 12
    )  # half a second of 25 is twelve and a half, and halves go to the even number


def test_an_action_logged_on_a_frame_is_frozen_on_that_frame() -> None:
    """At 30000/1001 most frames begin between two microseconds, and their time is rounded down."""
    source = footage(rate=Fraction(30000, 1001))
    for frame in range(20, 60):
        moment = source.timeline.us_of(frame)
        part = ReelPart(source, 10, 90, moments_us=(moment,), treatment=Treatment(freeze=Freeze()))
        (held,) = (shot for shot in shots_of(part, Fraction(30000, 1001)) if shot.kind == "freeze")
        assert set(held.frames) == {frame}


def test_no_action_known_takes_the_middle() -> None:
    held = shots_of(ReelPart(footage(), 20, 40, treatment=Treatment(freeze=Freeze())), Fraction(25))[1]
    assert set(held.frames) == {30}


def test_faster_than_life_is_refused() -> None:
    with pytest.raises(InputError, match="not slow"):
        shots_of(ReelPart(footage(), 0, 9, treatment=Treatment(slow=Slow(Fraction(2)))), Fraction(25))


def test_zoom_moves_smoothly_and_stays() -> None:
    zoom = Zoom((0.2, 0.2, 0.3, 0.4), after_us=400_000, move_us=800_000)
    shots = shots_of(ReelPart(footage(), 0, 60), Fraction(25))
    amounts = zoom_amounts(shots, zoom, Fraction(25))
    assert amounts[:11] == [0.0] * 11
    assert amounts[30:] == [1.0] * 30
    assert all(a <= b for a, b in itertools.pairwise(amounts))
    steps = np.diff(amounts[10:31])
    assert steps.argmax() not in (0, len(steps) - 1)  # fastest in the middle: eased at both ends
    assert max(steps) < 0.1


def test_zoom_can_wait_for_the_replay() -> None:
    part = ReelPart(footage(), 0, 50, treatment=Treatment(slow=Slow()))
    play, slow = shots_of(part, Fraction(25))
    amounts = zoom_amounts(
        (play, slow), Zoom((0, 0, 0.5, 0.5), move_us=40_000, shots=("slow",)), Fraction(25)
    )
    assert set(amounts[: len(play.frames) + 1]) == {0.0}
    assert set(amounts[len(play.frames) + 1 :]) == {1.0}


# --- shape ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "canvas", "box"),
    [
        ((640, 480), (1280, 720), Box(160, 0, 960, 720)),  # 4:3 in 16:9: pillars of 160
        ((1280, 720), (640, 480), Box(0, 60, 640, 360)),  # 16:9 in 4:3: bars of 60
        ((1920, 1080), (1280, 720), Box(0, 0, 1280, 720)),
        ((720, 1280), (1280, 720), Box(438, 0, 404, 720)),  # upright: 405 wide, made even
        ((1280, 720), (720, 1280), Box(0, 438, 720, 404)),
    ],
)
def test_bars_and_never_stretching(size: tuple[int, int], canvas: tuple[int, int], box: Box) -> None:
    assert fit(size, canvas) == box


@settings(max_examples=100, deadline=None)
@given(*[st.integers(32, 4000)] * 2, *[st.integers(32, 1000).map(lambda n: 2 * n)] * 2)
def test_a_fitted_box_is_even_inside_and_true_to_shape(w: int, h: int, cw: int, ch: int) -> None:
    box = fit((w, h), (cw, ch))
    assert all(value % 2 == 0 for value in box.as_tuple())
    assert box.x >= 0
    assert box.y >= 0
    assert box.x + box.width <= cw
    assert box.y + box.height <= ch
    scale = min(cw / w, ch / h)
    assert abs(box.width - w * scale) <= 2
    assert abs(box.height - h * scale) <= 2


def test_a_region_takes_the_pictures_shape_and_stays_inside() -> None:
    near = region((0.9, 0.0, 0.1, 0.3))
    assert near.width == near.height == pytest.approx(0.3)
    assert near.x == pytest.approx(0.7)
    assert near.y == 0


def test_places_follow_mirror_and_zoom() -> None:
    box = Box(100, 50, 800, 400)
    assert Frame(box, whole(), False).place((0.25, 0.5)) == (300, 250)
    assert Frame(box, whole(), True).place((0.25, 0.5)) == (700, 250)
    near = region((0.25, 0.25, 0.5, 0.5))
    assert Frame(box, near, False).place((0.25, 0.75)) == (100, 450)
    assert Frame(box, near, True).place((0.25, 0.75)) == (900, 450)


# --- size and rate ----------------------------------------------------------------------------------------


def encoding(*sources: Prepared, **chosen: object) -> tuple[int, int, Fraction]:
    made = choose_encoding([ReelPart(s, 0, 10) for s in sources], ReelSettings(**chosen))  # type: ignore[arg-type]
    return made.width, made.height, made.rate


def test_the_commonest_size_and_rate_are_taken() -> None:
    sources = [footage(), footage(rate=NTSC, size=(640, 480)), footage(rate=NTSC, size=(640, 480))]
    assert encoding(*sources) == (640, 480, NTSC)


def test_ties_go_to_the_larger() -> None:
    assert encoding(footage(), footage(rate=NTSC, size=(640, 480))) == (1280, 720, NTSC)


def test_large_sources_are_scaled_down_and_small_ones_not_up() -> None:
    assert encoding(footage(size=(3840, 2160)))[:2] == (1280, 720)
    assert encoding(footage(size=(2160, 3840)))[:2] == (720, 1280)
    assert encoding(footage(size=(320, 240)))[:2] == (320, 240)


def test_square_pixels_and_upright() -> None:
    # Rec. ITU-R BT.601, 625 lines: 720 x 576 shown at 16:9 with pixels of 16:11 is 1047 wide, made even.
    assert encoding(footage(size=(720, 576), aspect=Fraction(16, 11)))[:2] == (1048, 576)
    assert encoding(footage(size=(1280, 720), rotation=90))[:2] == (720, 1280)


def test_presets_by_purpose() -> None:
    assert encoding(footage(rate=Fraction(50)), preset="phone") == (720, 1280, 25)
    assert encoding(footage(size=(640, 480)), preset="tablet") == (1280, 720, 25)
    assert encoding(footage(size=(3840, 2160), rate=Fraction(50)), preset="archive") == (3840, 2160, 50)
    with pytest.raises(InputError, match="no preset"):
        plan_reel([ReelPart(footage(), 0, 9)], ReelSettings(preset="cinema"))


@pytest.mark.parametrize(
    ("rate", "nearest"),
    [
        (Fraction(2500, 83), Fraction(30)),
        (Fraction(2997, 100), NTSC),
        (Fraction(1199, 50), Fraction(24000, 1001)),
    ],
)
def test_odd_rates_become_known_ones(rate: Fraction, nearest: Fraction) -> None:
    assert nearest_rate(rate) == nearest


# --- keys -------------------------------------------------------------------------------------------------


def keys(parts: list[ReelPart], chosen: ReelSettings) -> list[str]:
    return [planned.key for planned in plan_reel(parts, chosen).parts if planned.clip is not None]


def test_adding_an_example_changes_no_other_part() -> None:
    parts = [ReelPart(footage(name=str(n)), 10, 60, (f"caption {n}",)) for n in range(5)]
    before = keys(parts, ReelSettings(title="A"))
    extra = ReelPart(footage(name="x"), 0, 30)
    assert keys([*parts[:2], extra, *parts[2:]], ReelSettings(title="B")) == [
        *before[:2],
        keys([extra], ReelSettings())[0],
        *before[2:],
    ]


@pytest.mark.parametrize(
    "change",
    [
        {"first": 11},
        {"last": 59},
        {"caption": ("other",)},
        {"treatment": Treatment(mirror=True)},
        {"treatment": Treatment(slow=Slow())},
        {"treatment": Treatment(zoom=Zoom((0, 0, 0.5, 0.5)))},
        {"source": footage(name="b")},
    ],
    ids=str,
)
def test_whatever_shows_or_sounds_is_in_the_key(change: dict[str, object]) -> None:
    part = ReelPart(footage(), 10, 60, ("caption",))
    assert keys([part], ReelSettings()) != keys([dataclasses.replace(part, **change)], ReelSettings())  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change",
    [
        {"captions": False},
        {"numbers": True},
        {"joins": "fade"},
        {"loudness": -16.0},
        {"preset": "archive"},
        {"rate": NTSC},
    ],
    ids=str,
)
def test_settings_that_show_are_in_the_key(change: dict[str, object]) -> None:
    part = ReelPart(footage(), 10, 60, ("caption",))
    assert keys([part], ReelSettings()) != keys([part], ReelSettings(**change))  # type: ignore[arg-type]


def test_cards_and_chapters() -> None:
    parts = [ReelPart(footage(), n, n + 9, group="AABBA"[n], title=f"t{n}") for n in range(5)]
    plan = plan_reel(parts, ReelSettings(title="Theme", chapter_cards=True))
    assert [p.card.kind if p.card else p.title for p in plan.parts] == [
        "title", "chapter", "t0", "t1", "chapter", "t2", "t3", "chapter", "t4", "end",
    ]  # fmt: skip
    assert sum(p.frames for p in plan.parts) == plan.frames
    assert plan.starts()[1] == plan.parts[0].frames


def test_the_end_card_gives_the_usual_cautions() -> None:
    card = plan_reel([ReelPart(footage(), 0, 9)], ReelSettings()).parts[-1].card
    assert card is not None
    text = " ".join(card.lines)
    for word in ("coach", "doctor", "local commission", "belongs to its owner"):
        assert word in text


def test_an_empty_reel_is_refused() -> None:
    with pytest.raises(InputError, match="no clip"):
        plan_reel([], ReelSettings())
