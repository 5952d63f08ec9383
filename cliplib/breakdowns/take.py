"""A take: one recording of a voice, with what was on the picture while it was spoken, as files.

    TAKE/
      take.json              {"form": "cliplib take 1", "point", "shots": [...], "recordings": [...]}
                             a chart among the shots is [], and "stills": {"2": its link's target}
      0/picture.jsonl        what was on the picture, a line each
      0/sound.jsonl          {"piece": 3, "clock": 4012345, "bytes": 8123, "all": 31200}, a line for each
                             stored piece; "all": bytes up to and with it
      0/sound/00003          the pieces of sound as they came; one after the other they are one file

A take is one or more *recordings*; recording n + 1 was begun "again from here" (or after a tab was closed) at
the moment `begins` of the take, and what recording n has after that moment is kept and not used:

    take       0---------------------------------T
    recording  0--------------|- - - -            until = begins of the next
    recording                 1--------|- -
    recording                          2---------|

**One clock.** Every time in a recording is microseconds of one monotonic clock since that recording began
(`performance.now()` in a browser). Nothing is counted in pieces of sound: they are as long as they are.

**picture.jsonl**: a line is a sample, in the order of time:

    {"t": 1250000, "shot": 0, "frame": 412, "speed": 0.5, "drawings": ["a"], "mirror": "first",
     "region": [0.2, 0.1, 0.5, 0.5], "other": 398}

`t`: when it came onto the picture. `shot`: place in `shots` of take.json. `frame`: of that shot's footage, in
presentation order from 0, as the frame callback gave it. `speed`: how fast film ran from then on, 0 for a
still picture. `drawings`: names of those on the picture. `mirror`: none, both, first or second (a single clip
is the first). `region`: of the upright picture, as filmed; null for all of it. `other`: the second clip's
frame in a side by side, if it is not the one in step. All but t, shot and frame may be left out: as before in
this recording. Or a line is a drawing, before it is named, and again whenever it has changed:

    {"t": 1250000, "drawing": "a", "pane": 0, "values": {"kind": "arrow", "points": [[0.4, 0.5], [0.6, 0.4]]}}

`values`: the keys of a theme file's drawing, without times. `pane`: 1 for the second of two clips.

Or a line says that a sentence of the script begins, counted from 0: {"t": 1250000, "sentence": 3}.

A sample is written at each change, and four times a second while film runs.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from cliplib.breakdowns.shots import ShotRecord, record_from, record_json
from cliplib.core.errors import InputError, NotFoundError
from cliplib.core.models import JSON
from cliplib.media.files import replacing, settle_names, writing
from cliplib.reels.parts import Drawing
from cliplib.reels.theme_reading import drawings_from

FORM = "cliplib take 1"
MIRRORS = ("none", "both", "first", "second")

MOST_PIECE = 16 << 20
"""Bytes of one piece of sound: minutes of it, for a machine that sends what it gathered at once."""
MOST_LINES, MOST_LINE = 5_000, 200_000
"""Lines in one go; letters in one of them."""
MOST_SOUND, MOST_PIECES, MOST_PICTURE = 1 << 30, 100_000, 1 << 28
"""Of one recording: bytes and pieces of sound, bytes of picture data."""
LONGEST_US = 4 * 3600 * 1_000_000
MOST_RECORDINGS = 1_000
MOST_TAKES = 1_000
_BLOCK = 1 << 14
_NAME = re.compile(r"[0-9a-z][0-9a-z-]{0,63}")


@dataclass(frozen=True, slots=True)
class Sample:
    """What is on the picture from `t` on, in the take's time. See the module."""

    t: int
    shot: int
    frame: int
    speed: Fraction = Fraction(0)
    drawings: tuple[tuple[int, Drawing], ...] = ()  # (pane, drawing)
    mirror: str = "none"
    region: tuple[float, float, float, float] | None = None
    other: int | None = None


@dataclass(frozen=True, slots=True)
class Piece:
    """A stored piece of sound: `clock` is when it came, in its recording's time."""

    clock: int
    bytes: int


