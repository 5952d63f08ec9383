"""Talking over film in a real browser, for ten minutes, and killed twenty times:
`python -m tests.bench.talking`.

    python -m tests.bench.talking                 both
    python -m tests.bench.talking --minutes 10    in step: only this, over so many minutes
    python -m tests.bench.talking --kills 20      nothing lost: only this, so many times

In step: Chromium with a fake microphone that plays a file of clicks; film plays, stops, steps, slows, is scrubbed
and drawn on. The film that is built out of it must show, at 200 moments drawn at random, the frame that was on
the picture (numbers burnt into the film, read from what the browser painted), at most one of its own frames off;
and its clicks must lie within the range of EBU R 37 (sound 40 ms early to 60 ms late, as tabled beside ITU-R
BT.1359) of where they were.

Nothing lost: the browser is killed (SIGKILL) at a random moment of a recording, and the same take goes on in
another one. Every piece that was acknowledged must be there, and the sound must be readable.
"""

from __future__ import annotations

import argparse
import itertools
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from cliplib import Library
from cliplib.breakdowns.voice import voice_of
from tests.breakdowns import sessions
from tests.media import footage
from tests.web import served, talking
from tests.web.browser import CHROMIUM, FLAGS, chromium, new_page

EARLY_S, LATE_S = 0.040, 0.060
ACKNOWLEDGED = """
window.acknowledged = 0;
const get = window.fetch;
window.fetch = async (...given) => {
  const answer = await get(...given);
  if (answer.ok && String(given[0]).includes("/sound?")) window.acknowledged += 1;
  return answer;
};
"""


