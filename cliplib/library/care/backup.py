"""A library in one file, made while people go on working, and a library made of such a file.

catalogue.db (with the logs that were written here), settings.toml, terms.toml, themes, what reels are made
of, and breakdowns with their takes; with clips on request. All else is made again from fight folders and
footage. A backup is a tar file, or a folder, with a manifest of every file's size and digest.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import io
import json
import os
import re
import shutil
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO

from cliplib.catalogue.catalogue import Catalogue
from cliplib.core.errors import ClipLibError, InputError
from cliplib.core.progress import Progress, silent
from cliplib.core.settings import read_settings
from cliplib.core.version import __version__
from cliplib.ingest.cut import take_away, unfinished
from cliplib.library.desk import Desk
from cliplib.library.making.outside import noted_outside
from cliplib.media.files import replacing, settle, settle_names, writing
from cliplib.vocabulary import load_vocabulary

MANIFEST = "backup.json"
FORM = "cliplib backup 1"
CATALOGUE = "catalogue.db"
_ALWAYS = (
    *("settings.toml", "terms.toml", "themes/*.toml", "reels/*.json"),
    *("breakdowns/*/breakdown.md", "breakdowns/*/breakdown.notes.json", "breakdowns/*/takes/*/chosen"),
    *("breakdowns/*/takes/*/*/take.json", "breakdowns/*/takes/*/*/*/*.jsonl"),
    "breakdowns/*/takes/*/*/*/sound/*",
)
_WITH_CLIPS = ("clips/*/*.mp4", "posters/*/*.jpg", "reels/*.mp4", "breakdowns/*/film.mp4")
_PLACE = re.compile(
    r"catalogue\.db|settings\.toml|terms\.toml|themes/[^/]+\.toml|reels/[^/]+\.(json|mp4)|"
    r"(clips/[^/]+/[^/]+\.mp4)|(posters/[^/]+/[^/]+\.jpg)|"
    r"breakdowns/[^/]+/(breakdown\.(md|notes\.json)|film\.mp4|takes/[^/]+/"
    r"(chosen|[^/]+/(take\.json|[^/]+/([^/]+\.jsonl|sound/[^/]+))))"
)


_MOST_FILES = 4_000_000
_SMALL = {MANIFEST: 1 << 30, "settings.toml": 1 << 20, "terms.toml": 16 << 20}
"""Bytes that a file of a backup has at most."""


@dataclass(frozen=True, slots=True)
class BackedUp:
    """What a backup holds. `missing`: clips and posters that rows point to and that are not in it."""

    out: Path
    files: int
    fights: int
    missing: int


def back_up(desk: Desk, out: Path, *, clips: bool = False, progress: Progress = silent) -> BackedUp:
    """Write a backup: a tar file if `out` ends in .tar, else a new folder. InputError if it exists already;
    StorageError if there is no room. The catalogue is as at one moment; nobody has to stop."""
    if out.exists():
        raise InputError(f"{out} exists already; give a backup a name of its own")
    if not out.absolute().parent.is_dir():
        raise InputError(f"{out.absolute().parent} does not exist; make that folder first")
    if out.absolute().resolve().is_relative_to(desk.folder.resolve()):
        raise InputError(f"{out} lies inside the library; a backup belongs somewhere else, on another disk")
    with (
        noted_outside(desk.folder, out.absolute().parent),
        writing(out),
        tempfile.TemporaryDirectory(dir=out.absolute().parent, prefix=f".backup-{os.getpid()}-") as place,
    ):
        copy = Path(place, CATALOGUE)
        desk.catalogue.care.copy_to(copy)
        patterns = _ALWAYS + (_WITH_CLIPS if clips else ())
        root = desk.folder
        files = {CATALOGUE: copy}
        files |= {
            path.relative_to(root).as_posix(): path
            for pattern in patterns
            for path in sorted(root.glob(pattern))
            if path.is_file() and not path.name.startswith(".")
        }
        with _writer(out) as put:
            noted = {}
            for number, (name, path) in enumerate(files.items()):
                progress("backing up", number, len(files))
                with contextlib.suppress(FileNotFoundError):  # recut a moment ago: it can be cut again
                    noted[name] = put(name, path)
            progress("backing up", len(files), len(files))
            fights = desk.catalogue.revisions()
            manifest = {
                "form": FORM,
                "cliplib": __version__,
                "made": datetime.datetime.now().isoformat(timespec="seconds"),
                "files": noted,
            }
            text = Path(place, MANIFEST)
            text.write_text(json.dumps(manifest, indent=1), encoding="utf-8")
            put(MANIFEST, text)
    settle([out] if out.is_file() else [out / name for name in (*noted, MANIFEST)])
    settle_names([out.absolute().parent])
    wanted = {kept.place for kept in desk.catalogue.care.files() if kept.kind != "working copy"}
    return BackedUp(out, len(noted), len(fights), len(wanted - noted.keys()))


class _Put:
    """Writes a file into the backup under a name; returns its size and digest as written."""

    def __init__(self, tar: tarfile.TarFile | None, folder: Path | None):
        self._tar, self._folder = tar, folder

    def __call__(self, name: str, path: Path) -> dict[str, object]:
        with path.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            source = _Digesting(file, size)
            if self._tar is not None:
                member = tarfile.TarInfo(name)
                member.size, member.mode = size, 0o600
                self._tar.addfile(member, source)
            else:
                assert self._folder is not None
                target = self._folder / name
                target.parent.mkdir(parents=True, exist_ok=True)
                with target.open("wb") as out:
                    shutil.copyfileobj(source, out)
                    out.flush()
                    os.fsync(out.fileno())
        return {"size": size, "sha256": source.digest.hexdigest()}


class _Digesting(io.RawIOBase):
    """The first `size` bytes of a file, digested as they are read."""

    def __init__(self, file: io.BufferedReader, size: int):
        self._file, self._left, self.digest = file, size, hashlib.sha256()

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(min(self._left, size) if size >= 0 else self._left)
        self._left -= len(data)
        self.digest.update(data)
        return data


@contextlib.contextmanager
def _writer(out: Path) -> Iterator[_Put]:
    if out.suffix == ".tar":
        with replacing(out) as temporary, tarfile.open(temporary, "w") as tar:
            yield _Put(tar, None)
        return
    with tempfile.TemporaryDirectory(dir=out.absolute().parent, prefix=f".backup-{os.getpid()}-") as place:
        folder = Path(place, "whole")
        folder.mkdir()
        yield _Put(None, folder)
        os.rename(folder, out)


def restore(backup: Path, folder: Path, progress: Progress = silent) -> int:
    """Make a library in `folder` of a backup; the number of files. Every file is compared with the manifest
    before the library gets its name.

    InputError if there is something at `folder` already, or the backup is not one, damaged or incomplete.
    """
    folder = folder.absolute()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(
            f"{folder} exists already; a backup is restored to a new place, never over a library"
        )
    if not backup.exists():
        raise InputError(f"there is no backup at {backup}")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        take_away(path for path in unfinished(folder.parent) if path.name.startswith(".restore-"))
        with (
            writing(folder),
            tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".restore-{os.getpid()}-") as place,
        ):
            whole = Path(place, "whole")
            found = _unpack(backup, whole, progress)
            _compare(backup, whole, found)
            (whole / MANIFEST).unlink()
            _sound(backup, whole)
            if folder.exists():
                folder.rmdir()
            settle_names(path for path in (whole, *whole.rglob("*")) if path.is_dir())
            os.rename(whole, folder)
            settle_names([folder.parent])
    except (tarfile.TarError, EOFError) as error:
        raise InputError(f"{backup} is not a backup, or is damaged: {error}") from error
    return len(found) - 1


def _unpack(backup: Path, whole: Path, progress: Progress) -> dict[str, tuple[int, str]]:
    """Copy files that a backup may hold, and no others; their sizes and digests by name."""
    found: dict[str, tuple[int, str]] = {}

    def take(name: str, file: IO[bytes], size: int) -> None:
        if name != MANIFEST and not _is_place(name):
            raise InputError(f"{backup} holds “{name[:80]}”, which is no part of a backup")
        if name in found:
            raise InputError(f"{backup} holds “{name[:80]}” twice; one of them may be anything")
        if len(found) >= _MOST_FILES:
            raise InputError(f"{backup} holds more than {_MOST_FILES:,} files, “{name[:80]}” and others")
        if name in _SMALL and size > _SMALL[name]:
            raise InputError(f"{backup} holds “{name}” of {size:,} bytes, more than any library has")
        progress("restoring", len(found), 0)
        target = whole / name
        target.parent.mkdir(parents=True, exist_ok=True)
        digest = hashlib.sha256()
        left = size
        with target.open("xb") as out:
            while left and (block := file.read(min(left, 1 << 20))):
                out.write(block)
                digest.update(block)
                left -= len(block)
            out.flush()
            os.fsync(out.fileno())
        found[name] = size - left, digest.hexdigest()

    if backup.is_dir():
        for path in sorted(p for p in backup.rglob("*") if p.is_file() and not p.is_symlink()):
            with path.open("rb") as file:
                take(path.relative_to(backup).as_posix(), file, path.stat().st_size)
        return found
    with tarfile.open(backup, "r:") as tar:
        for member in tar:
            content = tar.extractfile(member) if member.isreg() else None
            if content is None:
                raise InputError(f"{backup} holds “{member.name[:80]}”, which is not a plain file")
            take(member.name, content, member.size)
    return found


def _sound(backup: Path, whole: Path) -> None:
    """Raise InputError unless what was unpacked is a library: the digests only say that it is as it was
    written, by whomever."""
    try:
        load_vocabulary(whole, read_settings(whole / "settings.toml").number_profile)
        catalogue = Catalogue(whole / CATALOGUE)
        try:
            wrong = catalogue.care.problems() + catalogue.care.strangers()
        finally:
            catalogue.close()
    except ClipLibError as error:
        said = str(error).replace(f"{whole}{os.sep}", "")
        raise InputError(f"{backup} makes no library: {said}") from error
    if wrong:
        more = f", and {len(wrong) - 3} more" if len(wrong) > 3 else ""
        raise InputError(f"{backup} makes no sound library: {'; '.join(wrong[:3])}{more}; use another backup")
    settle([whole / CATALOGUE])


def _is_place(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return _PLACE.fullmatch(name) is not None and ".." not in parts and "\\" not in name and "\0" not in name


def _compare(backup: Path, whole: Path, found: dict[str, tuple[int, str]]) -> None:
    try:
        manifest = json.loads((whole / MANIFEST).read_text(encoding="utf-8"))
        noted = {name: (int(f["size"]), str(f["sha256"])) for name, f in manifest["files"].items()}
        form = manifest["form"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"{backup} has no manifest that can be read; it is incomplete or no backup"
        ) from error
    if form != FORM:
        raise InputError(f"{backup} is of another form (“{form}”); restore it with a newer cliplib")
    wrong = sorted(
        name for name in noted.keys() | (found.keys() - {MANIFEST}) if noted.get(name) != found.get(name)
    )
    if wrong or CATALOGUE not in noted:
        raise InputError(
            f"{backup} is damaged: {', '.join(wrong[:5]) or 'its catalogue is missing'}; use another backup"
        )
