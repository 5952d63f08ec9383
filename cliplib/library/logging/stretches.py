"""A fight's periods, its parts and its first bell, changed in the library: `library.logging.stretches`.

They are kept where they were always said, in the fight's `fight.toml`, so that there is one place that says
them. Its other lines stay as they are, byte for byte.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from cliplib.core.errors import BusyError, ClipLibError, FightFolderError, InputError, StorageError
from cliplib.core.models import FightInfo
from cliplib.core.parts import Part
from cliplib.core.periods import Period
from cliplib.core.timebase import SECOND, decimal_text, format_time
from cliplib.fightfolder.reading import NAME, read_fight_folder
from cliplib.fightfolder.rewriting import TABLES, Row, with_first_bell, with_tables
from cliplib.ingest.report import IngestReport
from cliplib.library.desk import Desk
from cliplib.media.files import replacing

MOST = 500


@dataclass(frozen=True, slots=True)
class Stretches:
    """What a fight's fight.toml says of one kind, as rows of text by key. `seen`: to be given back when they
    are changed, so that nobody overwrites what they never saw. `info`: the fight, as the file says it."""

    keys: tuple[str, ...]
    rows: tuple[Row, ...]
    seen: str
    info: FightInfo


class FightStretches:
    """`ingest`: brings one fight folder in, without cutting."""

    def __init__(self, desk: Desk, ingest: Callable[[Path], IngestReport]):
        self._desk, self._ingest = desk, ingest

    @staticmethod
    def keys(name: str) -> tuple[str, ...]:
        """The keys of a “period”, or of a “part”."""
        return TABLES[name]

    def both(self, fight_id: int) -> dict[str, Stretches]:
        """The fight's periods (“period”) and the film's parts (“part”), of one reading. FightFolderError if
        its folder is not there."""
        folder = self._desk.fight(fight_id).folder
        told = read_fight_folder(folder, self._desk.settings.footage_roots)
        return {
            name: Stretches(keys, rows_of(told.info, name), told.digest, told.info)
            for name, keys in TABLES.items()
        }

    def periods(self, fight_id: int) -> Stretches:
        """The fight's periods."""
        return self.both(fight_id)["period"]

    def parts(self, fight_id: int) -> Stretches:
        """The film's parts."""
        return self.both(fight_id)["part"]

    def put(
        self, fight_id: int, name: str, rows: Sequence[Mapping[str, str]], *, seen: str | None = None
    ) -> None:
        """Say other periods (`name` is “period”) or parts (“part”) and read the fight again; rows that say
        nothing are left out.

        FightFolderError for what cannot be, BusyError if fight.toml has changed since `seen`, StorageError if
        it cannot be written: nothing has changed then.
        """
        if name not in TABLES or len(rows) > MOST:
            raise InputError(f"a fight has periods and parts, at most {MOST} of each")
        told = [row for row in rows if any(value.strip() for value in row.values())]
        self._rewrite(fight_id, lambda text: with_tables(text, name, told), seen)

    def ring(self, fight_id: int, bell_us: int) -> None:
        """Say when the first bell rings on the film, and read the fight again. Raises as `put` does; also if
        a bell is known already."""
        if self._desk.fight(fight_id).info.round_starts_us:
            raise InputError("The bells of this fight are known already; change them in its fight.toml.")
        bell = format_time(bell_us)
        self._rewrite(fight_id, lambda text: with_first_bell(text, bell), None)

    def _rewrite(self, fight_id: int, edit: Callable[[str], str], seen: str | None) -> None:
        path = self._desk.fight(fight_id).folder / NAME
        before = _read(path)
        if seen is not None and seen != _digest(before):
            raise BusyError("fight.toml has been changed since this was opened; look at it again first")
        try:
            text = before.decode("utf-8")
        except UnicodeDecodeError as error:
            raise FightFolderError(f"{path} is not UTF-8; save the file as UTF-8") from error
        mark, ends = text[: text.startswith("\ufeff")], "\r\n" in text
        made_text = edit(text[len(mark) :].replace("\r\n", "\n"))
        made = (mark + (made_text.replace("\n", "\r\n") if ends else made_text)).encode("utf-8")
        if made == before:
            return
        self._write(path, made)
        try:
            read_fight_folder(path.parent, self._desk.settings.footage_roots)
            report = self._ingest(path.parent).fights[0]
            if report.errors:
                raise report.errors[0]
        except BaseException:
            self._write(path, before)
            raise

    def _write(self, path: Path, data: bytes) -> None:
        try:
            with replacing(path) as temporary:
                temporary.write_bytes(data)
        except OSError as error:
            raise StorageError(
                f"{path} cannot be written: {error.strerror or error}; change it where it is kept, then "
                "ingest the fight again"
            ) from error
        except ClipLibError as error:
            raise StorageError(f"{path} cannot be written: {error}") from error


def rows_of(info: FightInfo, name: str) -> tuple[Row, ...]:
    """A fight's periods or its film's parts as rows of text."""
    told = [_period(p) for p in info.periods] if name == "period" else [part_row(p) for p in info.parts]
    return tuple({key: value for key, value in row.items() if value} for row in told)


def _period(period: Period) -> dict[str, str]:
    first, last = ("" if moment is None else str(moment) for moment in (period.start, period.end))
    return {"name": period.name, "from": first, "until": last}


def part_row(part: Part) -> dict[str, str]:
    """A part as its table says it."""
    alone = part.kind == "gap" and part.end_us == part.start_us
    return {
        "kind": part.kind,
        "from": format_time(part.start_us),
        "until": "" if alone else format_time(part.end_us),
        "name": part.name,
        "jump": decimal_text(Fraction(part.jump_us, SECOND)) if part.kind == "gap" else "",
        "of": "" if part.of_us is None else format_time(part.of_us),
        "speed": "" if part.speed is None else decimal_text(part.speed),
    }


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise FightFolderError(
            f"{path} cannot be read: {error.strerror or error}; is the fight's folder still there?"
        ) from error


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()  # as `read_fight_folder` has it
