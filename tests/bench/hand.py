"""How soon a finger and a key are answered: `python -m tests.bench.hand`.

Taps: a film runs on the log page of a tablet (820 x 1180) at its own speed, and a finger (raw touches) takes the
row that is offered first, a hundred times. Counted from the touch to the picture on which the page says that it
has it, and to the one on which the line stands in the list, stored. Goal: the first within 100 ms at the 95th
percentile.

Next result: in *Show*, film running, the key for the next result, until its first frame is on the screen (its
number is read from the picture). In turns with a bare page of one video element, served by a bare Flask view,
whose source is changed to the same clip. Goal: at most 150 ms more at the median.
"""

from __future__ import annotations

import math
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import waitress.server
from flask import Flask, Response, send_file

from cliplib import Library
from cliplib.media import ffmpeg
from tests import libraries
from tests.search import archive
from tests.web import served
from tests.web.browser import chromium, new_page
from tests.web.test_log_page import begin
from tests.web.test_log_touch import Finger, middle
from tests.web.test_pages_clip import READ

TAPS, TAP_GOAL_MS = 100, 100.0
MORE_MS = 150.0
_LISTEN = """() => {
  window.taps = [];
  const painted = (then) => requestAnimationFrame(() => { const own = new MessageChannel(); own.port1.onmessage = then; own.port2.postMessage(0); });
  addEventListener("pointerdown", (e) => {
    const tap = { at: e.timeStamp, lines: document.querySelectorAll("[data-lines] .log-line").length };
    window.taps.push(tap);
    const saved = document.querySelector("[data-saved]"), rows = document.querySelector("[data-lines]");
    const first = new MutationObserver(() => { first.disconnect(); painted(() => { tap.told = performance.now() - tap.at; }); });
    first.observe(saved, { childList: true, characterData: true, subtree: true });
    const line = new MutationObserver(() => {
      if (rows.querySelectorAll(".log-line").length <= tap.lines) return;
      line.disconnect();
      painted(() => { tap.stored = performance.now() - tap.at; });
    });
    line.observe(rows, { childList: true });
  }, { capture: true });
}"""
# Until the picture of the video at `find` shows the frame `number`, from now.
_UNTIL = f"""([find, number]) => new Promise((done) => {{
  const began = window.asked, look = () => document.querySelector(find), seen = {READ};
  const turn = () => {{
    const video = look();
    if (video && video.readyState >= 2 && !video.seeking && seen(video) >= number) done([performance.now() - began, seen(video)]);
    else requestAnimationFrame(turn);
  }};
  turn();
}})"""
_BARE = """<!doctype html><title>bare</title><link rel=icon href="data:,"><video muted playsinline width=640></video><script>
addEventListener("keydown", (e) => { if (e.key !== "n") return; window.asked = performance.now();
  const v = document.querySelector("video"); v.src = window.wanted; v.play(); });
</script>"""


def spread(values: Sequence[float]) -> tuple[float, float]:
    """Median and 95th percentile."""
    return statistics.median(values), sorted(values)[math.ceil(0.95 * len(values)) - 1]


