"""Clips in Chromium: the right frame first, after every seek, and at the end, read off a canvas.

The numbers are burnt into the pictures (fixtures/framecode), so that nothing here relies on what a player
says about itself.
"""

from __future__ import annotations

import http.server
import re
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib.media.cut import Cutter
from cliplib.media.probe import probe
from cliplib.media.working import prepare
from fixtures import framecode
from tests.media import footage

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's Chromium at /usr/bin/chromium"),
]

PAGE = (
    """<!doctype html><video muted preload="auto"></video><script>
const readCode = """
    + framecode.READ_JS
    + """;
const video = document.querySelector("video");
function once(name) {
  return new Promise((done, failed) => {
    video.addEventListener(name, done, {once: true});
    video.addEventListener("error", () => failed(video.error.message), {once: true});
    setTimeout(() => failed(name + " never came"), 15000);
  });
}
function number() {
  const canvas = document.createElement("canvas");
  canvas.width = video.videoWidth; canvas.height = video.videoHeight;
  const pen = canvas.getContext("2d");
  pen.drawImage(video, 0, 0);
  return readCode(pen.getImageData(0, 0, canvas.width, canvas.height), X, Y, CELL);
}
async function settled() {  // nothing painted yet, on a busy machine, is no picture at all
  for (let tries = 0; tries < 100; tries++) {
    await new Promise(requestAnimationFrame);
    await new Promise(requestAnimationFrame);
    if (number() !== null) break;
  }
  return number();
}
async function look(source, times) {
  const loaded = once("loadeddata");
  video.src = source;
  await loaded;
  const found = {first: await settled(), seeks: [], duration: video.duration};
  for (const time of times) {
    const seeked = once("seeked");
    video.currentTime = time;
    await seeked;
    found.seeks.push(await settled());
  }
  const ended = once("ended");
  video.currentTime = Math.max(0, video.duration - 0.4);
  await video.play();
  await ended;
  found.last = await settled();
  found.ended = video.currentTime;
  return found;
}
</script>"""
)


class _Handler(http.server.BaseHTTPRequestHandler):
    """Serves files of one folder with byte ranges (RFC 9110, section 14)."""

    folder: Path
    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        if self.path == "/":
            self._send(200, PAGE_BYTES, "text/html")
            return
        data = (self.folder / Path(self.path).name).read_bytes()
        asked = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
        if asked is None:
            self._send(200, data, "video/mp4")
            return
        start = int(asked[1])
        stop = min(int(asked[2]) + 1 if asked[2] else len(data), len(data))
        self._send(206, data[start:stop], "video/mp4", f"bytes {start}-{stop - 1}/{len(data)}")

    def _send(self, status: int, body: bytes, kind: str, span: str = "") -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Accept-Ranges", "bytes")
        if span:
            self.send_header("Content-Range", span)
        self.end_headers()
        try:
            self.wfile.write(body)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True  # a browser stops when it has enough

    def log_message(self, format: str, *args: Any) -> None:
        pass


PAGE_BYTES = (PAGE.replace("X, Y, CELL", f"{footage.CODE_X}, {footage.CODE_Y}, {framecode.CELL}")).encode()


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    folder = tmp_path_factory.mktemp("clips")
    handler = type("Handler", (_Handler,), {"folder": folder})
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield folder, f"http://127.0.0.1:{server.server_address[1]}/"
        server.shutdown()
        thread.join()


@pytest.fixture(scope="module")
def page(clips: tuple[Path, str]) -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        opened = browser.new_page()
        opened.goto(clips[1])
        yield opened
        browser.close()


# (kind, first, last): starts on and off key pictures, ends within a group, single frames, whole files.
SPANS = [
    ("closed gop", 0, 200),
    ("closed gop", 73, 131),
    ("closed gop", 99, 100),
    ("closed gop", 150, 200),
    ("ntsc", 17, 118),
    ("film", 61, 139),
    ("ten second gop", 231, 297),
    ("mono", 44, 90),
    ("surround", 31, 87),
    ("silent", 3, 66),
    ("variable rate", 40, 100),
    ("edit list", 21, 80),
    ("late video", 5, 77),
    ("quicktime", 101, 149),
    ("mpegts", 37, 95),
    ("matroska ntsc", 12, 88),
    ("open gop", 71, 129),
    ("hevc", 66, 120),
    ("mpeg4 avi", 13, 77),
    ("interlaced", 55, 91),
    ("rotated", 20, 70),
]


@pytest.mark.parametrize(("kind", "first", "last"), SPANS)
@pytest.mark.parametrize("form", ["clip", "portable"])
def test_chromium_shows_exactly_the_asked_frames(
    page: Any,
    clips: tuple[Path, str],
    tmp_path_factory: pytest.TempPathFactory,
    kind: str,
    first: int,
    last: int,
    form: str,
) -> None:
    folder, address = clips
    source = footage.make(kind)
    prepared = prepare(probe(source.path), footage.cache() / "working")
    name = f"{kind.replace(' ', '-')}-{first}-{last}-{form}.mp4"
    with Cutter(prepared) as cutter:
        (cutter.cut if form == "clip" else cutter.export_portable)(first, last, folder / name)
    times = [*source.times[first:last], prepared.timeline.time_of(last)]
    frames = sorted({0, (last - first) // 2, last - first - 1})
    halves = [float((times[i] + times[i + 1]) / 2 - times[0]) for i in frames]
    seen = page.evaluate("([source, times]) => look(source, times)", [address + name, halves])
    begin = first + source.first
    assert seen["first"] == begin, "the picture before any seek"
    assert seen["seeks"] == [begin + i for i in frames]
    assert seen["last"] == last - 1 + source.first
    assert seen["duration"] == pytest.approx(float(times[-1] - times[0]), abs=0.03)