@dataclass(frozen=True, slots=True)
class Recording:
    """`begins`: in the take's time. `length`: of the recording by its own clock, as far as it is known.
    `sound_begins`: when its sound began, by the same clock. `kind`: what the sound is ("audio/webm")."""

    begins: int
    length: int
    sound_begins: int
    kind: str
    pieces: tuple[Piece, ...]
    sound: tuple[Path, ...]
    ended: bool
    given: bool = False  # a sound file that was brought in: its own length is its clock


@dataclass(frozen=True, slots=True)
class Take:
    """A take as it is stored. `samples`: those that count, in the take's time, ascending; none for a sound
    file: then shots run as the document has them. `us`: how long it is; 0 until its sound file is read."""

    name: str
    point: str
    shots: tuple[tuple[ShotRecord, ...], ...]
    recordings: tuple[Recording, ...]
    samples: tuple[Sample, ...]
    us: int
    notes: tuple[str, ...] = ()
    taps: tuple[tuple[int, int], ...] = ()  # (when, which sentence begins), in the take's time
    stills: Mapping[int, str] = field(default_factory=dict)  # shots that are charts: their links' targets

    @property
    def given(self) -> bool:
        return any(recording.given for recording in self.recordings)

    def used(self) -> list[tuple[int, int, int]]:
        """(from, until, number of the recording) in the take's time, without those that nothing is used
        of."""
        found = []
        for number, one in enumerate(self.recordings):
            until = min([later.begins for later in self.recordings[number + 1 :]] + [one.begins + one.length])
            if until > one.begins or one.given:
                found.append((one.begins, until, number))
        return found


