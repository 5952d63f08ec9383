"""New fights made in the library: `library.logging.new_fights`. Of footage in the footage roots, or sent in
pieces.

A fight made here gets a fight folder like any other, in the library's `fights/`, and comes in by ingest; its
log file is empty until somebody logs. Footage is looked into before anything is kept: what cannot be probed
is refused, whatever it is called.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import shutil
import time
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from cliplib.core.errors import (
    BusyError,
    FightFolderError,
    FootageError,
    InputError,
    NotFoundError,
    StorageError,
)
from cliplib.fightfolder.reading import NAME, may_read, read_fight_folder
from cliplib.ingest.report import IngestReport
from cliplib.library.desk import Desk
from cliplib.logs import forms
from cliplib.media.probe import probe

FIGHTS, UPLOADS = "fights", "uploads"
LARGEST = 64 << 30
"""Bytes of footage that may be sent: a championship fight in a camera's best quality."""

PIECE = 1 << 20
SPARE = 1 << 30
"""Bytes that stay free on the disk whatever is sent."""

MOST_UPLOADS = 50
"""Files on their way at once, from everybody together."""

_KEPT_S = 7 * 24 * 3600
_MOST_LISTED = 500
_KEY = re.compile(r"[A-Za-z0-9_-]{16,40}")
_ENDINGS = {"mp4": ".mp4", "mov": ".mp4", "matroska": ".mkv", "webm": ".mkv", "mpegts": ".ts", "avi": ".avi"}


@dataclass(frozen=True, slots=True)
class Upload:
    """Footage on its way: `offset` of `size` bytes are here."""

    key: str
    offset: int
    size: int

    @property
    def complete(self) -> bool:
        return self.offset == self.size


@dataclass(frozen=True, slots=True)
class NewFight:
    """What fight.toml is to say, as somebody typed it; an empty text leaves its key out."""

    title: str
    red: str
    blue: str
    red_stance: str = ""
    blue_stance: str = ""
    date: str = ""
    event: str = ""
    rounds: str = ""
    round_seconds: str = ""
    rest_seconds: str = ""
    first_bell: str = ""


