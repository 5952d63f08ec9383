"""Reels built from numbered footage: every frame, every join, every sound."""

from __future__ import annotations

import dataclasses
import itertools
import re
import subprocess
import threading
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
import pyloudnorm
import pytest
from PIL import Image

from cliplib.core.errors import Cancelled, InputError, MediaError, StorageError
from cliplib.media import ffmpeg, joining
from cliplib.media.probe import probe
from cliplib.media.sound import RATE
from cliplib.media.working import Prepared, prepare
from cliplib.reels import typefaces
from cliplib.reels.build import build, digest_of
from cliplib.reels.parts import Freeze, ReelPart, ReelReport, ReelSettings, Slow, Treatment, Zoom
from cliplib.reels.plan import plan_reel
from tests.media import footage
from tests.reels.reel_parts import SMALL, part, pictures, planned_numbers, read_scaled, source, source_of

# Private parts: a machine without a typeface for a letter.

PLAIN = [
    "closed gop", "ntsc", "film", "ten second gop", "mono", "surround", "silent", "edit list", "late video",
    "variable rate", "mpegts", "mpegts wrap", "matroska", "matroska ntsc", "fragmented", "pcm", "open gop",
    "open gop mpegts", "open mpegts from the middle", "hevc", "mpeg4 avi", "mpeg2", "interlaced",
    "interlaced mpeg2", "rotated", "upside down", "ten bit",
]  # fmt: skip


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


def test_every_kind_of_footage_in_one_reel(cache: Path, tmp_path: Path) -> None:
    """Joins are exact: the reel shows just the planned frames of every part, whatever it came from."""
    parts = [part(kind, 31, 57) for kind in PLAIN]
    chosen = dataclasses.replace(SMALL, cards=True, title="All kinds")
    report = build(parts, tmp_path / "reel.mp4", chosen, cache)
    planned = planned_numbers(parts, PLAIN, chosen)
    assert footage.numbers(report.out) == planned
    assert report.frames == len(planned) == sum(row.frames for row in report.parts)
    assert report.made == len(PLAIN)


@pytest.mark.parametrize("rate", [footage.NTSC, Fraction(50)])
def test_other_rates_show_real_frames_at_their_times(rate: Fraction, cache: Path, tmp_path: Path) -> None:
    kinds = ["closed gop", "ntsc", "film", "variable rate"]
    parts = [part(kind, 20, 70) for kind in kinds]
    chosen = dataclasses.replace(SMALL, rate=rate)
    report = build(parts, tmp_path / "reel.mp4", chosen, cache)
    assert report.rate == rate
    shown = footage.numbers(report.out)
    assert shown == planned_numbers(parts, kinds, chosen)
    # And against the times in the footage's recipe: the frame on screen in the middle of each of the reel's.
    at = 0
    for kind, row in zip(kinds, report.parts, strict=True):
        made = footage.make(kind)
        for k in range(row.frames):
            middle = made.times[20] + (k + Fraction(1, 2)) / rate
            last = max(n for n in range(20, 70) if made.times[n] <= middle)
            assert shown[at + k] == last + made.first
        at += row.frames


def test_squares_stay_square_between_bars(tmp_path: Path, cache: Path) -> None:
    """An anamorphic and a turned source in a 4:3 reel: bars above and below, nothing stretched."""
    chosen = dataclasses.replace(SMALL, size=(640, 480))
    report = build([part("anamorphic", 10, 20), part("rotated", 10, 20)], tmp_path / "r.mp4", chosen, cache)
    shown = pictures(report.out)
    # 480 x 272 with pixels of 4:3 is 640 x 272: full width, 104 above and below, no line scaled.
    assert shown[5][:100].max() < 24
    assert shown[5][-100:].max() < 24
    narrow = np.asarray(Image.fromarray(shown[5]).resize((480, 480), Image.Resampling.BOX))
    assert read_scaled(narrow, 0, 104, 1) == 15
    # 480 x 272 itself: 640 x 363 made 362, so 59 above, rounded to an even line.
    top = next(y for y in range(480) if shown[15][y].max() > 60)
    assert top in (58, 59, 60)
    assert [read_scaled(p, 0, 58, 640 / 480) for p in shown[10:]] == list(range(10, 20))


