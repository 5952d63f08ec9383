"""Somebody who talks over film in Chromium, with a fake microphone that plays a file of clicks; and what was on
the picture and in the microphone at which moment, by other means than the recorder's: numbers burnt into the
film, read from what the browser painted, and the microphone's own sound as it came."""

from __future__ import annotations

import random
import time
from pathlib import Path
from typing import Any

from cliplib import Library
from fixtures import framecode
from tests.breakdowns import sessions
from tests.media import footage
from tests.web import served

KINDS = ("closed gop", "ntsc")
WORDS = "First he waits. Then he steps in. The counter lands!"
SETTINGS = f"""```toml
[picture]
size = "{footage.WIDTH}x{footage.HEIGHT}"
rate = "25"
cards = false
captions = false

[sound]
film = "off"
```"""

WATCH = f"""
window.truth = {{ painted: [], clicks: [], zeros: [], least: Infinity }};
const begin = MediaRecorder.prototype.start;
MediaRecorder.prototype.start = function (...given) {{
  truth.zeros.push(performance.now());
  return begin.apply(this, given);
}};
const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
navigator.mediaDevices.getUserMedia = async (wanted) => {{
  const stream = await ask(wanted);
  window.track = stream.getAudioTracks()[0];
  const reader = new MediaStreamTrackProcessor({{ track: track.clone() }}).readable.getReader();
  (async () => {{
    for (let last = 0; ;) {{
      const {{ done, value }} = await reader.read();
      if (done) return;
      const came = performance.now(), samples = new Float32Array(value.numberOfFrames);
      value.copyTo(samples, {{ planeIndex: 0, format: "f32-planar" }});
      const at = samples.findIndex((one) => Math.abs(one) > 0.1), begins = value.timestamp / 1000;
      // Its own clock says when; how that clock stands to the page's is told by what came with the least delay.
      truth.least = Math.min(truth.least, came - begins - samples.length / value.sampleRate * 1000);
      if (at >= 0) {{
        const when = begins + at / value.sampleRate * 1000;
        if (when - last > 100) truth.clicks.push(when);
        last = when;
      }}
      value.close();
    }}
  }})();
  return stream;
}};
addEventListener("DOMContentLoaded", () => {{
  const read = {framecode.READ_JS};
  const video = document.querySelector(".screen video");
  const pen = document.createElement("canvas").getContext("2d", {{ willReadFrequently: true }});
  const look = (_, meta) => {{
    const high = {footage.CODE_Y} + 20;
    Object.assign(pen.canvas, {{ width: video.videoWidth, height: high }});
    pen.drawImage(video, 0, 0);
    const number = read(pen.getImageData(0, 0, pen.canvas.width, high), {footage.CODE_X}, {footage.CODE_Y}, {framecode.CELL});
    truth.painted.push([meta.expectedDisplayTime, number]);
    video.requestVideoFrameCallback(look);
  }};
  video?.requestVideoFrameCallback(look);
}});
"""


