"""Load: `python -m tests.bench.load --fights 1000 --seconds 30`, and `--requests 14400` for an hour's worth.

The pages of an archive, served as they are (waitress, four threads) on this machine, with twelve players
open: searches a second and their latency from four clients, beside the bytes of one of these pages from a bare
Flask view under the same server; and the server's memory after each quarter of the requests.

An hour's worth: twelve people who ask for a page every three seconds, as fast as the server answers. Besides
the searches it asks for pages that it was never asked for before: other rounds and outcomes, later pages of
results, clips, fights, counts. Memory is flat if the last quarter adds less than a twentieth to the second.
"""

from __future__ import annotations

import argparse
import http.client
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
from pathlib import Path

from cliplib import Library
from tests.libraries import make_fight
from tests.search.archive import write_catalogue

PLAYERS, CLIENTS = 12, 4
PHRASES = (
    "jab", "counter to the body after a missed jab", "lead hook in round 3", "slip then cross",
    "southpaw jab", "hook landed on the ropes", "cross blocked", "1-2 then hook to the body",
)  # fmt: skip

_PAGES = """
import logging
import sys
from pathlib import Path
from cliplib_web import create_app, serve
logging.getLogger("waitress.queue").setLevel(logging.ERROR)
server = serve.server(create_app(Path(sys.argv[1])), "127.0.0.1", 0)
print(server.effective_port, flush=True)
server.run()
"""
_BARE = """
import sys
from pathlib import Path
from flask import Flask
from waitress.server import create_server
app, page = Flask("bare"), Path(sys.argv[1]).read_bytes()
app.add_url_rule("/", "page", lambda: page)
server = create_server(app, host="127.0.0.1", port=0, threads=4)
print(server.effective_port, flush=True)
server.run()
"""


class Server:
    def __init__(self, code: str, argument: Path):
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, str(argument)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        assert self.process.stdout is not None
        self.port = int(self.process.stdout.readline())

    def memory(self) -> int:
        """Resident, in MB."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(text.partition("VmRSS:")[2].split()[0]) >> 10

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()

    def get(self, path: str, **headers: str) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        body = answer.read()
        connection.close()
        return answer.status, body


def play(server: Server, path: str, over: threading.Event, wrong: list[str]) -> None:
    """A player: a piece, a pause, the next piece, from the start again."""
    at = 0
    while not over.is_set():
        status, body = server.get(path, Range=f"bytes={at}-")
        if status not in (200, 206):
            wrong.append(f"{path}: {status}")
            return
        at = at + len(body) if status == 206 and len(body) >= 1 << 20 else 0
        over.wait(0.5)


def another(rng: random.Random, paths: list[str], fights: int) -> str:
    """Half of the time one of `paths`, else a page that is hardly ever asked for twice."""
    if rng.random() < 0.5:
        return rng.choice(paths)
    search = f"{rng.choice(paths)}&round={rng.randint(1, 12)}&outcome={rng.choice(('landed', 'missed', 'blocked'))}"
    return rng.choice(
        (
            f"{search}&page={rng.randint(1, 30)}",
            f"/clip/{rng.randint(1, fights * 250)}",
            f"/fights/{rng.randint(1, fights)}",
            f"/counts/?{rng.choice(paths).partition('?')[2]}&by=fighter&round={rng.randint(1, 12)}",
        )
    )


def measure(
    server: Server, paths: list[str], seconds: float, clips: list[str], requests: int = 0, fights: int = 0
) -> dict[str, object]:
    """For `seconds`, or until so many `requests` are answered, of pages of so many `fights`."""
    took: list[float] = []
    wrong: list[str] = []
    memory = [server.memory()]
    began = time.monotonic()
    over = threading.Event()
    rng = random.Random(5)

    def ask(seed: int) -> None:
        mine = random.Random(seed)
        while not over.is_set():
            path = another(mine, paths, fights) if requests else mine.choice(paths)
            asked = time.monotonic()
            try:
                status, _ = server.get(path)
            except OSError as problem:
                wrong.append(f"{path}: {problem}")
                continue
            took.append(time.monotonic() - asked)
            if status != 200:
                wrong.append(f"{path}: {status}")

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(CLIENTS)]
    threads += [
        threading.Thread(target=play, args=(server, rng.choice(clips), over, wrong))
        for _ in range(PLAYERS if clips else 0)
    ]
    for thread in threads:
        thread.start()
    for quarter in range(1, 5):
        while (
            len(took) < requests * quarter / 4
            if requests
            else time.monotonic() < began + seconds * quarter / 4
        ):
            time.sleep(0.05)
        memory.append(server.memory())
    over.set()
    lasted = time.monotonic() - began
    for thread in threads:
        thread.join()
    if requests and memory[4] > memory[2] * 1.05:
        wrong.append(f"memory is not flat: {memory} MB")
    took.sort()
    return {
        "a second": round(len(took) / lasted, 1),
        "median ms": round(statistics.median(took) * 1000),
        "99th ms": round(took[int(len(took) * 0.99)] * 1000),
        "requests": len(took),
        "memory MB": memory,
        "wrong": wrong[:20],
    }


def make(folder: Path, fights: int) -> list[int]:
    """An archive in `folder`; the numbers of clips that can be played."""
    library = Library(folder, create=True)
    make_fight(folder.parent / "fights" / "one")
    assert library.logging.ingest([folder.parent / "fights"]).exit_code == 0
    write_catalogue(library.desk.catalogue, fights)
    library.care.reindex()
    playable = [clip.id for clip in library.finding.find("", limit=10_000, order="date").clips if clip.file]
    if not playable:
        playable = [kept.exchange_id for kept in library.desk.catalogue.care.files() if kept.exchange_id]
    library.close()
    return playable


def run(fights: int, seconds: float, requests: int = 0) -> dict[str, dict[str, object]]:
    """Figures of the pages, of an hour's worth of requests if there are `requests`, and of the bare view."""
    with tempfile.TemporaryDirectory(prefix="load-") as place:
        began = time.monotonic()
        playable = make(Path(place, "library"), fights)
        print(f"{fights} fights made in {time.monotonic() - began:.0f} s", flush=True)
        pages = Server(_PAGES, Path(place, "library"))
        try:
            paths = [f"/?q={urllib.parse.quote_plus(phrase)}" for phrase in PHRASES]
            for path in paths:
                status, page = pages.get(path)
                assert status == 200, (path, status)
            clips = [f"/clips/{number}.mp4" for number in playable]
            clips = [path for path in clips if pages.get(path, Range="bytes=0-1")[0] == 206]
            assert clips, "no clip can be played"
            Path(place, "page.html").write_bytes(page)
            result = {"pages": measure(pages, paths, seconds, clips)}
            if requests:
                result["an hour's worth"] = measure(pages, paths, 0, clips, requests, fights)
        finally:
            pages.close()
        bare = Server(_BARE, Path(place, "page.html"))
        try:
            result["bare view"] = measure(bare, ["/"], seconds / 3, [])
        finally:
            bare.close()
    return result


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--fights", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--requests", type=int, default=0, help="an hour's worth is 14400")
    given = parser.parse_args()
    result = run(given.fights, given.seconds, given.requests)
    for name, figures in result.items():
        print(name, figures)
    return 1 if any(figures["wrong"] for figures in result.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
