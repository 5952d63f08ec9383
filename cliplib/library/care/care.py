"""`library.care`: looking a library over and mending it, backups, forgetting, pass phrases."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from cliplib.catalogue.medium import READ_ONLY
from cliplib.catalogue.rows import FightRow
from cliplib.core.errors import StorageError
from cliplib.core.progress import Progress, silent
from cliplib.library.care import forget
from cliplib.library.care.backup import BackedUp, back_up
from cliplib.library.care.check import Check, Fault
from cliplib.library.care.forget import Forgotten, Going, OwnLog
from cliplib.library.care.passphrases import Passphrases
from cliplib.library.care.signedin import SignedIn
from cliplib.library.desk import Desk
from cliplib.library.finding.history import PhraseHistory
from cliplib.library.logging.logging import Logging
from cliplib.library.making.reelmaker import ReelMaker


class Care:
    """See the top of this file. `passphrases`: those that others sign in with; `signed_in`: who has."""

    def __init__(self, desk: Desk, history: PhraseHistory, logging: Logging, making: ReelMaker):
        self._desk, self._history, self._logging, self._making = desk, history, logging, making
        self.passphrases = Passphrases(desk.folder)
        self.signed_in = SignedIn(desk.folder, self.passphrases)

    def check(self, *, repair: bool = False, deep: bool = False, progress: Progress = silent) -> list[Fault]:
        """What is wrong with the library or this machine, and what was done about it; empty for nothing."""
        if repair and self._desk.catalogue.read_only:
            raise StorageError(f"{READ_ONLY.format(self._desk.folder)}; repair a copy of it")
        found = [
            Fault(f"“{title}” was being forgotten when that was cut short; parts of it are left")
            for title in forget.cut_short(self._desk.folder)
        ]
        if found and repair:
            self.finish_forgetting(progress)
            for fault in found:
                fault.done = "forgotten now"
        return found + Check(self._desk, self._making, repair, deep, progress).run()

    def reindex(self, progress: Progress = silent) -> None:
        """Make everything that is derived from the catalogue anew."""
        self._desk.search.rebuild(progress)

    def backup(self, out: Path, *, clips: bool = False, progress: Progress = silent) -> BackedUp:
        """Write the library into one file or a new folder, while people go on; see `backup.back_up`."""
        return back_up(self._desk, out, clips=clips, progress=progress)

    def what_goes(self, fight_ids: Sequence[int]) -> Going:
        """What forgetting fights would take along: logs that are nowhere else, and reels."""
        return forget.what_goes(self._desk, fight_ids)

    def forget(self, fight_ids: Sequence[int], progress: Progress = silent) -> Forgotten:
        """Take fights out for good, with all that shows them; see `forget.forget_fights`. Their fight folders
        and footage stay untouched."""
        return forget.forget_fights(self._desk, self._history, fight_ids, progress)

    def finish_forgetting(self, progress: Progress = silent) -> tuple[str, ...]:
        """Finish what somebody was killed at while they forgot fights; the titles, for nothing none."""
        titles = forget.cut_short(self._desk.folder)
        if titles:
            self.forget([], progress)
        return titles

    def fights_of(self, fighter: str) -> tuple[FightRow, ...]:
        """A fighter's fights; NotFoundError if nobody has that very name."""
        return forget.fights_of(self._desk, fighter)

    def save_logs(self, logs: Sequence[OwnLog], folder: Path) -> list[Path]:
        """Write logs as CSV files into a folder, made if need be; nothing there is overwritten."""
        return forget.save_logs(self._logging, logs, folder)

    def mentions(self, name: str) -> tuple[Path, ...]:
        """The files of the library that hold a name, in letters as files and videos keep them. Reads every
        byte."""
        return forget.mentions(self._desk.folder, name)
