"""Faults at chosen steps: what a process does to files and its database, counted, one step made to fail.

    shim = Shim(root, "power", step=17); shim.install(); ... do the work

Every opening for writing, rename, removal, sync and SQL statement that writes under `root` is a step:

    count          fail nothing
    kill           the process is killed
    power          it dies and takes along what was not synced: contents become a random beginning of
                   themselves, with or without zeros up to their length, names given or taken since their
                   folder was synced may be as before, and the database's log of changes loses its end
    ENOSPC, EROFS  the disk refuses from then on
    EIO, EACCES    it refuses once

and three kinds that are counted otherwise:

    unreadable     the n-th opening for reading, of fight folders too, fails once (EIO)
    moment         killed after so many microseconds of processor time, wherever that is, in SQLite or libav
    room           no file may grow beyond so many bytes, whoever writes it (SQLite, libav and ffmpeg too)
"""

from __future__ import annotations

import builtins
import contextlib
import errno
import io
import os
import random
import resource
import signal
import sqlite3
import tempfile
import time
from pathlib import Path
from typing import Any, NoReturn

BACKUPS = ("kept", ".kept", ".backup", ".restore")
LASTING = ("ENOSPC", "EROFS")
STEPS = ("kill", "power", "ENOSPC", "EIO", "EACCES", "EROFS")
OTHERS = ("unreadable", "moment", "room")
KINDS = STEPS + OTHERS
_SAYS = {
    "ENOSPC": "database or disk is full",
    "EIO": "disk I/O error",
    "EACCES": "unable to open database file",
    "EROFS": "attempt to write a readonly database",
}
_WRITES = ("INSERT", "UPDATE", "DELETE", "CREATE", "ALTER", "BEGIN", "COMMIT", "VACUUM", "DROP")


