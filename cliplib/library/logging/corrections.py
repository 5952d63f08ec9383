"""Corrections made in the library: another in and out for a clip, other actions for an exchange."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from cliplib.core.errors import FootageError, InputError
from cliplib.core.models import ClipRow
from cliplib.core.progress import silent
from cliplib.ingest.correct import Corrector, Line, lines_of
from cliplib.ingest.ingest import LOCK
from cliplib.ingest.lock import only_one
from cliplib.library.desk import Desk

SHORTEST = 1  # frames of a clip


class Corrections:
    """`library.logging.corrections`: what is corrected stands when the fight is ingested again, is written by
    `library.logging.export_log`, and can be taken back. The log files themselves are never touched."""

    def __init__(self, desk: Desk):
        self._desk = desk

    def recut(self, clip_id: int, first: int, last: int) -> ClipRow:
        """Cut a clip anew as the footage's frames [first, last). InputError for frames there are not."""
        desk = self._desk
        clip = desk.clip(clip_id)
        footage = desk.catalogue.footage(clip.fight_id)
        if footage is None:
            raise FootageError(f"“{clip.fight}” has no footage yet; ingest it again when it has")
        line = footage.timeline
        if not 0 <= first <= last - SHORTEST < len(line):
            raise InputError(
                f"frames {first} to {last - 1} cannot be clip {clip_id}: the footage has frames 0 to "
                f"{len(line) - 1}, and the last must not lie before the first"
            )
        return self._do(
            clip, lambda c: c.respan(clip.fight_id, clip_id, (line.us_of(first), line.us_of(last)))
        )

    def cut_as_logged(self, clip_id: int) -> ClipRow:
        """Cut a clip as its log and the settings have it."""
        clip = self._desk.clip(clip_id)
        return self._do(clip, lambda c: c.respan(clip.fight_id, clip_id, None))

    def lines(self, clip_id: int) -> tuple[Line, ...]:
        """An exchange's actions, a line each, as `reword` takes them."""
        return lines_of(self._desk.clip(clip_id).actions, self._desk.vocabulary)

    def reword(self, clip_id: int, lines: Sequence[Line]) -> ClipRow:
        """Put other actions in an exchange's place, and cut its clip anew if that moves it.

        LogError for lines that cannot be read; nothing is changed then.
        """
        clip = self._desk.clip(clip_id)
        return self._do(clip, lambda c: c.reword(clip.fight_id, clip_id, lines))

    def as_logged(self, clip_id: int) -> ClipRow:
        """The actions as the log has them."""
        clip = self._desk.clip(clip_id)
        return self._do(clip, lambda c: c.reword(clip.fight_id, clip_id, None))

    def of(self, clip_id: int) -> tuple[bool, bool]:
        """Whether a clip's in and out, and whether its actions, were corrected."""
        clip = self._desk.clip(clip_id)
        for correction in self._desk.catalogue.corrections(clip.fight_id):
            if correction.exchange_id == clip_id:
                return correction.in_us is not None, correction.actions is not None
        return False, False

    def _do(self, clip: ClipRow, step: Callable[[Corrector], None]) -> ClipRow:
        desk = self._desk
        with only_one(desk.folder / LOCK):
            corrector = Corrector(desk.folder, desk.catalogue, desk.settings, desk.vocabulary)
            step(corrector)
            if clip.file is not None:
                source = desk.prepared(clip.fight_id, clip.fight, silent)
                corrector.recut(clip.fight_id, clip.id, source, silent)
            desk.catalogue.care.settle()
        return desk.clip(clip.id)