class TakeFolder:
    """One take's files. Every method that writes has brought it to the disk when it returns."""

    def __init__(self, folder: Path):
        self.folder = folder

    @classmethod
    def begin(
        cls,
        takes: Path,
        point: str,
        shots: Sequence[Sequence[ShotRecord]],
        stills: Mapping[int, str] | None = None,
    ) -> TakeFolder:
        """A new take in the folder `takes`, named by its number. `stills`: of shots that are charts."""
        takes.mkdir(parents=True, exist_ok=True)
        there = [int(one.folder.name) for one in takes_in(takes)]
        if len(there) >= MOST_TAKES:
            raise InputError(f"this point has {len(there)} takes; throw some away first")
        number = 1 + max(there, default=0)
        for name in range(number, number + 1000):
            with contextlib.suppress(FileExistsError), writing(takes):
                (takes / str(name)).mkdir()
                made = cls(takes / str(name))
                records = [[record_json(record) for record in one] for one in shots]
                said: JSON = {"form": FORM, "point": point, "shots": records, "recordings": []}
                if stills:
                    said["stills"] = {str(place): target for place, target in stills.items()}
                made._put(said)
                settle_names([takes])
                return made
        raise InputError(f"no room for another take in {takes}")

    def record(self, at_us: int, kind: str, *, sound_begins: int = 0, given: bool = False) -> int:
        """Begin a recording at a moment of the take; its number."""
        said = self._read()
        if not 0 <= at_us <= LONGEST_US:
            raise InputError("a take goes on from a moment within it; give microseconds from 0")
        if len(said["recordings"]) >= MOST_RECORDINGS:
            raise InputError("this take was begun again too often; begin another take")
        if not re.fullmatch(r"[\w./+;=, -]{0,100}", kind, re.ASCII):
            raise InputError("the kind of sound is no media type, like audio/webm")
        number = len(said["recordings"])
        with writing(self.folder):
            (self.folder / str(number) / "sound").mkdir(parents=True, exist_ok=True)
        one = {"begins": at_us, "kind": kind, "sound_begins": sound_begins, "length": None, "given": given}
        self._put({**said, "recordings": [*said["recordings"], one]})
        settle_names([self.folder, self.folder / str(number)])
        return number

    def put_sound(self, recording: int, piece: int, clock_us: int, data: bytes) -> int:
        """Keep a piece of sound; how many there are then. A piece that is there already is passed over, so
        that what was sent twice does no harm; one that comes too early is refused."""
        if len(data) > MOST_PIECE:
            raise InputError(f"a piece of sound has {len(data)} bytes; {MOST_PIECE} at most")
        if not 0 <= clock_us <= LONGEST_US:
            raise InputError("the clock of a piece of sound is no time within a take")
        place = self._place(recording)
        there, stored = _pieces(place / "sound.jsonl")
        if piece < there:
            return there
        if piece > there:
            raise InputError(f"piece {piece} of the sound came before piece {there}; send that one first")
        if stored + len(data) > MOST_SOUND or there >= MOST_PIECES:
            raise InputError("this recording has more sound than a take can hold; end it and begin another")
        with replacing(place / "sound" / f"{piece:05d}") as temporary:
            temporary.write_bytes(data)
        one = {"piece": piece, "clock": clock_us, "bytes": len(data), "all": stored + len(data)}
        _append(place / "sound.jsonl", [one])
        return there + 1

    def put_picture(self, recording: int, first: int, lines: Sequence[Mapping[str, Any]]) -> int:
        """Keep lines of picture data, of which the first is number `first`; how many there are then. Lines
        that are there already are passed over. InputError for a line that is none; nothing is kept then."""
        if len(lines) > MOST_LINES:
            raise InputError(f"{len(lines)} lines of picture data in one go; {MOST_LINES} at most")
        place = self._place(recording)
        there = _count(place / "picture.jsonl")
        if first > there:
            raise InputError(f"line {first} of the picture data came before line {there}")
        fresh = list(lines[there - first :])
        if any(len(json.dumps(line)) > MOST_LINE for line in fresh):
            raise InputError(f"a line of picture data is longer than {MOST_LINE} letters")
        size, last = _tail(place / "picture.jsonl")
        if size > MOST_PICTURE:
            raise InputError("this recording has more picture data than a take can hold; begin another")
        shots = len(self._read()["shots"])
        reader = _Picture(shots, int(json.loads(last)["t"]) if last else 0, known=None)
        for number, line in enumerate(fresh, there):
            reader.take(line, f"line {number} of the picture data")
        _append(place / "picture.jsonl", fresh)
        return there + len(fresh)

    def end(self, recording: int, length_us: int) -> None:
        """The recording ended properly, after so long by its clock."""
        if not 0 <= length_us <= LONGEST_US:
            raise InputError("the length of a recording is no time within a take")
        said = self._read()
        self._place(recording)
        said["recordings"][recording]["length"] = length_us
        self._put(said)

    def take(self) -> Take:
        """What is there. Raises NotFoundError, and InputError for files that cannot be read; a line cut short
        by a power cut is left out and said."""
        said = self._read()
        notes = list[str]()
        try:
            shots = tuple(tuple(record_from(one) for one in some) for some in said["shots"])
            read = [self._recording(n, one, len(shots), notes) for n, one in enumerate(said["recordings"])]
            point = str(said["point"])
            stills = {int(place): str(target) for place, target in said.get("stills", {}).items()}
        except (ValueError, LookupError, TypeError, AttributeError) as problem:
            raise InputError(f"{self.folder} cannot be read as a take ({problem!r})") from problem
        recordings = tuple(one for one, _ in read)
        take = Take(self.folder.name, point, shots, recordings, (), 0, tuple(notes), (), stills)
        kept, taps = list[Sample](), list[tuple[int, int]]()
        for begins, until, number in take.used():
            own = read[number][1]
            kept += [replace(one, t=one.t + begins) for one in own.samples if one.t + begins < until]
            taps += [(t + begins, sentence) for t, sentence in own.taps if t + begins < until]
        us = max((until for _, until, _ in take.used()), default=0)
        return replace(take, samples=tuple(kept), us=us, taps=tuple(taps))

    def _recording(
        self, number: int, said: Mapping[str, Any], shots: int, notes: list[str]
    ) -> tuple[Recording, _Picture]:
        place, spoilt = self.folder / str(number), 0
        came = [json.loads(line) for line in _lines(place / "sound.jsonl")]
        pieces = tuple(Piece(int(piece["clock"]), int(piece["bytes"])) for piece in came)
        reader = _Picture(shots, 0, known={})
        for text in _lines(place / "picture.jsonl"):
            try:
                reader.take(json.loads(text), place.name)
            except (ValueError, InputError):
                spoilt += 1
        if spoilt:
            notes.append(f"{spoilt} lines of picture data in recording {number} cannot be read; left out")
        ended = said["length"] is not None
        known = [piece.clock for piece in pieces[-1:]] + [reader.t]
        recording = Recording(
            int(said["begins"]),
            int(said["length"]) if ended else max(known),
            int(said["sound_begins"]),
            str(said["kind"]),
            pieces,
            tuple(place / "sound" / f"{n:05d}" for n in range(len(pieces))),
            ended,
            bool(said.get("given")),
        )
        return recording, reader

    def lines(self, recording: int) -> list[str]:
        """The picture data of a recording as it is stored, for a page to play it back."""
        return _lines(self._place(recording) / "picture.jsonl")

    def _place(self, recording: int) -> Path:
        place = self.folder / str(recording)
        if recording < 0 or not (place / "sound").is_dir():
            raise NotFoundError(f"this take has no recording {recording}")
        return place

    def _read(self) -> dict[str, Any]:
        try:
            said = json.loads((self.folder / "take.json").read_text(encoding="utf-8"))
            form = said["form"]
        except FileNotFoundError as problem:
            raise NotFoundError(f"there is no take “{self.folder.name}”") from problem
        except (OSError, ValueError, LookupError, TypeError) as problem:
            raise InputError(f"{self.folder}/take.json cannot be read: {problem}") from problem
        if form != FORM:
            raise InputError(
                f"{self.folder} is a take of another form (“{form}”); open it with a newer cliplib"
            )
        return dict(said)

    def _put(self, said: JSON) -> None:
        with replacing(self.folder / "take.json") as temporary:
            temporary.write_text(json.dumps(said, ensure_ascii=False, indent=1), encoding="utf-8")


