"""What is fuzzed: every reader that takes bytes or text from somebody else, each as a function of bytes.

A target may raise only errors of `InputError`'s family (or ValueError where its docstring says so): those are
answers. Anything else is a finding.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import json
import random
import re
import select
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cliplib import logs, phrases
from cliplib.core.errors import InputError
from cliplib.core.models import Corner, FightInfo, LogSource, Settings
from cliplib.core.settings import read_settings
from cliplib.core.timebase import format_time, from_seconds, parse_time
from cliplib.fightfolder.reading import read_fight_folder
from cliplib.library.making.reels import made_reels
from cliplib.logs.forms import FORMS
from cliplib.logs.vttform import parse_stamp
from cliplib.media import slices
from cliplib.media.mp4 import structure
from cliplib.media.mp4.reading import read_movie
from cliplib.reels.drawings import drawing_overlays
from cliplib.reels.frame_shape import Box, Frame, whole
from cliplib.reels.theme_reading import drawings_from, theme_from
from cliplib.relations import deriving
from cliplib.vocabulary import load_vocabulary
from tests.trust import boxes

SEEDS = Path(__file__).parent / "fuzz_seeds"

FIGHT = FightInfo(
    "Adeyemi v Brandt",
    Corner("Emeka Adeyemi", "southpaw"),
    Corner("Jonas Brandt", "orthodox"),
    rounds=3,
    round_us=180_000_000,
    round_starts_us=(12_400_000, 252_400_000, 492_400_000),
    logs=(LogSource("log.csv", "JL"),),
)
NAMES = ("Emeka Adeyemi", "Jonas Brandt")
SETTINGS = Settings()


@functools.cache
def words():
    return load_vocabulary()


@functools.cache
def scratch() -> Path:
    """A folder for files that are read by name, in memory where the system has such a place."""
    memory = Path("/dev/shm")
    place = Path(tempfile.mkdtemp(prefix="fuzz-", dir=memory if memory.is_dir() else None))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    return place


def _put(name: str, data: bytes) -> Path:
    path = scratch() / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    return path


def _text(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")


def search_phrase(data: bytes) -> None:
    read = phrases.read_search(_text(data), words(), fighters=NAMES, fights=(FIGHT.title,))
    json.dumps(phrases.reading_json(read))
    phrases.read_search(read.said, words(), fighters=NAMES, fights=(FIGHT.title,))


def log_phrase(data: bytes) -> None:
    phrases.read_log(_text(data), words(), FIGHT, fighter=NAMES[0])


def completion(data: bytes) -> None:
    phrases.complete(_text(data), words(), NAMES, ())


def _log(suffix: str, data: bytes) -> None:
    path = _put(f"log{suffix}", data)
    read = logs.read_log(path, FIGHT, words(), SETTINGS, file_label=path.name)
    for problem in read.problems:
        str(problem)
    derived = [deriving.derive(e, FIGHT, SETTINGS, words()) for e in read.exchanges]
    for form in FORMS:
        logs.write_log(derived, FIGHT, form, vocabulary=words(), marks=read.marks)


def fight_toml(data: bytes) -> None:
    for name in ("log.csv", "fight.mp4"):
        _put(f"fight/{name}", b"")
    read_fight_folder(_put("fight/fight.toml", data).parent)


def settings_toml(data: bytes) -> None:
    read_settings(_put("settings.toml", data))


def terms_toml(data: bytes) -> None:
    load_vocabulary(_put("terms/terms.toml", data).parent)


def times(data: bytes) -> None:
    text = _text(data)
    with contextlib.suppress(ValueError):
        us = parse_time(text)
        assert parse_time(format_time(us)) == us
    with contextlib.suppress(ValueError):
        parse_stamp(text)
    with contextlib.suppress(ValueError, ZeroDivisionError):
        if len(text) < 40 and "e" not in text.casefold():  # its callers give numbers of TOML and JSON
            from_seconds(text)


def mp4(data: bytes) -> None:
    path = _put("film.mp4", data)
    with contextlib.suppress(InputError):
        structure.look(path)
    movie = read_movie(path)
    for track in movie.of_kind(b"vide"):
        shown = slices.shown_frames(track, movie)
        frames = len(shown.samples)
        for first, last in ((0, 1), (frames // 2, frames), (0, frames)):
            if first < last <= frames:
                with contextlib.suppress(InputError):
                    slices.plan_slice(movie, track, shown, first, last)


def theme(data: bytes) -> None:
    theme_from(_text(data))


_NODE = """
const { momentOf } = await import(process.argv[1]);
const { createInterface } = await import("node:readline");
for await (const line of createInterface({ input: process.stdin })) console.log(JSON.stringify(momentOf(JSON.parse(line))));
"""


@functools.cache
def _page_script() -> subprocess.Popen[str] | None:
    """The clip page's own reader of #t=, in the Node.js that Playwright brings; None without it."""
    try:
        from playwright._impl._driver import compute_driver_executable
    except ImportError:
        return None
    node, script = compute_driver_executable()[0], Path(__file__).parents[2] / "web" / "static" / "moment.js"
    child = subprocess.Popen(
        [node, "--input-type=module", "--no-warnings", "-e", _NODE, script.as_uri()],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1,
    )  # fmt: skip
    atexit.register(child.kill)
    return child