def taps(place: Path) -> bool:
    fight = libraries.make_fight(place / "fight", kind=None, file="fight.mp4", rows=())
    text = (fight / "fight.toml").read_text(encoding="utf-8")
    (fight / "fight.toml").write_text(text.replace("round_seconds = 7", "round_seconds = 300"))
    picture = ["-f", "lavfi", "-i", "testsrc2=size=1280x720:rate=25:duration=305"]
    coding = ["-c:v", "libx264", "-preset", "ultrafast", "-g", "50", "-pix_fmt", "yuv420p", "-flags", "+cgop"]
    made = [
        str(ffmpeg.binary()),
        "-v",
        "error",
        *picture,
        *coding,
        "-sc_threshold",
        "0",
        str(fight / "fight.mp4"),
    ]
    subprocess.run(made, check=True)
    library = Library(place / "library", create=True)
    archive.write_catalogue(library.desk.catalogue, 10)
    assert library.logging.ingest([fight]).exit_code == 0
    (mine,) = [f for f in library.finding.fights() if f.title == "Adeyemi v Brandt"]
    screen = {"viewport": {"width": 820, "height": 1180}, "has_touch": True}
    with served.serve(library.folder) as address, chromium() as browser, new_page(browser, **screen) as page:
        begin(page, address, fight=mine.id)
        page.evaluate(_LISTEN)
        page.evaluate(
            "() => { const v = document.querySelector('video'); v.currentTime = 3; v.muted = true; }"
        )
        finger = Finger(page)
        for number in range(1, TAPS + 1):
            page.evaluate("() => document.querySelector('video').play()")
            page.wait_for_timeout(700)
            assert not page.evaluate("document.querySelector('video').paused")
            finger.tap(*middle(page, "#log-offers li"))
            page.wait_for_function("(n) => window.taps.length === n && window.taps.at(-1).stored", arg=number)
        found = page.evaluate("window.taps")
    assert len(library.logging.live.lines(mine.id, "MK")) == TAPS
    told, stored = spread([tap["told"] for tap in found]), spread([tap["stored"] for tap in found])
    print(f"{TAPS} taps on the log page while 720p film runs, median and 95th percentile:")
    print(
        f"  the page says that it has it {told[0]:.0f}, {told[1]:.0f} ms (goal {TAP_GOAL_MS:.0f} at the 95th)"
    )
    print(f"  the line stands in the list, stored {stored[0]:.0f}, {stored[1]:.0f} ms")
    return told[1] <= TAP_GOAL_MS


@contextmanager
def bare(files: dict[int, Path]) -> Iterator[str]:
    app = Flask(__name__, static_folder=None)

    @app.get("/")
    def page() -> Response:
        return Response(_BARE, content_type="text/html")

    @app.get("/<int:clip>.mp4")
    def film(clip: int) -> Response:
        return send_file(files[clip], conditional=True)

    server = waitress.server.create_server(app, host="127.0.0.1", port=0, threads=4)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()
    thread.join(10)


def next_result(place: Path) -> bool:
    folder = served.busy_library(place)
    library = Library(folder)
    clips = library.finding.find("counter", limit=30).clips
    ours, plain = list[float](), list[float]()
    files = {clip.id: clip.file for clip in clips if clip.file}
    with (
        served.serve(folder) as address,
        bare(files) as other,
        chromium() as browser,
        new_page(browser) as page,
        new_page(browser) as single,
    ):
        page.goto(f"{address}/show/?q=counter")
        page.evaluate(
            "() => addEventListener('keydown', (e) => { window.asked = performance.now(); }, { capture: true })"
        )
        single.goto(other)
        for clip in clips[1:]:
            for one, key, find, times in (
                (page, "n", ".show-film.on video", ours),
                (single, "n", "video", plain),
            ):
                one.bring_to_front()
                one.wait_for_timeout(600)  # as long as somebody looks, and neighbours are fetched
                one.evaluate("(address) => { window.wanted = address; }", f"{other}/{clip.id}.mp4")
                one.keyboard.press(key)
                took, seen = one.evaluate(_UNTIL, [find, clip.start_frame])
                assert clip.start_frame is not None
                assert seen < clip.start_frame + 25, (seen, clip.start_frame)  # film runs meanwhile
                times.append(took)
    more = statistics.median(a - b for a, b in zip(ours, plain, strict=True))
    print(f"next result, its first frame on the screen ({len(ours)} of them), median and 95th percentile:")
    for name, times in (("in Show", ours), ("a bare page", plain)):
        print(f"  {name} {spread(times)[0]:.0f}, {spread(times)[1]:.0f} ms")
    print(f"  {more:+.0f} ms (goal at most {MORE_MS:+.0f})")
    return more <= MORE_MS


def main() -> int:
    with tempfile.TemporaryDirectory(prefix="hand-") as name:
        met = [taps(Path(name) / "taps"), next_result(Path(name) / "next")]
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
