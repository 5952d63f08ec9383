"""The takes of a breakdown kept in the library: recorded piece by piece, chosen, heard and thrown away."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cliplib.breakdowns.shots import ShotRecord
from cliplib.breakdowns.take import Take, TakeFolder, take_named, takes_in
from cliplib.core.errors import InputError
from cliplib.core.models import JSON
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import to_seconds
from cliplib.media.files import replacing
from cliplib.media.sound import RATE, read_voice

CHOSEN = "chosen"
SOUND_ENDINGS = (".wav", ".flac", ".mp3", ".m4a", ".mp4", ".ogg", ".opus", ".webm", ".aac", ".aiff")
_PIECE = 8 << 20


@dataclass(frozen=True, slots=True)
class TakeInfo:
    """A take of a point. `seconds`: how long; `given`: a sound file that was brought in."""

    name: str
    seconds: float
    recordings: int
    given: bool
    chosen: bool
    notes: tuple[str, ...]

    def as_json(self) -> JSON:
        return {
            "take": self.name, "seconds": round(self.seconds, 3), "recordings": self.recordings,
            "sound_file": self.given, "chosen": self.chosen, "notes": list(self.notes),
        }  # fmt: skip


class PointTakes:
    """The takes of one point, in a folder of their own. `must_write`: called before anything is changed,
    raises where the library cannot be."""

    def __init__(self, folder: Path, point: str, must_write: Callable[[], None]):
        self._folder, self._point, self._must_write = folder, point, must_write

    def all(self) -> list[TakeInfo]:
        """In the order in which they were begun; one that cannot be read says so in its notes."""
        chosen = self.chosen()
        found = []
        for one in takes_in(self._folder):
            name = one.folder.name
            try:
                take = one.take()
            except InputError as problem:
                found.append(TakeInfo(name, 0.0, 0, False, False, (str(problem),)))
                continue
            is_chosen = chosen is not None and chosen.name == name
            count = len(take.recordings)
            found.append(TakeInfo(name, to_seconds(take.us), count, take.given, is_chosen, take.notes))
        return found

    def chosen(self) -> Take | None:
        """The take that was chosen, else the newest with anything in it."""
        try:
            name = (self._folder / CHOSEN).read_text(encoding="utf-8").strip()
            return take_named(self._folder, name).take()
        except (OSError, UnicodeDecodeError, InputError):
            pass  # none was chosen, or it is gone
        for one in reversed(takes_in(self._folder)):
            try:
                take = one.take()
            except InputError:
                continue
            if take.us or take.given:
                return take
        return None

    def choose(self, name: str) -> None:
        """Have a take used; NotFoundError if there is none of that name."""
        self._to_change(name)
        with replacing(self._folder / CHOSEN) as temporary:
            temporary.write_text(name + "\n", encoding="utf-8")

    def remove(self, name: str) -> None:
        """Throw a take away for good."""
        shutil.rmtree(self._to_change(name).folder)

    def begin(self, shots: Sequence[Sequence[ShotRecord]], stills: Mapping[int, str] | None = None) -> str:
        """A new take over these shots; its name. `stills`: targets of those that are charts."""
        self._must_write()
        return TakeFolder.begin(self._folder, self._point, shots, stills).folder.name

    def bring(self, sound: Path, progress: Progress = silent, *, name: str = "") -> str:
        """A sound file as a take: shots run as the document has them, over its length. `name`: what it is
        called, if not as on the disk. FootageError for a file that cannot be heard; nothing is kept then."""
        self._must_write()
        ending = Path(name or sound).suffix.lower()
        if ending not in SOUND_ENDINGS:
            raise InputError(f"{name or sound}: bring a sound file: {', '.join(SOUND_ENDINGS)}")
        samples, _ = read_voice(sound, progress)
        if not samples.shape[1]:
            raise InputError(f"{sound} holds no sound")
        take = TakeFolder.begin(self._folder, self._point, ())
        try:
            kind = f"audio/{ending[1:]}"
            number = take.record(0, kind, given=True)
            with sound.open("rb") as file:
                for piece, data in enumerate(iter(lambda: file.read(_PIECE), b"")):
                    take.put_sound(number, piece, 0, data)
            take.end(number, samples.shape[1] * 1_000_000 // RATE)
        except BaseException:
            shutil.rmtree(take.folder, ignore_errors=True)
            raise
        self.choose(take.folder.name)
        return take.folder.name

    # --- while it is recorded: what a method returned from is on the disk ----------------------------------

    def record(self, take: str, at_us: int, kind: str, sound_begins: int = 0) -> int:
        return self._to_change(take).record(at_us, kind, sound_begins=sound_begins)

    def put_sound(self, take: str, recording: int, piece: int, clock_us: int, data: bytes) -> int:
        return self._to_change(take).put_sound(recording, piece, clock_us, data)

    def put_picture(self, take: str, recording: int, first: int, lines: Sequence[Mapping[str, Any]]) -> int:
        return self._to_change(take).put_picture(recording, first, lines)

    def end(self, take: str, recording: int, length_us: int) -> None:
        self._to_change(take).end(recording, length_us)

    def _to_change(self, name: str) -> TakeFolder:
        self._must_write()
        return take_named(self._folder, name)

    def take(self, name: str) -> Take:
        return take_named(self._folder, name).take()

    def lines(self, name: str, recording: int) -> list[str]:
        """A recording's picture data, as it is stored, a line each."""
        return take_named(self._folder, name).lines(recording)