def flags(folder: Path, seconds: float = 30) -> list[str]:
    """A microphone that clicks each second, again and again."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "clicks.wav"
    clicks = [0.4 + n for n in range(int(seconds))]
    path.write_bytes(sessions.wav(sessions.clicks(seconds, clicks)))
    return [
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={path}",
        "--autoplay-policy=no-user-gesture-required",
    ]


def made_library(folder: Path, points: int = 1) -> tuple[Path, str]:
    """(library, name of a breakdown): two fights of two clips, each point over all of them and a chart."""
    place = served.kinds_library(folder, KINDS)
    library = Library(place)
    ids = [clip.id for clip in library.finding.find("", limit=10, order="date").clips]
    shots = (
        "\n".join(f"- [clip {n}](clip:{n})" for n in ids) + "\n- [what came next](<picture:next?phrase=jab>)"
    )
    text = f"# What the jab cost\n\n{SETTINGS}\n\n"
    text += "\n\n".join(f"## Point {n + 1}\n\n{WORDS}\n\n{shots}" for n in range(points))
    name = library.making.breakdowns.put(None, text + "\n")
    library.close()
    return place, name


class Talker:
    """Somebody at the page of a point."""

    def __init__(self, page: Any, address: str, name: str, key: str = "point-1"):
        self.page = page
        page.add_init_script(WATCH)
        page.goto(f"{address}/breakdowns/{name}/points/{key}/talk")
        page.wait_for_selector(".talk[data-ready=yes]")
        page.wait_for_selector(".talk[data-shown='0']")

    def press(self, what: str) -> None:
        self.page.locator(what).click()

    def key(self, key: str, times: int = 1, wait: float = 0.06) -> None:
        self.page.locator("[data-do=play]").focus()
        for _ in range(times):
            self.page.keyboard.press(key)
            time.sleep(wait)

    def record(self) -> None:
        self.press("[data-record]")
        self.page.wait_for_selector(".talk[data-state=recording]")

    def end(self) -> None:
        self.press("[data-end]")
        self.page.wait_for_function(
            "() => /is stored/.test(document.querySelector('[data-record-said]').textContent)"
        )

    def play(self, seconds: float, speed: str = "1") -> None:
        self.press(f"[data-speed='{speed}']")
        self.key(" ")
        time.sleep(seconds)
        self.key(" ")

    def scrub(self, rng: random.Random, moves: int, wait: float = 0.05) -> None:
        for _ in range(moves):
            self.page.evaluate(
                "(part) => { const s = document.querySelector('.seek'); s.value = Math.round(part * s.max);"
                " s.dispatchEvent(new Event('input', { bubbles: true })); }",
                rng.random(),
            )
            time.sleep(wait)

    def shot(self, number: int) -> None:
        self.press(f"[data-shot='{number}']")
        self.page.wait_for_selector(f".talk[data-shown='{number}']")
        time.sleep(0.2)

    def arrow(self) -> None:
        """Low in the picture, where no number stands."""
        self.press("[data-tool=arrow]")
        box = self.page.locator(".board").first.bounding_box()
        x, y, wide, high = (box[name] for name in ("x", "y", "width", "height"))
        self.page.mouse.move(x + 0.3 * wide, y + 0.8 * high)
        self.page.mouse.down()
        self.page.mouse.move(x + 0.6 * wide, y + 0.65 * high, steps=3)
        self.page.mouse.up()
        self.press("[data-tool=arrow]")

    def wander(self, rng: random.Random, seconds: float) -> None:
        """Whatever comes to mind, until it is time."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            left = max(0.3, until - time.monotonic())
            what = rng.choice(("play", "play", "slow", "step", "scrub", "shot", "wait", "draw"))
            if what == "play":
                self.play(min(left, rng.uniform(0.5, 3)))
            elif what == "slow":
                self.play(min(left, rng.uniform(0.5, 2)), rng.choice(("0.25", "0.5")))
            elif what == "step":
                self.key(rng.choice(("ArrowLeft", "ArrowRight")), rng.randrange(1, 6), rng.uniform(0.1, 0.3))
            elif what == "scrub":
                self.scrub(rng, rng.randrange(3, 12))
            elif what == "shot":
                self.shot(rng.randrange(4))
            elif what == "wait":
                time.sleep(min(left, rng.uniform(0.2, 1)))
            else:
                self.arrow()
                time.sleep(0.3)
                self.key("c")

    def truth(self) -> tuple[list[tuple[int, int | None]], list[float]]:
        """[(microseconds of the recording, number on the picture from then on)], [seconds of each click]."""
        told = self.page.evaluate("() => truth")
        zero = told["zeros"][-1]
        painted = sorted((round((at - zero) * 1000), number) for at, number in told["painted"])
        return painted, [(at + told["least"] - zero) / 1000 for at in told["clicks"]]


def in_step(
    shown: list[int | None],
    painted: list[tuple[int, int | None]],
    length_us: int,
    rng: random.Random,
    moments: int = 200,
) -> tuple[int, list[str]]:
    """How many of the film's frames at moments drawn at random are the very one that was on the picture, and a
    sentence for each that is further off than one frame of the film (25 a second)."""
    times = [at for at, _ in painted]

    def at(us: int) -> int | None:
        before = [number for t, number in painted if t <= us]
        return before[-1] if before else painted[0][1]

    assert times
    very, wrong = 0, []
    for _ in range(moments):
        us = rng.randrange(length_us - 40_000)
        k = us * 25 // 1_000_000
        around = {at(max(0, us + d)) for d in range(-40_000, 40_001, 4_000)}
        very += shown[k] is not None and shown[k] == at(int((k + 0.5) * 40_000))
        if shown[k] is None or shown[k] not in around:
            wrong.append(f"at {us / 1e6:.2f} s the film shows {shown[k]}, the picture {at(us)}")
    return very, wrong