def fragment(data: bytes) -> None:
    """W3C Media Fragments URI 1.0, 4.2.1: what is read as a time is the one that the text says."""
    child, text = _page_script(), "#t=" + data.decode("utf-8", "replace")
    if child is None:
        return
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(json.dumps(text) + "\n")
    assert select.select([child.stdout], [], [], 10)[0], "no answer"
    seconds = json.loads(child.stdout.readline())
    assert seconds is None or 0 <= seconds < float("inf")
    simple = re.fullmatch(r"#t=(?:npt:)?(?:(\d{1,4}):)??(?:(\d{1,4}):)?(\d{1,6})", text, re.ASCII)
    if simple:
        hours, minutes, rest = (int(part or 0) for part in simple.groups())
        assert seconds == hours * 3600 + minutes * 60 + rest


def drawing(data: bytes) -> None:
    try:
        values = json.loads(data)
    except (ValueError, RecursionError):
        return
    frame = Frame(Box(0, 0, 320, 180), whole(), mirror=False)
    drawing_overlays(drawings_from(values)[:20], frame)


def reel_facts(data: bytes) -> None:
    _put("reels/a.mp4", b"")
    _put("reels/a.json", data)
    for reel in made_reels(scratch() / "reels"):
        with contextlib.suppress(InputError):
            reel.ingredients()


@dataclass(frozen=True)
class Target:
    """`run` one input; `dictionary`: pieces that mean something to the reader; `longest` input in bytes.
    `mutate`: in place of mutations of bytes, from a seed; `like`: the target whose seeds it has."""

    run: Callable[[bytes], None]
    dictionary: tuple[bytes, ...] = ()
    longest: int = 4096
    mutate: Callable[[random.Random, bytes], bytes] | None = None
    like: str = ""

    def seeds(self, name: str) -> list[bytes]:
        return [path.read_bytes() for path in sorted((SEEDS / (self.like or name)).glob("*"))] or [b""]


def _words(text: str) -> tuple[bytes, ...]:
    return tuple(piece.encode() for piece in text.split("|"))


