"""Finding: a reading in, a page of exchanges with counts of the whole result out.

    catalogue --revisions--> columns (memory, and cached on disk) --> sequences, filters, counts, order
              --revisions--> text index (on disk)               --> words in notes and titles

Both are derived from the catalogue and carry the revision of each fight they hold, so a change to one fight
costs one fight, also in a process that has been running all along. The columns are a base, which is what the
disk keeps, and a part for what changed since (patterns/parts.py); the two are folded in the background.

Words that the reader of phrases did not understand must be found in an exchange's notes or its fight's title;
the steps hold as well.
"""

from __future__ import annotations

import contextlib
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
from cliplib.core.errors import BusyError, ClipLibError, StorageError
from cliplib.core.models import ClipRow, Found, Reading, Settings, Where
from cliplib.core.progress import Progress, silent
from cliplib.search.patterns import (
    SECOND_OPINION,
    VIEW,
    Answer,
    Columns,
    FightEntry,
    Hits,
    Matches,
    Parts,
    Pattern,
    Tables,
    assemble,
    encode_fight,
    hits,
    limits,
    load,
    make_ready,
    outdated,
    page,
    save,
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
class _State:
    """The archive and the catalogue's revision that it was found to agree with."""

    parts: Parts
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
        self._fold_lock = threading.Lock()  # taken before the columns' lock
        self._folding: threading.Thread | None = None
        self._results_lock = threading.Lock()
        self._state: _State | None = None
        self._results: OrderedDict[object, Answer] = OrderedDict()
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
            places = page(result, order, offset, limit)
            clips = self._clips(places, result, with_matches=bool(reading.steps))
            left_out = views = 0
            if not second_opinions and state.parts.reasons & SECOND_OPINION:
                told = self._result(reading, where or Where(), True, state)
                left_out = told.total - result.total
            if state.parts.reasons & VIEW and (where is None or where.views is None):
                too = replace(where or Where(), views="too")
                told = self._result(reading, too, second_opinions, state)
                views = told.total - result.total
            if state.revision == self._catalogue.revision():
                break  # else something changed meanwhile, and matches might point at other actions
        return Found(reading, result.total, tuple(clips), result.facets, max(0, offset), left_out, views)

    def similar(self, exchange_id: int, limit: int = 10, *, elsewhere: bool = False) -> list[Similar]:
        """Exchanges with a like course of actions, the nearest first; NotFoundError for no such exchange.
        `elsewhere`: of other fights only."""
        columns = self.columns()
        with self._results_lock:
            if self._courses is None or self._courses.columns is not columns:
                self._courses = Courses(columns, self._vocabulary)
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
            state = self._caught_up(progress)
        if state.parts.large or not self._path.exists():
            self._fold(must_save=True)
        with self._text_lock:
            self._refresh_text(progress)

    def rebuild(self, progress: Progress = silent) -> None:
        """Make columns and text index anew, whatever there was."""
        with self._fold_lock:
            # Searches go on over what there is meanwhile, and take over what is written.
            revision = self._catalogue.revision()
            base = self._taken_over(self._nothing(), progress).whole
            make_ready(base)
            with self._columns_lock:
                self._path.unlink(missing_ok=True)
                self._state = _State(Parts.of(base), revision)
                self.forget_results()
                state = self._caught_up(progress)
            save(base, self._path, self.made_with)
        if state.parts.large:
            self._fold(must_save=True)
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
            columns = load(self._path, self.made_with)
            if columns is None:
                if not outdated(self._path, self.made_with):  # an older version's are made anew, too
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
        return self._current().parts.whole

    def last_round(self) -> int:
        """The last round that was logged of any fight; 0 for none."""
        return self._current().parts.last_round

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
            state = self._state
            if state is None or state.revision < wanted:
                state = self._caught_up(silent)
        if state.parts.large:
            self._fold_later()
        return state

    def _caught_up(self, progress: Progress) -> _State:
        """The state as the catalogue is now; under the columns' lock."""
        # The revision is read first: a change that comes in between is noticed by the next search.
        revision = self._catalogue.revision()
        state = self._state
        if state is not None and state.revision >= revision:
            return state
        kept = None if state is not None else load(self._path, self.made_with)
        before = state.parts if state is not None else self._nothing() if kept is None else Parts.of(kept)
        parts = self._taken_over(before, progress)
        if state is None and kept is None:  # all of it is read, and nobody could be answered meanwhile
            parts = Parts.of(parts.whole)
            if not self._catalogue.read_only:
                with contextlib.suppress(StorageError):  # a full disk is no reason not to answer
                    save(parts.base, self._path, self.made_with)
        self._state = state = _State(parts, revision)
        self.forget_results()
        return state

    def _nothing(self) -> Parts:
        return Parts.of(assemble([], Tables.of(self._vocabulary)))

    def _taken_over(self, parts: Parts, progress: Progress) -> Parts:
        """The archive with what the catalogue holds differently; itself if that is nothing."""
        revisions = self._catalogue.revisions()
        changed = [f for f, r in revisions.items() if parts.revisions.get(f) != r]
        gone = [f for f in parts.revisions if f not in revisions]
        if not changed and not gone:
            return parts
        tables = parts.tables.copy()
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
        return parts.changed(tables, blocks, gone)

    # --- folding ------------------------------------------------------------------------------------------

    def _fold_later(self) -> None:
        """In the background, where no search waits for it. A command has answered when its process waits."""
        with self._results_lock:
            if self._folding is None or not self._folding.is_alive():
                self._folding = threading.Thread(target=self._fold_aside, name="folding")
                self._folding.start()

    def _fold_aside(self) -> None:
        try:
            with contextlib.suppress(ClipLibError):  # the next search says what is wrong
                self._fold(must_save=False)
        finally:
            self._catalogue.close()  # this thread's connection

    def _fold(self, *, must_save: bool) -> None:
        """Make base and part one, and keep it. StorageError if it must be written and can't."""
        with self._fold_lock:
            state = self._state
            if state is None:
                return
            whole = state.parts.whole
            make_ready(whole)
            with self._columns_lock:
                now = self._state
                assert now is not None
                self._state = _State(now.parts.over(whole), now.revision)
                self.forget_results()
            if must_save or not self._catalogue.read_only:
                try:
                    save(whole, self._path, self.made_with)
                except StorageError:
                    if must_save:
                        raise
                # What was forgotten meanwhile must not be kept, also not by a process that did not do it.
                if not whole.revisions.keys() <= self._catalogue.revisions().keys():
                    self._path.unlink(missing_ok=True)

    @cached_property
    def made_with(self) -> str:
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

    def _result(self, reading: Reading, where: Where, second_opinions: bool, state: _State) -> Answer:
        words = tuple(u.text for u in reading.unread)
        key = (reading.steps, reading.where, where, words, second_opinions, state.revision)
        with self._results_lock:
            if key in self._results:
                self._results.move_to_end(key)
                return self._results[key]
        scores = self._word_scores(words, state.parts) if words else None
        found = []
        for place, (columns, live) in enumerate(state.parts.each()):
            limit = limits((reading.where, where), columns, second_opinions=second_opinions)
            if live is not None:
                limit.only(live)
            if scores is not None:
                limit.only(scores[place] > 0)
            pattern = Pattern(reading.steps, columns, self._vocabulary, self._settings, limit)
            found.append(hits(pattern) or pattern.match())
        if scores is not None and not reading.steps:
            found = _by_words(found, scores)
        result = Answer(state.parts, tuple(found))
        with self._results_lock:
            self._results[key] = result
            while len(self._results) > _KEPT_RESULTS:
                self._results.popitem(last=False)
        return result

    def _clips(self, places: npt.NDArray[np.int64], result: Answer, *, with_matches: bool) -> list[ClipRow]:
        ids = result.ids(places)
        if not with_matches:
            return self._catalogue.clip_rows(ids)
        listed = result.tuples(MATCHES_SHOWN, places)
        return self._catalogue.clip_rows(ids, {number: tuple(some) for number, some in listed.items()})

    def _word_scores(self, words: Sequence[str], parts: Parts) -> list[npt.NDArray[np.float64]]:
        """[E] for each part how well each exchange's notes and its fight's title meet the words; 0 for not
        all of them."""
        self._catch_up_text()
        ids, of_ids, fights = self._text.exchanges(words)
        found = []
        for columns, _ in parts.each():
            scores = np.zeros(columns.exchanges)
            by_fight = np.array([fights.get(f.id, 0.0) for f in columns.fights])
            if len(by_fight):
                scores += by_fight[columns.fight_of]
            places = columns.places(ids)
            here = places >= 0
            np.maximum.at(scores, places[here], of_ids[here])
            found.append(scores)
        return found


def _by_words(
    found: Sequence[Matches | Hits], scores: Sequence[npt.NDArray[np.float64]]
) -> list[Matches | Hits]:
    """Where only words are searched, the best fit is what meets them best."""
    met = [of_part[one.exchanges] for one, of_part in zip(found, scores, strict=True)]
    best = max(some.max(initial=0) for some in met)
    return [
        replace(one, cost=np.round((best - some) * 1000).astype(np.int32))
        for one, some in zip(found, met, strict=True)
    ]