def in_step(folder: Path, minutes: float) -> bool:
    place, name = talking.made_library(folder)
    with (
        served.serve(place) as address,
        chromium(*talking.flags(folder)) as browser,
        new_page(browser) as page,
    ):
        talker = talking.Talker(page, address, name)
        talker.record()
        talker.wander(random.Random(7), minutes * 60)
        talker.end()
        painted, clicks = talker.truth()
    library = Library(place)
    report = library.making.breakdowns.build(name)
    take = library.making.breakdowns.takes(name, "point-1").chosen()
    assert take is not None
    shown = footage.numbers(report.out)[: -(-take.us * 25 // 1_000_000)]
    very, wrong = talking.in_step(shown, painted, take.us, random.Random(1))
    heard = [at for at in sessions.onsets(report.out) if at < take.us / 1e6]
    near = [(h, min((h - c for c in clicks), key=abs)) for h in heard]
    # On a busy machine the probe beside the recorder loses some of the microphone's sound: of those clicks
    # nobody knows where they were, but the microphone clicks once a second.
    off = [one for _, one in near if abs(one) < 0.5]
    apart = [abs((b - a) - round(b - a)) for a, b in itertools.pairwise(heard)]
    missed = sum(1 for c in clicks if 0.2 < c < take.us / 1e6 - 0.2 and min(abs(h - c) for h in heard) > 0.5)
    third = len(off) // 3
    drift = statistics.median(off[-third:]) - statistics.median(off[:third])
    print(f"In step, a take of {take.us / 6e7:.1f} minutes, {len(take.samples)} samples of the picture:")
    print(
        f"  200 moments: {very} show the very frame, {200 - very - len(wrong)} its neighbour, {len(wrong)} another"
    )
    for sentence in wrong[:10]:
        print(f"    {sentence}")
        us = float(sentence.split()[1]) * 1e6
        print("      painted", [(t // 1000, n) for t, n in painted if abs(t - us) < 400_000])
        print(
            "      stored",
            [(s.t // 1000, s.frame, float(s.speed)) for s in take.samples if abs(s.t - us) < 400_000],
        )
    print(
        f"  {len(heard)} clicks: {1000 * min(off):+.0f} to {1000 * max(off):+.0f} ms "
        f"(goal: -40 to +60), {missed} missed, drift {1000 * drift:+.0f} ms; {len(near) - len(off)} that the "
        f"probe lost; {1000 * max(apart):.0f} ms at most from whole seconds apart"
    )
    for note in report.notes:
        print(f"  note: {note}")
    # What the probe lost is judged by the whole seconds that the clicks are apart.
    steady = max(apart) <= EARLY_S + LATE_S and len(off) > len(near) // 2
    return not wrong and not missed and steady and all(-EARLY_S <= one <= LATE_S for one in off)


def killed(folder: Path, times: int) -> bool:
    from playwright.sync_api import sync_playwright

    place, name = talking.made_library(folder)
    takes = Library(place).making.breakdowns.takes(name, "point-1")
    flags, rng, lost, well = talking.flags(folder), random.Random(3), list[float](), True
    with served.serve(place) as address, sync_playwright() as play:
        for turn in range(times):
            process, browser = _started(play, folder / f"profile-{turn}", flags)
            context = browser.contexts[0] if browser.contexts else browser.new_context()
            page = context.new_page()
            page.add_init_script(ACKNOWLEDGED)
            talker = talking.Talker(page, address, name)
            if turn:
                talker.press("[data-open='1']")
                page.wait_for_selector("[data-heard]:not([hidden])")
                page.locator("[data-heard-seek]").focus()
                page.keyboard.press("End")
                talker.press("[data-again]")
                page.wait_for_selector(".talk[data-state=recording]")
            else:
                talker.record()
            talker.key(" ")
            until = time.monotonic() + rng.uniform(1.0, 5.0)
            while time.monotonic() < until:
                time.sleep(0.05)
                told, clock = page.evaluate("() => [acknowledged, performance.now() - truth.zeros.at(-1)]")
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            time.sleep(0.3)  # what the browser had sent may still be on its way to the disk
            recording = takes.take("1").recordings[turn]
            lost.append(clock / 1000 - (recording.pieces[-1].clock / 1e6 if recording.pieces else 0))
            if len(recording.pieces) < told:
                well = False
                print(
                    f"  kill {turn + 1}: {told} pieces were acknowledged, {len(recording.pieces)} are there"
                )
    take = takes.take("1")
    voice = voice_of(take, folder)
    bad = [note for note in voice.notes if "cannot be used" in note]
    print(
        f"Nothing lost: killed {times} times, a take of {len(take.recordings)} recordings, {take.us / 1e6:.1f} s:"
    )
    print(f"  sound after the last stored piece: {min(lost):.2f} to {max(lost):.2f} s (pieces of a second)")
    print(
        f"  {len(bad)} recordings cannot be read; acknowledged pieces missing: {'none' if well else 'some'}"
    )
    return well and not bad and len(take.recordings) == times


def _started(play: Any, profile: Path, flags: list[str]) -> tuple[subprocess.Popen[bytes], Any]:
    command = [str(CHROMIUM), "--headless=new", "--remote-debugging-port=0", f"--user-data-dir={profile}"]
    process = subprocess.Popen(
        [*command, *FLAGS, *flags, "about:blank"], stderr=subprocess.DEVNULL, start_new_session=True
    )
    port = profile / "DevToolsActivePort"
    for _ in range(400):
        if port.exists() and port.read_text().strip():
            break
        time.sleep(0.05)
    number = port.read_text().splitlines()[0]
    return process, play.chromium.connect_over_cdp(f"http://127.0.0.1:{number}")


def main() -> int:
    arguments = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    arguments.add_argument("--minutes", type=float)
    arguments.add_argument("--kills", type=int)
    asked = arguments.parse_args()
    both = asked.minutes is None and asked.kills is None
    met = True
    with tempfile.TemporaryDirectory() as name:
        if both or asked.kills is not None:
            met = killed(Path(name) / "kills", 20 if both else asked.kills) and met
        if both or asked.minutes is not None:
            met = in_step(Path(name) / "step", 10 if both else asked.minutes) and met
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
