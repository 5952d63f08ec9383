"""Who is signed in to a library that is served to others: a table on the server, one small file a session.

A browser's cookie carries a key and nothing else. What the key opens is kept here, under the key's digest, so
that a session ends for good with sign-out, with a new pass phrase or when whoever runs the library ends it; a
copy of the cookie is worth nothing then.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import os
import secrets
import time
from dataclasses import dataclass
from pathlib import Path

from cliplib.core.errors import NotFoundError, StorageError
from cliplib.library.care.passphrases import Passphrases
from cliplib.media.files import replacing

NAME = "signed-in"
DAYS = 30
"""So long a session lasts without being used."""

MOST = 1000
"""Sessions kept; the one unused for longest goes. Each cost a right pass phrase, so that nobody floods it."""

_NOTED_S = 60.0  # use is noted once a minute


@dataclass(frozen=True, slots=True)
class Session:
    """`number`: names it in lists, and opens nothing. `by`: the name for logs. `used`: when last."""

    number: str
    role: str
    by: str
    since: datetime.datetime
    used: datetime.datetime


class SignedIn:
    """The sessions of the library in `folder`. Reads the files each time: what is ended is ended everywhere.

    Where the folder cannot be written (a library on a read-only medium), sessions are kept in memory.
    """

    def __init__(self, folder: Path, passphrases: Passphrases):
        self._folder = folder / NAME
        self._passphrases = passphrases
        self._memory: dict[str, tuple[str, float]] = {}

    def begin(self, role: str, seal: str, by: str) -> str:
        """Sign somebody in; the key for their cookie."""
        key = secrets.token_urlsafe(32)
        since = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        text = json.dumps({"role": role, "seal": seal, "by": by, "since": since})
        number = _number(key)
        try:
            self._folder.mkdir(mode=0o700, exist_ok=True)
            with replacing(self._folder / f"{number}.json") as temporary:
                fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
                with os.fdopen(fd, "w", encoding="utf-8") as file:
                    file.write(text)
        except (OSError, StorageError):
            self._memory[number] = text, time.time()
        self._sweep()
        return key

    def of(self, key: str) -> Session | None:
        """The session that a key opens; None for one that is over or never was."""
        number = _number(key)
        found = self._read(number)
        if found is not None and time.time() - found.used.timestamp() > _NOTED_S:
            if number in self._memory:
                self._memory[number] = self._memory[number][0], time.time()
            with contextlib.suppress(OSError):
                os.utime(self._folder / f"{number}.json")
        return found

    def all(self) -> tuple[Session, ...]:
        """Everybody who is signed in, the last used first."""
        found = (self._read(number) for number in self._numbers())
        return tuple(sorted((s for s in found if s), key=lambda s: s.used, reverse=True))

    def end(self, key: str) -> None:
        """Sign out whoever has this key."""
        self._drop(_number(key))

    def end_number(self, number: str) -> Session:
        """Sign out the one whose number begins so; NotFoundError if that is nobody, or several."""
        found = [session for session in self.all() if number and session.number.startswith(number)]
        if len(found) != 1:
            raise NotFoundError(
                f"{'several sessions begin' if found else 'no session begins'} with “{number}”; "
                "see who is signed in: cliplib signed-in list"
            )
        self._drop(found[0].number)
        return found[0]

    def end_all(self) -> int:
        """Sign everybody out; how many there were."""
        count = len(self.all())
        for number in self._numbers():
            self._drop(number)
        return count

    def _numbers(self) -> list[str]:
        names = []
        with contextlib.suppress(FileNotFoundError):
            names = [path.stem for path in self._folder.glob("*.json") if not path.name.startswith(".")]
        return [*names, *(number for number in list(self._memory) if number not in names)]

    def _read(self, number: str) -> Session | None:
        try:
            if number in self._memory:
                text, used = self._memory[number]
            else:
                path = self._folder / f"{number}.json"
                text, used = path.read_text(encoding="utf-8"), path.stat().st_mtime
            said = json.loads(text)
            session = Session(
                number,
                str(said["role"]),
                str(said["by"]),
                datetime.datetime.fromisoformat(said["since"]),
                datetime.datetime.fromtimestamp(used).astimezone(),
            )
            seal = str(said["seal"])
        except (OSError, ValueError, KeyError, TypeError):
            return None
        good = seal and seal == self._passphrases.seal(session.role)
        return session if good and time.time() - used < DAYS * 86_400 else None

    def _drop(self, number: str) -> None:
        self._memory.pop(number, None)
        try:
            (self._folder / f"{number}.json").unlink(missing_ok=True)
        except OSError as error:
            raise StorageError(
                f"{self._folder}: a session could not be ended: {error.strerror}; set a new pass phrase, "
                "which ends all of its role"
            ) from error

    def _sweep(self) -> None:
        """Take away what is over, and what is too many."""
        live = [session.number for session in self.all()]
        for number in {*self._numbers(), *live[MOST:]} - set(live[:MOST]):
            with contextlib.suppress(StorageError):
                self._drop(number)


def _number(key: str) -> str:
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()[:32]