def takes_in(folder: Path) -> list[TakeFolder]:
    """The takes of a point, in the order in which they were begun."""
    if not folder.is_dir():
        return []
    names = [p.name for p in folder.iterdir() if re.fullmatch(r"\d{1,9}", p.name, re.ASCII)]
    return [TakeFolder(folder / name) for name in sorted(names, key=int)]


def take_named(folder: Path, name: str) -> TakeFolder:
    """NotFoundError for a name that is none; it never leads outside the folder."""
    if not _NAME.fullmatch(name) or not (folder / name / "take.json").is_file():
        raise NotFoundError(f"there is no take “{name[:60]}” of this point")
    return TakeFolder(folder / name)


class _Picture:
    """Reads lines of picture data one after another; InputError for what is none. `known`: None while a part
    of a recording is only checked, as drawings may have been named before."""

    def __init__(self, shots: int, since: int, known: dict[str, tuple[int, Drawing]] | None):
        self.samples: list[Sample] = []
        self.taps: list[tuple[int, int]] = []
        self._shots, self.t, self._known = shots, since, known
        self._last: dict[str, Any] = {"speed": 0, "drawings": [], "mirror": "none", "region": None}

    def take(self, line: Any, where: str) -> None:
        try:
            self._take(line)
        except (ValueError, LookupError, TypeError, AttributeError, InputError) as problem:
            raise InputError(f"{where} is none: {problem}") from problem

    def _take(self, line: Any) -> None:
        t = _whole(line["t"], "t", 0, LONGEST_US)
        if t < self.t:
            raise ValueError(f"time goes back from {self.t} to {t}")
        if "sentence" in line:
            self.taps.append((t, _whole(line["sentence"], "sentence", 0, 100_000)))
            self.t = t
            return
        if "drawing" in line:
            name = str(line["drawing"])
            if not name or len(name) > 64:
                raise ValueError("a drawing needs a name of at most 64 letters")
            (drawing,) = drawings_from([line["values"]])
            pane = _whole(line.get("pane", 0), "pane", 0, 1)
            if self._known is not None:
                self._known[name] = pane, replace(drawing, from_us=None, until_us=None, shots=())
            self.t = t
            return
        said = {**self._last, **{key: line[key] for key in self._last if key in line}}
        shot = _whole(line["shot"], "shot", 0, self._shots - 1)
        frame = _whole(line["frame"], "frame", 0, 1 << 40)
        other = line.get("other")
        sample = Sample(
            t,
            shot,
            frame,
            _speed(said["speed"]),
            self._named(said["drawings"]),
            _mirror(said["mirror"]),
            _region(said["region"]),
            None if other is None else _whole(other, "other", 0, 1 << 40),
        )
        self._last, self.t = said, t
        self.samples.append(sample)

    def _named(self, names: Any) -> tuple[tuple[int, Drawing], ...]:
        if not isinstance(names, list) or len(names) > 200:
            raise ValueError("drawings must be a list of names")
        if self._known is None:
            return ()
        return tuple(self._known[name] for name in names if name in self._known)