_PHRASE = _words(
    "jab|cross|hook| counter| to the body| after | missed| then |, |and |off the |1-2|3b|6b-3-2| slips | rolls |"
    "southpaw |Adeyemi |Brandt's |the other's |in round 3|rounds 2 to 4|last round| within 1 second|in 2024|"
    " on the ropes|no |without |not |double |triple |opponent |landed|blocked|“|’|\u202e|\u0000|ß|İ|\U0001f94a|"
    ' or |either |between |0:30 left|lead |rear |left |right |(|)|"|-|--|é|ﬁ|١'
)
_LOG = _words(
    "time,round,clock,until,exchange,fighter,action,outcome,target,stance,place,note\n|0:02|1:04:12.5|99999999|"
    'Adeyemi|Brandt|jab|counter right uppercut to the body|landed|missed|,|"|""|\r\n|\n\n|\n|\t|WEBVTT\n\n|'
    '00:01.000 --> 00:02.000\n|<v Jonas Brandt>|</v>|-->|NOTE x\n|&amp;|&#x10FFFF;|{"time": 2, "action": "jab"}|'
    '{|}|[|]|:|null|1e999|-1|"\\ud800"|\ufeff|\x00|\x1b[31m|=cmd|NaN|true|\\u0000|2.5'
)
_TOML = _words(
    "title = |date = 2024-05-11|date = 0001-01-01T00:00:00+23:59|rounds = 6|round_seconds = 180|1e308|-1|0|nan|inf|"
    'result = { winner = "x", method = "points" }|[red]\n|[blue]\n|name = "A"|stance = "southpaw"|[footage]\n|'
    'file = "../../x"|first_bell = "0:12"|round_starts = [|[[log]]\n|by = |"""|\'\'\'|\\u0000|\n|=|.|[|]|{|}|'
    'phrase = "jab"|order = "date"|limit = 3|[[clip]]\n|speed = 0.5|drawings = [{kind="arrow", points=[[0,0],[1,1]]}]|'
    'lead_in = 1|footage_roots = ["/"]|number_profile = "x"|[[term]]\n|kind = "punch"|parent = "jab"|true|99999999999999999999'
)
_BOXES = _words(
    "ftyp|moov|mvhd|trak|tkhd|edts|elst|mdia|mdhd|hdlr|minf|stbl|stsd|stts|ctts|stss|stsc|stsz|stz2|stco|co64|"
    "mdat|dref|url |avc1|avcC|vide|soun|mvex|cmov|moof|free|sgpd|sbgp"
) + (b"\0\0\0\0", b"\xff\xff\xff\xff", b"\0\0\0\1", b"\x7f\xff\xff\xff", b"\x80\0\0\0")
_DRAWING = _words(
    '[|]|{|}|,|"kind": "arrow"|"kind": "angle"|"kind": "line"|"kind": "label"|"kind": "pen"|"points": [[0.1, 0.2], [0.5, 0.5]]|'
    '"colour": "#ff0000"|"width": 0.01|"text": "x"|1e308|-1e308|NaN|Infinity|null|true|0|1e-300|[[0,0],[0,0]]'
)

TARGETS: dict[str, Target] = {
    "phrase": Target(search_phrase, _PHRASE, 600),
    "logphrase": Target(log_phrase, _PHRASE, 600),
    "completion": Target(completion, _PHRASE, 300),
    "csv": Target(functools.partial(_log, ".csv"), _LOG),
    "vtt": Target(functools.partial(_log, ".vtt"), _LOG),
    "jsonl": Target(functools.partial(_log, ".jsonl"), _LOG),
    "fight": Target(fight_toml, _TOML),
    "settings": Target(settings_toml, _TOML),
    "terms": Target(terms_toml, _TOML),
    "times": Target(times, _words("0|1|9|:|.|,|-| |0:12.4|1:04:12.5|00:01.000|١|²|e|/"), 60),
    "fragment": Target(
        fragment, _words("0|1|9|59|:|.|,|npt:|&t=|&|%3A|+|-|e9|Infinity|smpte:|clock:|\x00|#|="), 200
    ),
    "mp4": Target(mp4, _BOXES, 1 << 16),
    "mp4boxes": Target(mp4, longest=1 << 20, mutate=boxes.mutated, like="mp4"),
    "theme": Target(theme, _TOML),
    "drawing": Target(drawing, _DRAWING, 2048),
    "reel": Target(reel_facts, _DRAWING, 2048),
}

ANSWERS = (InputError,)
