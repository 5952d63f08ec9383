"""Finding: a reading in, a page of exchanges with counts of the whole result out.

    catalogue --revisions--> columns (memory, and cached on disk) --> sequences, filters, counts, order
              --revisions--> text index (on disk)               --> words in notes and titles

Both are derived from the catalogue and carry the revision of each fight they hold, so a change to one fight
costs one fight, also in a process that has been running all along. Words that the reader of phrases did not
understand must be found in an exchange's notes or its fight's title; the steps hold as well.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cliplib.catalogue.catalogue import Catalogue
from cliplib.core.errors import BusyError, StorageError
from cliplib.core.models import ClipRow, Found, Reading, Settings, Where
from cliplib.core.progress import Progress, silent
from cliplib.search.patterns import (
    SECOND_OPINION,
    VIEW,
    Columns,
    FightEntry,
    Hits,
    Matches,
    Pattern,
    Tables,
    assemble,
    encode_fight,
    facets,
    hits,
    limits,
    load,
    outdated,
    page,
    save,
    splice,
)
from cliplib.search.similar import Courses, Similar, similar
from cliplib.vocabulary import Vocabulary

if TYPE_CHECKING:
    from cliplib.search.textindex import TextIndex, WordHits

COLUMNS_FILE = Path("columns", "columns.bin")
MATCHES_SHOWN = 50
"""At most so many matches of one exchange are listed; all are counted."""

_KEPT_RESULTS = 16
_PATIENCE_S = 30.0
"""How long a search waits for another process to finish with the text index before it says so."""


@dataclass(frozen=True)
class _Result:
    matches: Matches | Hits

    @cached_property
    def facets(self) -> dict[str, dict[str, int]]:
        """Counted when they are asked for: of results that are only counted nobody asks."""
        return facets(self.matches)


@dataclass(frozen=True)
class _State:
    """The columns and the catalogue's revision that they were found to agree with."""

    columns: Columns
    revision: int