def _whole(value: Any, what: str, low: int, high: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{what} must be a whole number")
    if not low <= int(value) <= high:
        raise ValueError(f"{what} {value} does not lie between {low} and {high}")
    return int(value)


def _speed(value: Any) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 16:
        raise ValueError("speed must be a number from 0 to 16")
    return Fraction(str(value)).limit_denominator(100)


def _mirror(value: Any) -> str:
    if value not in MIRRORS:
        raise ValueError(f"mirror must be one of {', '.join(MIRRORS)}")
    return str(value)


def _region(value: Any) -> tuple[float, float, float, float] | None:
    if value is None:
        return None
    x, y, width, height = (float(number) for number in value)
    if not all(map(math.isfinite, (x, y, width, height))):
        raise ValueError("region must be four numbers")
    if not (0 <= x < 1 and 0 <= y < 1 and 0 < width <= 1 and 0 < height <= 1):
        raise ValueError("region must be [x, y, width, height] inside the picture, which goes from 0 to 1")
    return x, y, width, height


def _lines(path: Path) -> list[str]:
    """The whole lines of a file; what a power cut left unfinished is not there."""
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return []
    return [line.decode("utf-8", "replace") for line in text.split(b"\n")[:-1]]


def _tail(path: Path) -> tuple[int, bytes]:
    """(bytes of the whole lines, the last whole line) of a file; it is read from its end."""
    try:
        file = path.open("rb")
    except FileNotFoundError:
        return 0, b""
    with file:
        start, text = file.seek(0, os.SEEK_END), b""
        while start and text.count(b"\n") < 2:
            step = min(start, _BLOCK)
            start -= step
            file.seek(start)
            text = file.read(step) + text
    whole = text[: text.rfind(b"\n") + 1]
    return start + len(whole), whole[:-1].rpartition(b"\n")[2]


def _count(path: Path) -> int:
    """How many whole lines a file has."""
    try:
        with path.open("rb") as file:
            return sum(block.count(b"\n") for block in iter(lambda: file.read(1 << 20), b""))
    except FileNotFoundError:
        return 0


def _pieces(path: Path) -> tuple[int, int]:
    """(how many pieces of sound are stored, their bytes), by the last line; those of a take that was begun
    before lines said it are added up."""
    last = _tail(path)[1]
    if not last:
        return 0, 0
    said = json.loads(last)
    known = said["all"] if "all" in said else sum(json.loads(line)["bytes"] for line in _lines(path))
    return int(said["piece"]) + 1, int(known)


def _append(path: Path, lines: Sequence[Mapping[str, Any]]) -> None:
    if not lines:
        return
    data = "".join(json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n" for line in lines)
    with writing(path), open(path, "r+b" if path.exists() else "xb") as file:
        # What a power cut left of a line is no line: the next one takes its place.
        whole = _tail(path)[0]
        file.truncate(whole)
        file.seek(whole)
        file.write(data.encode("utf-8", "surrogatepass"))
        file.flush()
        os.fsync(file.fileno())
    settle_names([path.parent])