def test_interlaced_footage_loses_its_combs(tmp_path: Path, cache: Path) -> None:
    """The two fields of the made footage differ where things move: lines that alternate. None are left."""

    def combing(picture: npt.NDArray[np.uint8]) -> float:
        luma = picture.astype(float).mean(axis=2)[40:]
        return float(np.abs(luma[1:-1] - (luma[:-2] + luma[2:]) / 2).mean())

    woven = pictures(footage.make("interlaced").path)[40]
    report = build([part("interlaced", 38, 44), part("closed gop", 38, 44)], tmp_path / "r.mp4", SMALL, cache)
    shown = pictures(report.out)
    assert combing(woven) > 1.5 * combing(shown[8])
    assert combing(shown[2]) < 1.2 * combing(shown[8])


# --- the cache --------------------------------------------------------------------------------------------


def test_one_more_example_encodes_one_part(tmp_path: Path) -> None:
    parts = [part("closed gop", n, n + 12, caption=(f"example {n}",)) for n in range(5, 105, 10)]
    out, cache = tmp_path / "reel.mp4", tmp_path / "cache"
    first = build(parts, out, SMALL, cache)
    assert (first.made, first.reused, first.changes) == (10, 0, ("new",))
    more = [*parts[:4], part("ntsc", 33, 51), *parts[4:]]
    second = build(more, out, SMALL, cache)
    assert (second.made, second.reused) == (1, 10)
    assert second.changes == ("added: ntsc 33",)
    kinds = ["closed gop"] * 4 + ["ntsc"] + ["closed gop"] * 6
    assert footage.numbers(out) == planned_numbers(more, kinds, SMALL)
    third = build(more[1:], out, SMALL, cache)
    assert (third.made, third.changes) == (0, ("removed: closed gop 5",))


def test_what_changed_is_said(tmp_path: Path, cache: Path) -> None:
    parts = [part("closed gop", n, n + 12) for n in (5, 25, 45)]
    out = tmp_path / "reel.mp4"
    build(parts, out, SMALL, cache)
    assert build([parts[1], parts[0], parts[2]], out, SMALL, cache).changes == ("the order is another",)
    mirrored = dataclasses.replace(parts[2], treatment=Treatment(mirror=True))
    changes = build([parts[1], parts[0], mirrored], out, SMALL, cache).changes
    assert changes == ("shown differently: closed gop 45",)


def test_an_unchanged_reel_is_left_alone(tmp_path: Path, cache: Path) -> None:
    parts = [part("closed gop", 5, 17), part("ntsc", 5, 17)]
    out = tmp_path / "reel.mp4"
    made = build(parts, out, SMALL, cache, only_if_changed=True)
    before = out.stat().st_mtime_ns
    again = build(parts, out, SMALL, cache, only_if_changed=True)
    assert made.changed
    assert not again.changed
    assert out.stat().st_mtime_ns == before
    assert digest_of(out) == again.digest
    assert build(parts[::-1], out, SMALL, cache, only_if_changed=True).changed


def test_the_same_reel_twice_is_the_same_file(tmp_path: Path) -> None:
    parts = [part("closed gop", 5, 17, caption=("Señor “Ω” 100%",)), part("mpegts", 5, 17)]
    chosen = dataclasses.replace(SMALL, cards=True, title="Twice")
    files = []
    for turn in ("a", "b"):
        build(parts, tmp_path / f"{turn}.mp4", chosen, tmp_path / turn)
        files.append((tmp_path / f"{turn}.mp4").read_bytes())
    assert files[0] == files[1]


def test_a_spoilt_part_is_made_again(tmp_path: Path) -> None:
    parts, cache = [part("closed gop", 5, 17)], tmp_path / "cache"
    build(parts, tmp_path / "reel.mp4", SMALL, cache)
    video = next(cache.rglob("*.mp4"))
    video.write_bytes(video.read_bytes()[:-100])
    assert build(parts, tmp_path / "reel.mp4", SMALL, cache).made == 1
    assert footage.numbers(tmp_path / "reel.mp4") == list(range(5, 17))


