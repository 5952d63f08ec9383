"""Pass phrases of a library that is served to others: one a role, kept as scrypt hashes (RFC 7914) only.

look    find and watch
log     the same, and log, correct, build reels, bring fights in
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import json
import os
import secrets
import threading
from dataclasses import dataclass
from pathlib import Path

from cliplib.core.errors import InputError, SettingsError, StorageError

ROLES = ("look", "log")
NAME = "passphrases.json"
SHORTEST = 8
LONGEST = 200

# 32 MB and about a tenth of a second a guess, within what OWASP's password storage cheat sheet names (from
# memory).
_COST = {"n": 1 << 15, "r": 8, "p": 1}
_MEMORY = 64 << 20


@dataclass(frozen=True, slots=True)
class Opened:
    """What a pass phrase opens. `seal` changes when the role's pass phrase does, and ends sessions."""

    role: str
    seal: str


class Passphrases:
    """Those of the library in `folder`. Reads the file each time: a new phrase holds at once, everywhere."""

    def __init__(self, folder: Path):
        self._path = folder / NAME
        self._one = threading.Lock()  # a guess at a time: memory stays flat however many knock

    def roles(self) -> tuple[str, ...]:
        """The roles that have a pass phrase."""
        return tuple(role for role in ROLES if role in self._stored())

    def set(self, role: str, phrase: str) -> None:
        """Give a role a pass phrase. InputError for one that is too short or is another role's."""
        if role not in ROLES:
            raise InputError(f"there are the roles {' and '.join(ROLES)}, not “{role}”")
        if not SHORTEST <= len(phrase) <= LONGEST:
            raise InputError(
                f"a pass phrase has {SHORTEST} to {LONGEST} characters; a few words make a good one"
            )
        other = self.check(phrase)
        if other is not None and other.role != role:
            raise InputError(f"that is the pass phrase of the role “{other.role}”; take another one")
        stored = self._stored()
        salt = secrets.token_bytes(16)
        stored[role] = {**_COST, "salt": salt.hex(), "hash": _hash(phrase, salt, _COST).hex()}
        self._keep(stored)

    def remove(self, role: str) -> None:
        """Nobody can sign in with that role any more. InputError if it has no pass phrase."""
        stored = self._stored()
        if stored.pop(role, None) is None:
            raise InputError(f"the role “{role}” has no pass phrase")
        self._keep(stored)

    def check(self, phrase: str) -> Opened | None:
        """The role that a pass phrase opens, or None. Takes as long for a wrong one as for the right one."""
        found = None
        if len(phrase) > LONGEST:
            return None
        with self._one:
            for role, kept in self._stored().items():
                salt, right = bytes.fromhex(str(kept["salt"])), bytes.fromhex(str(kept["hash"]))
                cost = {name: int(kept[name]) for name in _COST}
                if hmac.compare_digest(_hash(phrase, salt, cost), right):
                    found = Opened(role, _seal(str(kept["hash"])))
        return found

    def seal(self, role: str) -> str:
        """What `check` gives for the role's pass phrase as it is now; empty if it has none."""
        kept = self._stored().get(role)
        return _seal(str(kept["hash"])) if kept else ""

    def _stored(self) -> dict[str, dict[str, str | int]]:
        try:
            data = json.loads(self._path.read_bytes())
            if isinstance(data, dict) and all(
                {"salt", "hash", *_COST} <= set(kept) for kept in data.values()
            ):
                return data
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise StorageError(f"{self._path} cannot be read: {error.strerror}") from error
        except (ValueError, TypeError, AttributeError):
            pass
        raise SettingsError(f"{self._path} is damaged; delete it and set the pass phrases anew")

    def _keep(self, stored: dict[str, dict[str, str | int]]) -> None:
        temporary = self._path.with_name(f".{NAME}.{os.getpid()}.part")
        try:
            fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(fd, "w", encoding="utf-8") as file:
                json.dump(stored, file, indent=1)
                file.flush()
                os.fsync(file.fileno())
            os.replace(temporary, self._path)
        except OSError as error:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise StorageError(f"{self._path} cannot be written: {error.strerror}") from error


def _hash(phrase: str, salt: bytes, cost: dict[str, int]) -> bytes:
    return hashlib.scrypt(
        phrase.encode("utf-8", "surrogatepass"), salt=salt, maxmem=_MEMORY, dklen=32, **cost
    )


def _seal(kept: str) -> str:
    return hashlib.sha256(kept.encode()).hexdigest()[:16]