class Shim:
    def __init__(self, root: Path, kind: str, step: int = -1, seed: int = 0):
        self.root, self.kind, self.at = root, kind, step
        self.steps = self.reads = 0
        self.rng = random.Random(seed)
        self.began = time.time_ns()
        self.synced: dict[str, tuple[int, int]] = {}  # path: (size, mtime) when last synced
        self.names: list[tuple[str, Path, Path | None]] = []  # (folder, path, what had the name before)
        self.shadowed = 0
        self.shadows = Path(tempfile.mkdtemp(prefix="shadow-", dir=root.parent))
        self.wal = (0, b"")  # bytes of the log of changes that are safe, of which log
        self._database = (0, 0)
        if root.is_dir():  # what was there before is safe
            self.note_sync(f"{root}/catalogue.db-wal")
            self.committed(safe=True)
        self._inside = False

    # --- steps --------------------------------------------------------------------------------------------

    def step(self, where: str = "") -> None:
        """Count one; fail if it is the one."""
        if self._inside:
            return
        self.steps += 1
        if (
            self.kind == "count"
            or self.kind in OTHERS
            or self.steps < self.at
            or (self.steps > self.at and self.kind not in LASTING)
        ):
            return
        if self.kind == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        if self.kind == "power":
            self.cut()
        if where == "sql":
            raise sqlite3.OperationalError(_SAYS[self.kind])
        number = getattr(errno, self.kind)
        raise OSError(number, os.strerror(number), where)

    def read(self, path: Any) -> None:
        """Count an opening for reading; fail if it is the one."""
        try:
            if self._inside or not Path(os.fsdecode(path)).absolute().is_relative_to(self.root.parent):
                return
        except TypeError:
            return
        self.reads += 1
        if self.kind == "unreadable" and self.reads == self.at:
            raise OSError(errno.EIO, os.strerror(errno.EIO), os.fsdecode(path))

    def ours(self, path: Any) -> bool:
        try:
            place = Path(os.fsdecode(path)).absolute()
        except TypeError:  # a descriptor
            return False
        return place.is_relative_to(self.root) or (
            place.is_relative_to(self.root.parent)
            and "".join(place.relative_to(self.root.parent).parts[:1]).startswith(BACKUPS)
        )

    def install(self) -> None:  # noqa: C901 - a stand-in for each call of the system
        real = {
            name: getattr(os, name)
            for name in ("replace", "rename", "unlink", "fsync", "mkdir", "sendfile", "open")
        }
        real_open, shim = builtins.open, self

        def opened(file: Any, mode: str = "r", *args: Any, **more: Any) -> Any:
            if any(c in mode for c in "wax+"):
                if shim.ours(file):
                    shim.step(os.fsdecode(file))
            else:
                shim.read(file)
            return real_open(file, mode, *args, **more)

        def replaced(source: Any, target: Any, **more: Any) -> None:
            if not shim.ours(target):
                return real["replace"](source, target, **more)
            shim.step(os.fsdecode(target))
            shim.renames(Path(os.fsdecode(target)))
            was = shim.synced.pop(os.fsdecode(source), None)
            real["replace"](source, target, **more)
            shim.synced.pop(os.fsdecode(target), None)
            if was is not None:
                shim.synced[os.fsdecode(target)] = was
            shim.moved(os.fsdecode(source), os.fsdecode(target))
            return None

        def unlinked(path: Any, **more: Any) -> None:
            if shim.ours(path) and os.path.lexists(path):
                if shim.kind != "ENOSPC":
                    shim.step(os.fsdecode(path))
                shim.renames(Path(os.fsdecode(path)))
            real["unlink"](path, **more)

        def synced(fd: int) -> None:
            place = os.readlink(f"/proc/self/fd/{fd}")
            if shim.ours(place):
                shim.step(place)
            real["fsync"](fd)
            shim.note_sync(place)

        def low_opened(path: Any, flags: int, *args: Any, **more: Any) -> int:
            if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT) and shim.ours(path):
                shim.step(os.fsdecode(path))
            return int(real["open"](path, flags, *args, **more))

        def made(path: Any, *args: Any, **more: Any) -> None:
            if shim.ours(path):
                shim.step(os.fsdecode(path))
            real["mkdir"](path, *args, **more)

        def sent(*args: Any, **more: Any) -> int:
            shim.step("clip")
            return int(real["sendfile"](*args, **more))

        os.replace = os.rename = replaced  # type: ignore[assignment]
        os.unlink = os.remove = unlinked  # type: ignore[assignment]
        os.fsync, os.mkdir, os.sendfile = synced, made, sent  # type: ignore[assignment]
        os.open = low_opened  # type: ignore[assignment]
        builtins.open = io.open = opened  # type: ignore[assignment]
        self._install_sql()
        if self.kind == "moment":  # the signal that nobody handles: as sudden as SIGKILL
            signal.setitimer(signal.ITIMER_PROF, self.at / 1e6)
        elif self.kind == "room":
            resource.setrlimit(resource.RLIMIT_FSIZE, (self.at, resource.RLIM_INFINITY))

    def uninstall(self) -> None:
        """Room again: what fails lastingly ends with the process, all else happens once."""
        if self.kind == "room":
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))

    def _install_sql(self) -> None:
        shim, real_connect = self, sqlite3.connect

        class Connection(sqlite3.Connection):
            safe = False

            def execute(self, sql: str, *args: Any) -> Any:
                word = sql.lstrip().split(None, 1)[0].upper() if sql.strip() else ""
                if word in _WRITES:
                    shim.step("sql")
                if "synchronous" in sql:
                    self.safe = "FULL" in sql
                done = super().execute(sql, *args)
                if word == "COMMIT":
                    shim.committed(self.safe)
                return done

            def executemany(self, sql: str, *args: Any) -> Any:
                shim.step("sql")
                return super().executemany(sql, *args)

        def connect(*args: Any, **more: Any) -> Any:
            more.setdefault("factory", Connection)
            return real_connect(*args, **more)

        sqlite3.connect = connect  # type: ignore[assignment]

    # --- what is safe -------------------------------------------------------------------------------------

    def renames(self, path: Path) -> None:
        """A name is about to be given to something else, or taken away."""
        before = None
        if path.exists():
            self.shadowed += 1
            before = self.shadows / str(self.shadowed)
            os.link(path, before)
        self.names.append((str(path.parent), path, before))

    def moved(self, source: str, target: str) -> None:
        """A folder has another name; what is known of things in it holds for them there."""

        def there(place: str) -> str:
            return target + place[len(source) :] if place.startswith(source + "/") else place

        self.synced = {there(place): known for place, known in self.synced.items()}
        self.names = [
            (target if folder == source else there(folder), Path(there(str(path))), before)
            for folder, path, before in self.names
        ]

    def note_sync(self, place: str) -> None:
        if place.endswith("-wal"):
            self.wal = self.log_now()
        elif os.path.isdir(place):
            self.names = [entry for entry in self.names if entry[0] != place]
        else:
            with contextlib.suppress(OSError):
                status = os.stat(place)
                self.synced[place] = (status.st_size, status.st_mtime_ns)

    def committed(self, safe: bool) -> None:
        with contextlib.suppress(OSError):
            status = os.stat(self.root / "catalogue.db")
            now = (status.st_size, status.st_mtime_ns)
            # Pages that reached the database itself were synced in the log before.
            if safe or now != self._database:
                self.wal = self.log_now()
            self._database = now

    def log_now(self) -> tuple[int, bytes]:
        try:
            with io.FileIO(str(self.root / "catalogue.db-wal")) as file:
                return os.fstat(file.fileno()).st_size, (file.read(24) or b"")[16:24]
        except OSError:
            return 0, b""

    def cut(self) -> NoReturn:
        """The power goes: what was not synced is lost, as far as chance has it."""
        self._inside = True
        try:
            self._lose()
        except BaseException:
            os.abort()  # a harness that cannot do harm must not look like success
        os.kill(os.getpid(), signal.SIGKILL)
        raise AssertionError

    def _files(self) -> list[Path]:
        found = [p for p in self.root.rglob("*") if not p.name.startswith("catalogue.db")]
        found += [p for name in BACKUPS for p in self.root.parent.glob(f"{name}*")]
        return [p for p in found if p.is_file()]

    def _lose(self) -> None:
        for path in [
            p for p in self.root.rglob("*") if p.is_file() and not p.name.startswith("catalogue.db")
        ]:
            status = path.stat()
            unsafe = self.synced.get(str(path)) != (status.st_size, status.st_mtime_ns)
            if unsafe and status.st_mtime_ns >= self.began and status.st_nlink == 1:
                os.truncate(path, self.rng.randrange(status.st_size + 1))
                if self.rng.random() < 0.5:  # its length was noted, its contents were not written
                    os.truncate(path, status.st_size)
        for _, path, before in reversed(self.names):
            if self.rng.random() < 0.5:
                continue
            with contextlib.suppress(OSError):
                if before is None:
                    if path.exists():
                        path.rename(path.with_name(f".{path.stem}.999999-0.part{path.suffix}"))
                else:
                    Path(before).replace(path)
        size, log = self.log_now()
        safe = self.wal[0] if self.wal[1] == log else 0
        if size > safe:
            os.truncate(self.root / "catalogue.db-wal", self.rng.randrange(safe, size + 1))