# --- sound ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "rate"), [("ntsc", footage.NTSC), ("ntsc", Fraction(25))])
def test_sound_is_in_step_after_forty_joins(kind: str, rate: Fraction, tmp_path: Path, cache: Path) -> None:
    """A click is heard with every twenty-fifth frame of the footage, so with that frame in the reel."""
    # Lengths of all sizes, so that joins fall anywhere within AAC's packets of 1,024 samples.
    spans = [(17 + n % 7, 60 + (n * 5) % 9) for n in range(41)]
    chosen = dataclasses.replace(SMALL, rate=rate, size=(160, 90))  # only the sound matters
    report = build([part(kind, *span) for span in spans], tmp_path / "reel.mp4", chosen, cache)
    times = footage.make(kind).times
    expected = []
    for (first, last), row in zip(spans, report.parts, strict=True):
        start = Fraction(row.start) / rate
        expected += [float(start + times[n] - times[first]) for n in (25, 50) if first < n < last]
    heard = footage.clicks(report.out)
    assert len(heard) == len(expected) == 82
    off = np.array(heard) - np.array(expected)
    assert np.abs(off).max() < 0.0025
    assert np.abs(off[-10:] - off[:10]).max() < 0.001, "it drifts"


def test_sound_is_as_long_as_the_picture(tmp_path: Path, cache: Path) -> None:
    chosen = dataclasses.replace(SMALL, rate=footage.NTSC)
    report = build([part("ntsc", n, n + 7) for n in range(20)], tmp_path / "reel.mp4", chosen, cache)
    with av.open(str(report.out)) as made:
        video, audio = made.streams.video[0], made.streams.audio[0]
        assert made.start_time == 0
        assert video.duration * video.time_base == report.frames / footage.NTSC
        assert abs(audio.duration * audio.time_base - report.frames / footage.NTSC) <= Fraction(1024, RATE)


def test_joins_do_not_click(tmp_path: Path, cache: Path) -> None:
    """A hum cut at arbitrary places would jump; it fades within a hundredth of a second instead."""
    spans = [(2 + n * 3, 22 + n * 3) for n in range(8)]  # no click falls near a join
    spans = [s for s in spans if not any(abs(n - edge) < 2 for n in (0, 25, 50) for edge in s)]
    report = build([part("pcm", *span) for span in spans], tmp_path / "reel.mp4", SMALL, cache)
    sound = _sound(report.out)[0]
    for row in report.parts[1:]:
        at = int(Fraction(row.start, 25) * RATE)
        near = sound[at - 48 : at + 48]
        assert np.abs(near).max() < 0.02
        assert np.abs(np.diff(sound[at - 480 : at + 480])).max() < 0.02


def _sound(path: Path) -> npt.NDArray[np.float32]:
    with av.open(str(path)) as container:
        frames = [frame.to_ndarray() for frame in container.decode(audio=0)]
    return np.concatenate(frames, axis=1)


@pytest.fixture(scope="module")
def loud_and_quiet(tmp_path_factory: pytest.TempPathFactory) -> list[Prepared]:
    """Four seconds each of: a tone at -33 dBFS; loud noise; a crowd with blows whose peaks stick out far; a
    quiet hall; digital silence; the noise of an idle recorder."""
    folder = tmp_path_factory.mktemp("loudness")
    sources = {
        "tone": "aevalsrc=0.02238721*sin(2*PI*1000*t)|0.02238721*sin(2*PI*1000*t):s=48000",  # -33 dBFS
        "noise": "anoisesrc=c=pink:a=0.9:r=48000:seed=1",
        "blows": "aevalsrc='0.02*(random(0)-0.5)+0.95*exp(-60*mod(t,0.7))*sin(2*PI*180*t)':s=48000",
        "quiet": "anoisesrc=c=pink:a=0.02:r=48000:seed=2",
        "silence": "anullsrc=r=48000:cl=stereo",
        "idle": "anoisesrc=c=pink:a=0.002:r=48000:seed=3",
    }
    made = []
    for name, sound in sources.items():
        out = folder / f"{name}.mov"
        subprocess.run(
            [
                ffmpeg.binary(), "-v", "error", "-y", "-f", "lavfi", "-i", "color=gray:s=160x90:r=25:d=4",
                "-f", "lavfi", "-i", sound, "-t", "4", "-ac", "2", "-c:v", "libx264", "-preset", "ultrafast",
                "-c:a", "pcm_f32le", out,
            ],
            check=True,
        )  # fmt: skip
        made.append(source_of(out))
    return made


