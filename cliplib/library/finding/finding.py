"""`library.finding`: reading phrases, finding exchanges, and looking up clips, fights and fighters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from cliplib import phrases
from cliplib.catalogue.rows import FighterRow, FightRow
from cliplib.core.errors import PhraseError
from cliplib.core.models import Action, ClipRow, Found, Reading, Where
from cliplib.library import names
from cliplib.library.desk import Desk
from cliplib.library.finding import fightview
from cliplib.library.finding.fightview import FightView, Frames
from cliplib.library.finding.history import PhraseHistory, with_meant, with_why
from cliplib.library.finding.periods import completed, read_with_periods
from cliplib.library.finding.saying import say_action
from cliplib.library.themefiles import ThemeFiles

if TYPE_CHECKING:
    from cliplib.search.similar import Similar
    from cliplib.search.textindex import WordHits


MOST_PERIODS = 5


class Finding:
    """See the top of this file. Every method reads the library as it is now, from any number of threads.
    `history`: what was searched before."""

    def __init__(self, desk: Desk, themes: ThemeFiles):
        self._desk, self._themes = desk, themes
        self.history = PhraseHistory(desk.folder)

    # --- phrases ------------------------------------------------------------------------------------------

    def explain(self, phrase: str, *, strict: bool = False) -> Reading:
        """How a phrase is read. `strict`: PhraseError for words that are not understood."""
        desk = self._desk
        fighters, fights = desk.names()
        read = partial(
            phrases.read_search,
            vocabulary=desk.vocabulary,
            fighters=fighters,
            fights=fights,
            settings=desk.settings,
        )
        reading = read_with_periods(phrase, desk.periods(), read)
        if strict and reading.unread:
            raise PhraseError(
                "\n".join(_unread_line(phrase, u.text, u.start, u.meant) for u in reading.unread)
            )
        return reading

    def trace(self, phrase: str) -> tuple[str, ...]:
        """The way of a reading: the rules it went through with their costs, and the runner-up."""
        fighters, fights = self._desk.names()
        return phrases.trace(phrase, self._desk.vocabulary, fighters=fighters, fights=fights)

    def find(
        self,
        phrase: str,
        *,
        where: Where | None = None,
        order: str = "fit",
        offset: int = 0,
        limit: int = 20,
        strict: bool = False,
        second_opinions: bool = False,
        noted: bool = True,
    ) -> Found:
        """A page of the exchanges that a phrase describes, with counts of all of them.

        `where` narrows further than the phrase does. Orders: fit, date, round, fighter. An exchange that two
        people logged counts once, as the first of them told it, unless `second_opinions` are asked for.
        `noted`: it is a search that somebody made, to be offered again.
        """
        reading = self.explain(phrase, strict=strict)
        search = self._desk.search
        found = search.find(
            reading, where=where, order=order, offset=offset, limit=limit, second_opinions=second_opinions
        )
        if noted and found.total and not self._desk.hiding.active:
            self.history.add(reading)
        if found.total:
            return found
        if reading.unread:
            found = with_meant(found, self.words(" ".join(u.text for u in reading.unread), limit=0))
        return with_why(found, where, search.last_round())

    def complete(self, prefix: str) -> list[str]:
        """Phrases that begin with what was typed so far: those searched before and those of themes first."""
        fighters, titles = self._desk.names()
        known: list[str] = []
        if prefix.strip():
            known = [*self.history.phrases({*fighters, *titles}), *self._themes.phrases()]
        periods = completed(prefix, self._desk.periods())
        offered = phrases.complete(prefix, self._desk.vocabulary, fighters, known, titles)
        return list(dict.fromkeys([*periods[:MOST_PERIODS], *offered]))

    def words(self, query: str, *, limit: int = 20) -> WordHits:
        """Notes, marks and titles with all the words of a query, the best first."""
        found = self._desk.search.words(query, limit=limit)
        fights = {hit.fight_id for hit in found.hits if hit.mark_id is not None}
        marks = {item.id: item.mark for fight in fights for item in self._desk.catalogue.marks_of(fight)}
        hits = (replace(h, mark=marks.get(h.mark_id)) if h.mark_id is not None else h for h in found.hits)
        return replace(found, hits=tuple(hits))

    # --- clips --------------------------------------------------------------------------------------------

    def clip(self, clip_id: int, phrase: str = "") -> ClipRow:
        """One exchange by number, with what `phrase` matches in it; NotFoundError if there is none."""
        row = self._desk.clip(clip_id)
        return self.matched([row], phrase)[0] if phrase else row

    def clips(self, clip_ids: Sequence[int]) -> list[ClipRow]:
        """Exchanges by number, in that order, without those that are gone."""
        return self._desk.catalogue.clip_rows(clip_ids)

    def matched(self, clips: Sequence[ClipRow], phrase: str) -> list[ClipRow]:
        """The same clips, each with what `phrase` matches in it."""
        found: dict[int, ClipRow] = {}
        for title in dict.fromkeys(clip.fight for clip in clips):
            within = Where(fight=title)
            page = self.find(phrase, where=within, limit=1_000_000, second_opinions=True)
            found |= {clip.id: clip for clip in page.clips}
        return [found.get(clip.id, clip) for clip in clips]

    def similar(self, clip_id: int, limit: int = 10, *, elsewhere: bool = False) -> list[Similar]:
        """Exchanges with a like course of actions, the nearest first; NotFoundError for no such clip.
        `elsewhere`: of other fights only."""
        return self._desk.search.similar(clip_id, limit, elsewhere=elsewhere)

    def say(self, action: Action) -> str:
        """What one fighter did, in trade language, without their name and the outcome."""
        return say_action(action, self._desk.vocabulary)

    def frames(self, clip_id: int) -> Frames:
        """A clip's frames with their times and the round clock; InputError if it has not been cut."""
        return fightview.frames_of(self._desk.catalogue, self._desk.clip(clip_id))

    def angles(self, clip_id: int) -> list[ClipRow]:
        """What else shows the exchange of this clip: itself, if this is a replay, and the logged replays."""
        return fightview.angles(self._desk.catalogue, self._desk.clip(clip_id))

    def neighbours(self, clip_id: int) -> tuple[int | None, int | None]:
        """The exchanges of its fight just before and just after it."""
        return fightview.neighbours(self._desk.catalogue, self._desk.clip(clip_id))

    # --- fights and people --------------------------------------------------------------------------------

    def fights(self) -> tuple[FightRow, ...]:
        """Every fight, by date and title."""
        return self._desk.catalogue.fights()

    def fight(self, which: int | str) -> FightRow:
        """A fight by number, or by any part of its title that only one fight has; NotFoundError otherwise."""
        return self._desk.fight(which)

    def picture_of(self, fight_id: int) -> int | None:
        """The clip whose picture stands for a fight; None before any is there."""
        return self._desk.catalogue.first_picture(fight_id)

    def fight_view(self, which: int | str) -> FightView:
        """A fight's rounds with every exchange in place, who did what how often, where its log has gaps."""
        return fightview.view(self._desk.catalogue, self._desk.fight(which))

    def fighters(self) -> tuple[FighterRow, ...]:
        """Everybody who has a fight, by name."""
        return self._desk.catalogue.fighters()

    def periods(self) -> tuple[str, ...]:
        """Names of the periods of all fights; those that differ in capital letters alone once."""
        return self._desk.periods()

    def fighter_named(self, text: str) -> str:
        """The full name of the one fighter whose name holds `text`; NotFoundError if none or several do."""
        return names.fighter_named(text, self._desk.names()[0])

    def within(self, where: Where, fight: int | str) -> Where:
        """The same filters within one fight, by number or a part of its title that only one has: by its
        title, and by its day where the title was used more than once. NotFoundError for none."""
        row = self._desk.fight(fight)
        named = [title for _, title, *_ in self._desk.catalogue.fight_keys() if title == row.title]
        if len(named) > 1 and row.info.date is not None and where.dates is None:
            where = replace(where, dates=(row.info.date, row.info.date))
        return replace(where, fight=row.title)

    def checked(self, where: Where) -> Where:
        """Filters with names as the library has them; InputError for a value that nothing can have, with the
        nearest ones."""
        desk = self._desk
        return names.checked(where, *desk.names(), desk.periods(), desk.vocabulary)


def _unread_line(phrase: str, text: str, start: int, meant: Sequence[str]) -> str:
    hint = f"; did you mean {' or '.join(f'“{m}”' for m in meant[:3])}?" if meant else ""
    return f"“{text}” is not understood{hint}\n    {phrase}\n    {' ' * start}{'^' * max(1, len(text))}"