class Search:
    """The search of one library. `folder`: the library's, where the derived files are kept; where they cannot
    be written they are made in memory.

    Any number of threads may search at once. A search takes the catalogue's revision first, and is answered
    from a state that holds at least that: what was written before it began is in its answer.
    """

    def __init__(
        self, catalogue: Catalogue, vocabulary: Vocabulary, folder: Path, settings: Settings | None = None
    ):
        self._catalogue, self._vocabulary = catalogue, vocabulary
        self._settings = settings or Settings()
        self._path = Path(folder) / COLUMNS_FILE
        self._index = Path(folder) / "index"
        self._columns_lock, self._text_lock = threading.Lock(), threading.Lock()
        self._results_lock = threading.Lock()
        self._state: _State | None = None
        self._results: OrderedDict[object, _Result] = OrderedDict()
        self._courses: Courses | None = None

    @cached_property
    def _text(self) -> TextIndex:
        """Loaded when words are first looked for, which most searches don't do."""
        from cliplib.search.textindex import TextIndex

        kept = TextIndex(self._index)
        if not self._catalogue.read_only:
            return kept
        there = self._index.is_dir() and kept.sound()
        return kept if there and not any(kept.behind(self._catalogue.revisions())) else TextIndex(None)

    # --- searching ----------------------------------------------------------------------------------------

    def find(
        self,
        reading: Reading,
        *,
        where: Where | None = None,
        order: str = "fit",
        offset: int = 0,
        limit: int = 20,
        second_opinions: bool = False,
    ) -> Found:
        """A page of the exchanges that a reading describes, and counts of all of them.

        `where` narrows beyond the reading's own filters. Orders: see `patterns.ORDERS`; where only words are
        searched, `fit` is how well they are met. A reading that asks for no action and no words finds every
        exchange its filters leave. Raises InputError for an order there isn't and for a phrase that says only
        what must not happen.
        """
        for _ in range(3):
            state = self._current()
            result = self._result(reading, where or Where(), second_opinions, state)
            places = page(result.matches, order, offset, limit)
            clips = self._clips(places, result, state.columns, with_matches=bool(reading.steps))
            left_out = views = 0
            if not second_opinions and state.columns.reasons & SECOND_OPINION:
                told = self._result(reading, where or Where(), True, state)
                left_out = len(told.matches.exchanges) - len(result.matches.exchanges)
            if state.columns.reasons & VIEW and (where is None or where.views is None):
                too = replace(where or Where(), views="too")
                told = self._result(reading, too, second_opinions, state)
                views = len(told.matches.exchanges) - len(result.matches.exchanges)
            if state.revision == self._catalogue.revision():
                break  # else something changed meanwhile, and matches might point at other actions
        total = len(result.matches.exchanges)
        return Found(reading, total, tuple(clips), result.facets, max(0, offset), left_out, views)

    def similar(self, exchange_id: int, limit: int = 10, *, elsewhere: bool = False) -> list[Similar]:
        """Exchanges with a like course of actions, the nearest first; NotFoundError for no such exchange.
        `elsewhere`: of other fights only."""
        state = self._current()
        with self._results_lock:
            if self._courses is None or self._courses.columns is not state.columns:
                self._courses = Courses(state.columns, self._vocabulary)
            courses = self._courses
        return similar(courses, exchange_id, limit, elsewhere=elsewhere)

    def words(self, query: str, *, limit: int = 20) -> WordHits:
        """Notes and titles with all the words of a query ("quoted words" side by side), the best first."""
        from cliplib.search.textindex import DamagedError

        self._catch_up_text()
        try:
            return self._text.search(query, limit)
        except DamagedError:
            self._catch_up_text()
            return self._text.search(query, limit)

    # --- keeping up ---------------------------------------------------------------------------------------

    def refresh(self, progress: Progress = silent) -> None:
        """Take over what changed in the catalogue. StorageError if the derived files can't be written."""
        with self._columns_lock:
            self._refresh_columns(progress, must_save=True)
        with self._text_lock:
            self._refresh_text(progress)

    def rebuild(self, progress: Progress = silent) -> None:
        """Make columns and text index anew, whatever there was."""
        # Searches go on over what there is meanwhile, and take over what is written.
        revision = self._catalogue.revision()
        columns = self._taken_over(assemble([], Tables.of(self._vocabulary)), progress)
        with self._columns_lock:
            self._path.unlink(missing_ok=True)
            self._state = _State(columns, revision)
            self._refresh_columns(progress, must_save=True)
        with self._text_lock:
            self._text.remove()
            self._refresh_text(progress)

    def astray(self) -> list[str]:
        """Which of the derived files are damaged, or tell of what the catalogue has not, a sentence each.
        Those that are not there are not missed, and those that only lack the latest changes are sound: they
        are made, and catch up, when they are next needed."""
        found = []
        revisions = self._catalogue.revisions()
        if self._path.is_file():
            columns = load(self._path, self._made_with())
            if columns is None:
                if not outdated(self._path, self._made_with()):  # an older version's are made anew, too
                    found.append("the columns that are searched are damaged")
            elif any(revision > revisions.get(fight, -1) for fight, revision in columns.revisions.items()):
                found.append("the columns that are searched tell of what the catalogue does not have")
        if self._index.is_dir():
            from cliplib.search.textindex import TextIndex

            text = TextIndex(self._index)
            if not text.sound():
                found.append("the text index is damaged")
            elif text.behind(revisions)[1]:
                found.append("the text index tells of what the catalogue does not have")
        return found

    def columns(self) -> Columns:
        """The archive as arrays, up to date."""
        return self._current().columns

    def forget_results(self) -> None:
        """Answer the next search anew; for measuring."""
        with self._results_lock:
            self._results.clear()

    def _current(self) -> _State:
        wanted = self._catalogue.revision()
        state = self._state
        if state is not None and state.revision >= wanted:
            return state
        with self._columns_lock:  # whoever has it is doing this very work
            if self._state is not None and self._state.revision >= wanted:
                return self._state
            return self._refresh_columns(silent, must_save=False)

    def _refresh_columns(self, progress: Progress, *, must_save: bool) -> _State:
        # The revision is read first: a change that comes in between is noticed by the next search.
        revision = self._catalogue.revision()
        made_with = self._made_with()
        state = self._state
        if state is None or state.revision < revision or not self._path.exists():
            old = state.columns if state else load(self._path, made_with)
            columns = self._taken_over(
                old if old is not None else assemble([], Tables.of(self._vocabulary)), progress
            )
            self._state = state = _State(columns, revision)
            self.forget_results()
            if columns is not old or not self._path.exists():
                try:
                    if must_save or not self._catalogue.read_only:
                        save(columns, self._path, made_with)
                except StorageError:
                    # A full disk is no reason not to answer.
                    if must_save:
                        raise
        return state

    def _taken_over(self, columns: Columns, progress: Progress) -> Columns:
        """The columns with what the catalogue holds differently; themselves if that is nothing."""
        revisions = self._catalogue.revisions()
        changed = [f for f, r in revisions.items() if columns.revisions.get(f) != r]
        gone = [f for f in columns.revisions if f not in revisions]
        if not changed and not gone:
            return columns
        tables = columns.tables.copy()
        blocks = []
        rows = {fight.id: fight for fight in self._catalogue.fights(changed)}
        for done, fight_id in enumerate(changed):
            progress("reading actions", done, len(changed))
            if fight_id in rows:
                fight = rows[fight_id]
                entry = FightEntry.of(fight.id, fight.revision, fight.info, fight.red_id, fight.blue_id)
                raw = self._catalogue.columns([fight_id])
                blocks.append(encode_fight(entry, raw, tables, self._vocabulary.is_punch, fight.info.course))
        progress("reading actions", len(changed), len(changed))
        return splice(columns, tables, blocks, gone)

    def _made_with(self) -> str:
        """What of the vocabulary is baked into the columns: which techniques are punches, which outcomes
        count as which."""
        words = self._vocabulary
        told = sorted(name for name in words.names if words.is_punch(name))
        told += [f"{name}: {sorted(words.outcome_family(name))}" for name in words.outcomes]
        return hashlib.blake2b("\n".join(told).encode("utf-8", "surrogatepass"), digest_size=16).hexdigest()

    def _catch_up_text(self) -> None:
        """Bring the text index up to date for a search. BusyError if another process keeps it to itself."""
        from cliplib.search.textindex import TextIndex

        end = time.monotonic() + _PATIENCE_S
        with self._text_lock:
            while True:
                try:
                    return self._refresh_text(silent)
                except StorageError:
                    if self._catalogue.read_only and self._text.folder is not None:
                        self._text = TextIndex(None)  # somebody who can has written to the library
                        continue
                    return None  # a full disk is no reason not to answer
                except BusyError:
                    if time.monotonic() > end:
                        raise

    def _refresh_text(self, progress: Progress) -> None:
        revisions = self._catalogue.revisions()
        changed, gone = self._text.behind(revisions)
        if changed or gone:
            titles = {f.id: (f.title, f.info.event) for f in self._catalogue.fights(changed)}
            self._text.update(
                ((f, revisions[f], *titles[f], *self._noted(f)) for f in changed if f in titles),
                gone,
                len(changed),
                progress,
            )

    def _noted(self, fight_id: int) -> tuple[list[tuple[int, str]], list[tuple[int, str]]]:
        marks = [(item.id, item.mark.note) for item in self._catalogue.marks_of(fight_id)]
        return self._catalogue.notes([fight_id]), marks

    # --- one search ---------------------------------------------------------------------------------------

    def _result(self, reading: Reading, where: Where, second_opinions: bool, state: _State) -> _Result:
        words = tuple(u.text for u in reading.unread)
        key = (reading.steps, reading.where, where, words, second_opinions, state.revision)
        with self._results_lock:
            if key in self._results:
                self._results.move_to_end(key)
                return self._results[key]
        columns = state.columns
        limit = limits((reading.where, where), columns, second_opinions=second_opinions)
        scores = self._word_scores(words, columns) if words else None
        if scores is not None:
            limit.only(scores > 0)
        pattern = Pattern(reading.steps, columns, self._vocabulary, self._settings, limit)
        matches = hits(pattern) or pattern.match()
        if scores is not None and not reading.steps:
            found = scores[matches.exchanges]
            matches = replace(matches, cost=np.round((found.max(initial=0) - found) * 1000).astype(np.int32))
        result = _Result(matches)
        with self._results_lock:
            self._results[key] = result
            while len(self._results) > _KEPT_RESULTS:
                self._results.popitem(last=False)
        return result

    def _clips(
        self, places: npt.NDArray[np.int64], result: _Result, columns: Columns, *, with_matches: bool
    ) -> list[ClipRow]:
        ids = columns.exchange_id[places].tolist()
        if not with_matches:
            return self._catalogue.clip_rows(ids)
        listed = result.matches.tuples(MATCHES_SHOWN, places)
        matches = {int(columns.exchange_id[place]): tuple(some) for place, some in listed.items()}
        return self._catalogue.clip_rows(ids, matches)

    def _word_scores(self, words: Sequence[str], columns: Columns) -> npt.NDArray[np.float64]:
        """[E] how well each exchange's notes and its fight's title meet the words; 0 for not all of them."""
        self._catch_up_text()
        scores = np.zeros(columns.exchanges)
        ids, of_ids, fights = self._text.exchanges(words)
        by_fight = np.array([fights.get(f.id, 0.0) for f in columns.fights])
        if len(by_fight):
            scores += by_fight[columns.fight_of]
        places = columns.places(ids)
        here = places >= 0
        np.maximum.at(scores, places[here], of_ids[here])
        return scores