class NewFights:
    """`library.logging.new_fights`. `ingest`: brings one fight folder in."""

    def __init__(self, desk: Desk, ingest: Callable[[Path], IngestReport]):
        self._desk, self._ingest = desk, ingest
        self._folder = desk.folder / UPLOADS

    # --- footage that is here -----------------------------------------------------------------------------

    def candidates(self) -> list[str]:
        """Files in the footage roots that may be footage, by name; no more than some hundreds."""
        found: list[str] = []
        for root in self._desk.settings.footage_roots:
            for parent, folders, names in os.walk(root):
                folders[:] = sorted(f for f in folders if not f.startswith("."))
                found += [
                    str(Path(parent, n))
                    for n in sorted(names)
                    if not n.startswith(".") and Path(n).suffix.casefold() not in _NO_FOOTAGE
                ]
                if len(found) >= _MOST_LISTED:
                    return found[:_MOST_LISTED]
        return found

    # --- footage sent in pieces ---------------------------------------------------------------------------

    def begin(self, size: int) -> Upload:
        """Expect footage of so many bytes. InputError for too many, StorageError without room for them."""
        if not 0 < size <= LARGEST:
            raise InputError(f"footage has 1 to {LARGEST:,} bytes, not {size:,}")
        try:
            self._folder.mkdir(exist_ok=True)
            self._sweep()
            expected = [path.stem for path in self._folder.glob("*.json")]
            if len(expected) >= MOST_UPLOADS:
                raise BusyError(
                    "too many files are on their way already; finish or cancel some of them first"
                )
            self._check_room(size + sum(map(self._lacking, expected)))
            key = secrets.token_urlsafe(18)
            (self._folder / f"{key}.json").write_text(json.dumps({"size": size}), encoding="utf-8")
            (self._folder / f"{key}.part").touch()
        except OSError as error:
            raise _storage(error) from error
        return Upload(key, 0, size)

    def _check_room(self, size: int) -> None:
        if shutil.disk_usage(self._folder).free - SPARE < size:
            raise StorageError("there is not enough room for that footage; free some space first")

    def _lacking(self, key: str) -> int:
        """Bytes of an upload that are still to come."""
        with contextlib.suppress(NotFoundError):
            state = self.upload(key)
            return state.size - state.offset
        return 0

    def upload(self, key: str) -> Upload:
        """How much of it is here; NotFoundError if nothing is expected under that key."""
        if not _KEY.fullmatch(key):
            raise NotFoundError("there is no such upload")
        try:
            size = int(json.loads((self._folder / f"{key}.json").read_bytes())["size"])
            return Upload(key, (self._folder / f"{key}.part").stat().st_size, size)
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise NotFoundError("there is no such upload any more; send the file again") from error

    def append(self, key: str, offset: int, data: bytes) -> Upload:
        """The next piece. BusyError if it does not begin where the last one ended: `upload` says where."""
        with self._alone(key) as state:
            if offset != state.offset:
                raise BusyError(f"{state.offset} bytes are here; go on from there, not from {offset}")
            if len(data) > PIECE or offset + len(data) > state.size:
                raise InputError(f"a piece has at most {PIECE:,} bytes, and the file {state.size:,}")
            self._check_room(len(data))
            try:
                with open(self._folder / f"{key}.part", "r+b") as file:
                    file.seek(offset)
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())  # after a power cut, its length says how much is really here
            except OSError as error:
                with contextlib.suppress(OSError):  # half a piece is no piece
                    os.truncate(self._folder / f"{key}.part", offset)
                raise _storage(error) from error
        return Upload(key, offset + len(data), state.size)

    def uploaded(self, key: str) -> Path:
        """The file of an upload that is here as a whole; InputError if it is not yet."""
        state = self.upload(key)
        if not state.complete:
            raise InputError(f"only {state.offset:,} of {state.size:,} bytes of the file are here yet")
        return self._folder / f"{key}.part"

    def drop(self, key: str) -> None:
        """Forget an upload."""
        self.upload(key)
        for suffix in (".part", ".json", ".lock"):
            (self._folder / f"{key}{suffix}").unlink(missing_ok=True)

    @contextlib.contextmanager
    def _alone(self, key: str) -> Iterator[Upload]:
        """Two pieces at once would tear the file; the second is told to wait."""
        self.upload(key)
        lock = self._folder / f"{key}.lock"
        with contextlib.suppress(OSError):
            if time.time() - lock.stat().st_mtime > 60:  # of a server that was killed
                lock.unlink()
        try:
            os.close(os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        except FileExistsError as error:
            raise BusyError("another piece of this file is being written; try again") from error
        except OSError as error:
            raise _storage(error) from error
        try:
            yield self.upload(key)
        finally:
            lock.unlink(missing_ok=True)

    def _sweep(self) -> None:
        """Uploads that nobody went on with for a week."""
        for path in self._folder.iterdir():
            if time.time() - path.stat().st_mtime > _KEPT_S:
                path.unlink(missing_ok=True)

    # --- the fight ----------------------------------------------------------------------------------------

    def make(self, new: NewFight, *, footage: str = "", upload: str = "") -> int:
        """Make a fight with footage from the roots or from an upload, or without; its number.

        FootageError for a file that is no footage, FightFolderError for what fight.toml cannot say. Then
        there is no fight, and an upload is still there.
        """
        path, sent = self._footage(footage, upload)
        ending = ""
        if path is not None:
            container = probe(path).info.container
            ending = next((e for name, e in _ENDINGS.items() if name in container), ".video")
        file = f"fight{ending}" if sent else str(path or "")
        root = self._desk.folder / FIGHTS
        slug = _slug(new.title)
        folder = next(
            f for n in range(1, 10_000) if not (f := root / (f"{slug}-{n}" if n > 1 else slug)).exists()
        )
        try:
            folder.mkdir(parents=True)
        except OSError as error:
            raise _storage(error) from error
        try:
            (folder / NAME).write_text(_toml(new, file), encoding="utf-8")
            (folder / "log.csv").write_text("time,fighter,action,outcome,note\n", encoding="utf-8")
            info = read_fight_folder(folder, self._desk.settings.footage_roots).info
            known = [
                f for f in self._desk.catalogue.fights() if (f.title, f.info.date) == (info.title, info.date)
            ]
            if known:
                raise FightFolderError(
                    f"there is a fight “{info.title}” of that date already; give another title or date"
                )
            if sent and path is not None:
                os.replace(path, folder / file)
            report = self._ingest(folder).fights[0]
            if report.fight_id is None:
                raise report.errors[0]
        except BaseException as error:
            if sent and path is not None and (folder / file).exists():
                os.replace(folder / file, path)
            shutil.rmtree(folder, ignore_errors=True)
            if isinstance(error, OSError):
                raise _storage(error) from error
            raise
        if upload:
            with contextlib.suppress(NotFoundError, OSError):
                (self._folder / f"{upload}.json").unlink(missing_ok=True)
        return report.fight_id

    def _footage(self, footage: str, upload: str) -> tuple[Path | None, bool]:
        if upload:
            return self.uploaded(upload), True
        if not footage:
            return None, False
        path = Path(footage)
        roots = self._desk.settings.footage_roots
        if not path.is_absolute() or not roots or not may_read(path, roots[0], roots):
            raise FootageError("choose footage from the list: it lies in none of the library's footage_roots")
        return path, False


_NO_FOOTAGE = frozenset(
    (
        ".toml",
        *forms.suffixes(),
        ".json",
        ".txt",
        ".md",
        ".jpg",
        ".jpeg",
        ".png",
        ".srt",
        ".db",
        ".pdf",
    )
)


def _slug(title: str) -> str:
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().casefold()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "fight"


def _toml(new: NewFight, file: str) -> str:
    """The text of fight.toml. Numbers and dates go in as they were typed: reading it says what is wrong."""
    lines = [f"title = {_quoted(new.title)}"]
    lines += [f"{key} = {_bare(getattr(new, key))}" for key in ("date",) if getattr(new, key)]
    lines += [f"event = {_quoted(new.event)}"] if new.event else []
    numbers = ("rounds", "round_seconds", "rest_seconds")
    lines += [f"{key} = {_bare(getattr(new, key))}" for key in numbers if getattr(new, key)]
    for corner in ("red", "blue"):
        lines += ["", f"[{corner}]", f"name = {_quoted(getattr(new, corner))}"]
        stance = getattr(new, f"{corner}_stance")
        lines += [f"stance = {_quoted(stance)}"] if stance else []
    if file:
        lines += ["", "[footage]", f"file = {_quoted(file)}"]
        lines += [f"first_bell = {_quoted(new.first_bell)}"] if new.first_bell else []
    lines += ["", "[[log]]", 'file = "log.csv"']
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string (TOML 1.0): JSON's, but for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _bare(text: str) -> str:
    """A number or date; anything else is quoted, and refused by its reader."""
    return text.strip() if re.fullmatch(r"[0-9][0-9.\-]*", text.strip()) else _quoted(text)


def _storage(error: OSError) -> StorageError:
    return StorageError(
        f"the library cannot keep that: {error.strerror or error}; free some space, or look at its rights"
    )