def test_loudness_is_even(loud_and_quiet: list[Prepared], tmp_path: Path, cache: Path) -> None:
    """EBU R 128 (2020): -23 LUFS, within 1 LU, true peak at most -1 dBTP; by two meters."""
    chosen = ReelSettings(cards=False)
    report = build([ReelPart(s, 0, 100) for s in loud_and_quiet], tmp_path / "reel.mp4", chosen, cache)
    sound = _sound(report.out)
    for number, row in enumerate(report.parts[:4]):
        piece = sound[:, number * 4 * RATE : (number + 1) * 4 * RATE]
        assert pyloudnorm.Meter(RATE).integrated_loudness(piece.T.astype(np.float64)) == pytest.approx(
            -23, abs=1
        )
        integrated, peak = _ebur128(report.out, number * 4)
        assert integrated == pytest.approx(-23, abs=1)
        assert peak <= -1
        assert row.gain is not None
    # EBU Tech 3341, case 2: a stereo tone of 1 kHz at -33 dBFS reads -33 LUFS within 0.1.
    assert report.parts[0].loudness == pytest.approx(-33, abs=0.1)
    assert report.parts[2].gain is not None


def test_silence_stays_silent_and_idle_noise_is_not_raised(
    loud_and_quiet: list[Prepared], tmp_path: Path, cache: Path
) -> None:
    parts = [ReelPart(s, 0, 100) for s in loud_and_quiet[4:]]
    report = build([*parts, part("silent", 0, 50)], tmp_path / "reel.mp4", ReelSettings(cards=False), cache)
    sound = _sound(report.out)
    assert np.abs(sound[:, RATE // 10 : 4 * RATE - RATE // 10]).max() < 1e-4
    assert np.abs(sound[:, 4 * RATE + 4800 : 8 * RATE - 4800]).max() < 0.005
    assert np.abs(sound[:, 8 * RATE + 4800 :]).max() < 1e-4
    assert [row.note.partition(":")[0] for row in report.parts] == [
        "silent",
        "too quiet to be more than noise",
        "silent",
    ]


def _ebur128(path: Path, start: float) -> tuple[float, float]:
    done = subprocess.run(
        [
            ffmpeg.binary(), "-hide_banner", "-nostdin", "-ss", str(start), "-t", "4", "-i", path,
            "-map", "0:a", "-af", "ebur128=peak=true", "-f", "null", "-",
        ],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    summary = done.stderr.rpartition("Summary:")[2]
    integrated = re.search(r"I:\s+(-?[\d.]+) LUFS", summary)
    peak = re.search(r"Peak:\s+(-?[\d.]+) dBFS", summary)
    assert integrated
    assert peak
    return float(integrated[1]), float(peak[1])


# --- the file ---------------------------------------------------------------------------------------------


def test_chapters_tags_and_index_first(tmp_path: Path, cache: Path) -> None:
    parts = [
        part("closed gop", 5, 30),
        ReelPart(source("ntsc"), 5, 35, title="Ñandú “100 %”: jab; = # \\ ‏שלום"),
        part("closed gop", 40, 65),
    ]
    chosen = dataclasses.replace(SMALL, cards=True, title="Jabs = 100%")
    report = build(parts, tmp_path / "reel.mp4", chosen, cache)
    with av.open(str(report.out)) as made:
        chapters = made.chapters()
        assert made.metadata["title"] == "Jabs = 100%"
        assert {s.type for s in made.streams} >= {"video", "audio"}
        video = made.streams.video[0]
        assert (video.codec_context.width, video.codec_context.height) == (480, 272)
        assert video.sample_aspect_ratio in (None, 1)
        assert video.codec_context.pix_fmt == "yuv420p"
        assert video.average_rate == 25
    titles = [chapter["metadata"]["title"] for chapter in chapters]
    assert titles == ["Jabs = 100%", parts[0].title, parts[1].title, parts[2].title, "Please note"]
    for chapter, row in zip(chapters, report.parts, strict=True):
        start = chapter["start"] * chapter["time_base"]
        assert abs(start - Fraction(row.start, 25)) <= Fraction(1, 1000)
    boxes = _boxes(report.out)
    assert boxes.index("moov") < boxes.index("mdat")


def _boxes(path: Path) -> list[str]:
    """The names of a file's outermost boxes (ISO/IEC 14496-12, 4.2)."""
    data, at, names = path.read_bytes(), 0, []
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        names.append(data[at + 4 : at + 8].decode("latin-1"))
        at += size or len(data)
    return names


def test_cards_have_the_stated_length_and_are_dark_with_light_text(tmp_path: Path, cache: Path) -> None:
    chosen = dataclasses.replace(SMALL, cards=True, title="Counters", size=(640, 360))
    report = build([part("closed gop", 5, 15)], tmp_path / "reel.mp4", chosen, cache)
    assert [row.frames for row in report.parts] == [75, 10, 125]
    shown = pictures(report.out)
    for card in (shown[40], shown[85 + 60]):
        assert np.median(card) < 40
        assert card.max() > 230
        text = card.mean(axis=2) > 120
        rows, columns = np.nonzero(text)
        assert rows.min() > 360 * 0.04
        assert rows.max() < 360 * 0.96
        assert columns.min() > 640 * 0.04
        assert columns.max() < 640 * 0.96


# --- interrupted ------------------------------------------------------------------------------------------


def test_cancelled_and_taken_up_again(tmp_path: Path) -> None:
    parts = [part("closed gop", n, n + 40) for n in range(0, 100, 10)]
    out, cache = tmp_path / "reel.mp4", tmp_path / "cache"
    build(parts[:1], out, SMALL, cache)
    good = out.read_bytes()
    seen: list[tuple[str, int, int]] = []

    def stop_half_way(stage: str, done: int, total: int) -> None:
        seen.append((stage, done, total))
        if total and done * 2 > total:
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        build(parts, out, SMALL, cache, stop_half_way)
    assert out.read_bytes() == good
    assert not [p for p in (*tmp_path.iterdir(), *cache.rglob("*")) if ".part" in p.name]
    assert not [t for t in threading.enumerate() if t.name.startswith("reel")]
    left = build(parts, out, SMALL, cache)
    assert left.reused >= 2
    assert left.made + left.reused == 10
    assert footage.numbers(out) == planned_numbers(parts, ["closed gop"] * 10, SMALL)
    assert all(a[1] <= b[1] for a, b in itertools.pairwise(s for s in seen if s[0] == seen[-1][0]))


def test_cancelled_while_joining(tmp_path: Path, cache: Path) -> None:
    parts = [part("closed gop", 5, 17), part("closed gop", 25, 37)]
    out = tmp_path / "reel.mp4"
    out.write_bytes(b"the last good reel")

    def stop(stage: str, done: int, total: int) -> None:
        if stage.startswith("joining") and done == 1:
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        build(parts, out, SMALL, cache, stop)
    assert out.read_bytes() == b"the last good reel"
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize("where", ["part", "reel"])
def test_a_full_disk(where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every write to /dev/full fails as on a full disk (Linux, full(4))."""
    if not Path("/dev/full").exists():
        pytest.skip("there is no /dev/full here")
    out, cache = tmp_path / "reel.mp4", tmp_path / "cache"
    parts = [part("closed gop", 5, 105)]
    build([part("closed gop", 5, 17)], out, SMALL, cache)
    if where == "reel":
        build(parts, tmp_path / "other.mp4", SMALL, cache)
    good, real = out.read_bytes(), av.open

    def full(file: object, mode: str = "r", **more: object) -> object:
        return real("/dev/full" if mode == "w" else file, mode, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(joining.av, "open", full)
    with pytest.raises(StorageError, match="No space left"):
        build(parts, out, SMALL, cache)
    monkeypatch.undo()
    assert out.read_bytes() == good
    assert not [p for p in (*tmp_path.iterdir(), *cache.rglob("*")) if ".part" in p.name]
    assert build(parts, out, SMALL, cache).frames == 100


def test_too_little_room_is_seen_beforehand(
    tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shutil.disk_usage", lambda _: type("Usage", (), {"free": 5000})())
    with pytest.raises(StorageError, match="make room"):
        build([part("closed gop", 5, 17)], tmp_path / "reel.mp4", SMALL, cache)
    assert not (tmp_path / "reel.mp4").exists()


def test_parts_that_do_not_fit_together_are_refused(tmp_path: Path, cache: Path) -> None:
    plans = [
        plan_reel([part("closed gop", 5, 17)], dataclasses.replace(SMALL, size=s))
        for s in ((480, 272), (320, 180))
    ]
    joined = []
    for number, plan in enumerate(plans):
        build([part("closed gop", 5, 17)], tmp_path / f"{number}.mp4", plan.settings, cache)
        files = [(cache / "parts" / f"{plan.parts[0].key}").with_suffix(s) for s in (".mp4", ".wav")]
        joined.append(joining.JoinPart(*files, 12, "x"))
    with pytest.raises(MediaError, match="not encoded like"):
        joining.join(joined, tmp_path / "out.mp4", plans[0].encoding, {}, each=lambda _: None)


def test_footage_that_vanished(tmp_path: Path, cache: Path) -> None:
    """The working copy stands in for an original that was moved away; without one the file is named."""
    away = tmp_path / "away.ts"
    away.write_bytes(footage.make("mpegts").path.read_bytes())
    ready = prepare(probe(away), tmp_path / "working")
    assert ready.sliced not in (None, away)
    away.unlink()
    report = build([ReelPart(ready, 40, 60)], tmp_path / "reel.mp4", SMALL, cache)
    assert footage.numbers(report.out) == list(range(40, 60))
    lost = dataclasses.replace(ready, sliced=None)
    with pytest.raises(InputError, match=re.escape(str(away))):
        build([ReelPart(lost, 40, 61)], tmp_path / "reel.mp4", SMALL, cache)


def test_h264_in_avi_is_read_from_its_copy(tmp_path: Path, cache: Path) -> None:
    """AVI does not say when its frames are shown; the copy does."""
    ready = prepare(probe(footage.make("h264 avi").path), tmp_path / "working")
    report = build([ReelPart(ready, 33, 66)], tmp_path / "reel.mp4", SMALL, cache)
    assert footage.numbers(report.out) == list(range(33, 66))


def test_letters_that_no_font_has_are_named_in_the_report(
    tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(typefaces, "_known", {"漢": None})
    made = dataclasses.replace(part("closed gop", 10, 20), title="One", caption=("漢 v Brandt", "jab"))
    for _ in range(2):  # also when it comes from the cache
        report = build([made], tmp_path / "reel.mp4", SMALL, cache)
        assert any(note.startswith("One: ") and "has 漢: empty boxes" in note for note in report.notes)


# --- treatments -------------------------------------------------------------------------------------------


def test_slow_replay_and_freeze_show_real_frames(tmp_path: Path, cache: Path) -> None:
    treatment = Treatment(slow=Slow(Fraction(1, 4), 160_000, 240_000), freeze=Freeze(400_000))
    shown_part = part("closed gop", 30, 60, moments_us=(1_600_000,), treatment=treatment)
    report = build([shown_part, part("ntsc", 10, 20)], tmp_path / "reel.mp4", SMALL, cache)
    shown = footage.numbers(report.out)
    replay = [n for n in range(36, 46) for _ in range(4)]
    at = replay.index(41)  # the last picture of the action's frame, 40
    held = [40] * 10
    assert shown[:-8] == [*range(30, 60), *replay[:at], *held, *replay[at:]]


def test_replay_sound_is_muted_or_stretched(tmp_path: Path, cache: Path) -> None:
    def rms(report: ReelReport, first: int, last: int) -> float:
        piece = _sound(report.out)[0][first * 1920 : last * 1920]
        return float(np.sqrt((piece**2).mean()))

    muted = Treatment(slow=Slow(before_us=400_000, after_us=600_000))
    long = Treatment(slow=Slow(before_us=400_000, after_us=600_000, sound="stretched"))
    plain = {"moments_us": (1_600_000,)}
    one = build([part("pcm", 30, 60, treatment=muted, **plain)], tmp_path / "a.mp4", SMALL, cache)
    other = build([part("pcm", 30, 60, treatment=long, **plain)], tmp_path / "b.mp4", SMALL, cache)
    assert one.frames == other.frames == 30 + 50
    assert rms(one, 5, 18) > 0.001
    assert rms(one, 35, 78) < 1e-4
    assert rms(other, 45, 75) > 0.001
    # The same pitch: the hum of the footage is 110 Hz at either speed.
    hum = _sound(other.out)[0][40 * 1920 : 52 * 1920]
    spectrum = np.abs(np.fft.rfft(hum * np.hanning(len(hum))))
    assert abs(int(spectrum[:200].argmax()) * RATE / len(hum) - 110) < 5


def test_mirrored_pictures_with_readable_captions(tmp_path: Path, cache: Path) -> None:
    caption = ("Adeyemi v Brandt", "jab missed")
    sides = []
    for mirror in (False, True):
        one = part("closed gop", 30, 36, caption=caption, treatment=Treatment(mirror=mirror))
        report = build([one], tmp_path / f"{mirror}.mp4", dataclasses.replace(SMALL, size=(960, 544)), cache)
        sides.append(pictures(report.out)[3].astype(float))
    assert read_scaled(sides[0].astype(np.uint8), 0, 0, 2) == 33
    assert read_scaled(sides[1][:, ::-1].astype(np.uint8), 0, 0, 2) == 33
    assert read_scaled(sides[1].astype(np.uint8), 0, 0, 2) is None
    # The caption lies in the same place and reads the same way: its bright letters are the same pixels.
    letters = [side[430:530, 20:300].min(axis=2) > 200 for side in sides]
    assert letters[0].sum() > 200
    assert (letters[0] & letters[1]).sum() / (letters[0] | letters[1]).sum() > 0.9


def test_zoom_ends_on_its_region(tmp_path: Path, cache: Path) -> None:
    """The strip of the frame number lies in the upper left; zoomed in, it is twice as large."""
    zoom = Treatment(zoom=Zoom((0.0, 0.0, 0.5, 0.5), move_us=400_000))
    report = build([part("closed gop", 30, 60, treatment=zoom)], tmp_path / "reel.mp4", SMALL, cache)
    shown = pictures(report.out)
    assert read_scaled(shown[0], 0, 0, 1) == 30
    assert [read_scaled(p, 0, 0, 2) for p in shown[11:]] == list(range(41, 60))
    assert read_scaled(shown[5], 0, 0, 1) is None


def test_fades_through_black(tmp_path: Path, cache: Path) -> None:
    chosen = dataclasses.replace(SMALL, joins="fade")
    report = build(
        [part("closed gop", 30, 60), part("closed gop", 60, 90)], tmp_path / "r.mp4", chosen, cache
    )
    light = [picture.mean() for picture in pictures(report.out)]
    assert light[15] > 60
    assert light[29] < 20
    assert light[30] < 20
    assert all(a < b for a, b in itertools.pairwise(light[30:36]))


def test_numbered_examples(tmp_path: Path, cache: Path) -> None:
    chosen = dataclasses.replace(SMALL, numbers=True)
    report = build(
        [part("closed gop", 30, 36), part("closed gop", 30, 36)], tmp_path / "r.mp4", chosen, cache
    )
    shown = [p.astype(int) for p in pictures(report.out)]
    assert np.abs(shown[2][:40, 440:] - shown[8][:40, 440:]).max() > 100  # 1 and 2
    assert np.abs(shown[2][60:] - shown[8][60:]).mean() < 3
