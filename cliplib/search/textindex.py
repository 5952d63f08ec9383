"""Words in notes, marks and titles: the library's text index, with Whoosh. The only module that imports it.

One document a fight: its title, event and notes, analysed for the trade (slipped = slip, "1-2" kept), and
beside them the fight's revision, so that index and revision change together. Whoosh analyses, keeps,
highlights, and knows which words there are. What it cannot do is go through the postings of a
frequent word over 300,000 notes in time: with a document a note, 0.1 to 0.8 s for one word, 2 s for two,
and two minutes to make. So each document also carries the sequence of its words as numbers; put one after
another they are an array in which a word or a phrase is found by comparison, in a few milliseconds.

The directory holds pickles: it is only ever read where this module wrote it, and made anew from the catalogue
when it is missing, damaged or of another version.
"""

from __future__ import annotations

import contextlib
import hashlib
import shutil
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from rapidfuzz import process
from rapidfuzz.distance import OSA
from whoosh import fields, highlight, index
from whoosh.analysis.filters import LowercaseFilter, StopFilter
from whoosh.analysis.morph import StemFilter
from whoosh.analysis.tokenizers import RegexTokenizer
from whoosh.filedb.filestore import RamStorage
from whoosh.index import LockError

from cliplib.core.errors import BusyError, StorageError
from cliplib.core.models import Mark
from cliplib.core.progress import Progress, silent

VERSION = 1
_NAME = f"words{VERSION}"
_WAIT_S = 10.0

_WORD = r"\w+([.\-']\w+)*"
_PLAIN = RegexTokenizer(_WORD) | LowercaseFilter() | StopFilter(minsize=1, renumber=False)
_TRADE = _PLAIN | StemFilter(lang="en")  # type: ignore[no-untyped-call]
_SCHEMA = fields.Schema(
    fight=fields.ID(stored=True, unique=True),
    words=fields.TEXT(analyzer=_PLAIN, phrase=False),  # as written, for suggestions
    kept=fields.STORED,
)

_K1, _B = 1.2, 0.75  # BM25, as Robertson and Zaragoza (2009) recommend
_BETWEEN = 1
"""Number that stands where a text ends, so that no phrase reaches into the next one; 0 is a stop word."""
_OPEN, _CLOSE = "\x02", "\x03"


class DamagedError(StorageError):
    """The index could not be read; it has been removed and can be made anew."""


_TITLE = -1
"""In place of an exchange's number. Below it stand marks: number n as _TITLE - n."""

Item = tuple[int, int, str, str, list[tuple[int, str]], list[tuple[int, str]]]
"""A fight to be indexed: (id, revision, title, event, [(exchange id, note)], [(mark id, note)])."""


@dataclass(frozen=True, slots=True)
class WordHit:
    """`exchange_id`, `mark_id`: both None for a title; `mark`, if somebody looked it up. `snippet`: pieces of
    text, True for what was looked for."""

    exchange_id: int | None
    fight_id: int
    title: str
    snippet: tuple[tuple[str, bool], ...]
    score: float
    mark_id: int | None = None
    mark: Mark | None = None


@dataclass(frozen=True, slots=True)
class WordHits:
    """`total`: notes and titles with all the words. `meant`: similar words for those nobody wrote."""

    total: int
    hits: tuple[WordHit, ...]
    meant: dict[str, tuple[str, ...]]


@dataclass(frozen=True)
class _Texts:
    """All texts (notes and titles), one after another. `exchange`: whose note a text is; _TITLE or below: see
    there."""

    revisions: dict[int, int]
    fight: npt.NDArray[np.int64]
    exchange: npt.NDArray[np.int64]
    length: npt.NDArray[np.int64]  # words that count
    word: npt.NDArray[np.uint64]
    text_of: npt.NDArray[np.int32]  # of each word

    def with_all(self, parts: Sequence[Sequence[tuple[int, int]]]) -> tuple[npt.NDArray[Any], ...]:
        """(texts that have every part, their BM25 scores). A part: its words as (offset, number)."""
        scores = np.zeros(len(self.fight))
        every = np.ones(len(self.fight), np.bool_)
        mean = max(1.0, float(self.length.mean())) if len(self.length) else 1.0
        for part in parts:
            at = self._occurrences(part)
            counts = np.bincount(self.text_of[at], minlength=len(self.fight))
            having = np.flatnonzero(counts)
            tf = counts[having]
            idf = np.log1p((len(self.fight) - len(having) + 0.5) / (len(having) + 0.5))
            scores[having] += idf * tf * (_K1 + 1) / (tf + _K1 * (1 - _B + _B * self.length[having] / mean))
            every &= counts > 0
        found = np.flatnonzero(every) if parts else np.zeros(0, np.int64)
        return found, scores[found]

    def _occurrences(self, part: Sequence[tuple[int, int]]) -> npt.NDArray[Any]:
        first, number = part[0]
        at = np.flatnonzero(self.word == np.uint64(number))
        for offset, other in part[1:]:
            at = at[at + offset - first < len(self.word)]
            at = at[self.word[at + offset - first] == np.uint64(other)]
            # The stop words and ends of texts between must not hide the end of a text.
            at = at[self.text_of[at + offset - first] == self.text_of[at]]
        return at


class TextIndex:
    """The text index in `folder` (None: in memory). Any number of threads may search; one process at a time
    writes."""

    def __init__(self, folder: Path | None):
        self.folder = folder
        self._lock = threading.RLock()  # never held while writing: searching goes on meanwhile
        self._writing = threading.Lock()
        self._index: Any = None
        self._texts: _Texts | None = None
        self._generation = -1
        self._lexicon: tuple[int, list[str]] = -1, []  # a generation's words

    # --- keeping up ---------------------------------------------------------------------------------------

    def sound(self) -> bool:
        """Whether what lies on the disk can be read; nothing is changed."""
        if self.folder is None or not any(self.folder.iterdir()):
            return True
        try:
            with (
                contextlib.closing(index.open_dir(str(self.folder), _NAME)) as opened,
                opened.reader() as reader,  # type: ignore[no-untyped-call]
            ):
                _gather(kept["kept"] for _, kept in reader.iter_docs())
        except Exception:  # noqa: BLE001 - a damaged pickle can raise anything
            return False
        return True

    def behind(self, revisions: Mapping[int, int]) -> tuple[list[int], list[int]]:
        """(fights whose indexed revision is not this one, indexed fights that are no more)."""
        have = self._current().revisions
        return [f for f, r in revisions.items() if have.get(f) != r], [f for f in have if f not in revisions]

    def update(
        self, items: Iterable[Item], gone: Iterable[int], total: int = 0, progress: Progress = silent
    ) -> None:
        """Index fights anew and forget others, in one step: readers see all of it or none.

        Raises BusyError while another process is writing, StorageError if the disk won't have it.
        """
        with self._writing:
            self._current()
            writer = None
            try:
                writer = self._open().writer(timeout=_WAIT_S, delay=0.1, limitmb=128)
                for fight_id in gone:
                    writer.delete_by_term("fight", str(fight_id))
                for done, item in enumerate(items):
                    progress("indexing words", done, total)
                    writer.update_document(**_document(item))
                progress("indexing words", total, total)
                writer.commit()
                writer = None
            except LockError as error:
                raise BusyError("another process is indexing this library; try again in a moment") from error
            except OSError as error:
                raise StorageError(
                    f"the text index in {self.folder} could not be written: {error}"
                ) from error
            finally:
                if writer is not None:
                    with contextlib.suppress(Exception):
                        writer.cancel()

    def remove(self) -> None:
        """Delete the index; it is made anew when it is next needed."""
        with self._lock:
            if self._index is not None:
                self._index.close()
            self._index, self._texts, self._generation, self._lexicon = None, None, -1, (-1, [])
            if self.folder is not None:
                shutil.rmtree(self.folder, ignore_errors=True)

    def _open(self) -> Any:
        if self._index is None and self.folder is None:
            self._index = RamStorage().create_index(_SCHEMA, _NAME)  # type: ignore[no-untyped-call]
        elif self._index is None:
            assert self.folder is not None
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
                if index.exists_in(str(self.folder), _NAME):
                    self._index = index.open_dir(str(self.folder), _NAME)
                else:
                    self._index = index.create_in(str(self.folder), _SCHEMA, _NAME)
            except OSError as error:
                raise StorageError(
                    f"the text index in {self.folder} cannot be opened: {error.strerror or error}; delete "
                    "that, it is made anew"
                ) from error
        return self._index

    def _current(self) -> _Texts:
        """The texts as last committed by anybody. A damaged index is removed and begun anew."""
        with self._lock:
            for attempt in (1, 2):
                try:
                    generation = self._open().latest_generation()
                    if self._texts is None or generation != self._generation:
                        with self._open().reader() as reader:
                            self._texts = _gather(kept["kept"] for _, kept in reader.iter_docs())
                            self._generation = generation
                    return self._texts
                except StorageError:
                    raise
                except Exception as error:  # a damaged pickle can raise anything
                    if attempt == 2:
                        raise StorageError(
                            f"the text index in {self.folder} cannot be read: {error}"
                        ) from error
                    self.remove()
        raise AssertionError

    # --- searching ----------------------------------------------------------------------------------------

    def exchanges(
        self, words: Sequence[str]
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[Any], dict[int, float]]:
        """What has every one of `words` in its note or its fight's title, as (exchange ids, scores, fights).

        The ids are of exchanges whose own notes contribute; `fights` gives scores of fights in whose titles
        all of it is found. Words spread over note and title count for the exchange.
        """
        texts = self._current()
        parts = [part for text in words for part in _parts(text) or [[]]]
        if not all(parts):
            # Nothing but stop words somewhere: nothing is known to match it.
            return np.zeros(0, np.int64), np.zeros(0), {}
        ids = texts.exchange
        note = ids >= 0
        total = np.zeros(len(ids))
        every = note.copy()
        fights: dict[int, float] = {}
        for place, part in enumerate(parts):
            found, scores = texts.with_all([part])
            here = np.zeros(len(ids))
            here[found] = scores
            titles = {int(texts.fight[t]): float(here[t]) for t in found if ids[t] == _TITLE}
            if titles:
                of_title = np.isin(texts.fight, list(titles))
                here[note & of_title] += np.array([titles[int(f)] for f in texts.fight[note & of_title]])
            every &= here > 0
            total += here
            fights = {
                f: s + (fights[f] if place else 0) for f, s in titles.items() if not place or f in fights
            }
        return ids[every], total[every], fights

    def search(self, query: str, limit: int = 20) -> WordHits:
        """Notes and titles with all the words of `query`, the best first; "quoted words" stand side by side.

        Scores are BM25. Ties go to the older exchange.
        """
        texts = self._current()
        parts = _parts(query)
        found, scores = texts.with_all(parts)
        if not parts:
            return WordHits(0, (), {})
        order = np.lexsort((np.abs(texts.exchange[found]), -scores))[: max(0, limit)]
        with self._searcher() as searcher:
            meant = {} if len(found) else self._meant(query, texts, searcher)
            kept: dict[int, Any] = {}
            hits = []
            for place in order:
                fight = int(texts.fight[found[place]])
                if fight not in kept:
                    kept[fight] = self._kept(searcher, fight, texts)
                if kept[fight] is not None:
                    exchange = int(texts.exchange[found[place]])
                    hits.append(_hit(fight, exchange, kept[fight], query, float(scores[place])))
        return WordHits(len(found), tuple(hits), meant)

    def _kept(self, searcher: Any, fight: int, texts: _Texts) -> Any:
        """What is kept of a fight; None if it went or changed since the texts were read."""
        document = searcher.document(fight=str(fight))
        kept = document["kept"] if document else None
        if kept is None and self._open().latest_generation() != self._generation:
            return None
        if kept is None or kept["fight"] != fight or kept["digest"] != _digest(kept):
            raise ValueError(f"what is kept of fight {fight} is not what was written")
        return kept if kept["revision"] == texts.revisions[fight] else None

    @contextlib.contextmanager
    def _searcher(self) -> Iterator[Any]:
        try:
            with self._open().searcher() as searcher:
                yield searcher
        except Exception as error:  # a damaged pickle can raise anything
            self.remove()
            raise DamagedError(f"the text index in {self.folder} was damaged; search again") from error

    def suggest(self, word: str, limit: int = 3) -> tuple[str, ...]:
        """Words of the index that are spelt nearly like this one."""
        self._current()
        with self._searcher() as searcher:
            return self._suggest(word, searcher, limit)

    def _meant(self, query: str, texts: _Texts, searcher: Any) -> dict[str, tuple[str, ...]]:
        meant = {}
        for token in _PLAIN(query.casefold()):
            word = token.text
            unknown = not any(len(texts.with_all([part])[0]) for part in _parts(word))
            if unknown and (near := self._suggest(word, searcher, 3)):
                meant[word] = near
        return meant

    def _suggest(self, word: str, searcher: Any, limit: int) -> tuple[str, ...]:
        """The nearest first, then the most frequent."""
        # Whoosh's own corrector compares word by word in Python, 50 ms for the words of 300,000 notes.
        reader, (generation, words) = searcher.reader(), self._lexicon
        if generation != self._generation:
            words = list(reader.field_terms("words"))
            self._lexicon = self._generation, words
        folded, most = word.casefold(), 1 if len(word) < 4 else 2
        near = process.extract(folded, words, scorer=OSA.distance, score_cutoff=most, limit=None)
        ranked = sorted((far, -reader.frequency("words", w), w) for w, far, _ in near if w != word)
        return tuple(w for _, _, w in ranked[:limit])


# --- texts as numbers -------------------------------------------------------------------------------------


def _number(word: str) -> int:
    """A word's number, the same in every index; 0 and 1 mean something else."""
    digest = hashlib.blake2b(word.encode("utf-8", "surrogatepass"), digest_size=8).digest()
    return max(2, int.from_bytes(digest, "little"))


def _numbers(text: str, number: Callable[[str], int]) -> list[int]:
    """The words' numbers in order, 0 for stop words."""
    out: list[int] = []
    for token in _TRADE(text, positions=True):
        out += [0] * (token.pos - len(out))
        out.append(number(token.text))
    return out


def _parts(query: str) -> list[list[tuple[int, int]]]:
    """Each word, or run of words in quotes, as (offset, number) of the words that count."""
    parts: list[list[tuple[int, int]]] = []
    pieces = query.replace("“", '"').replace("”", '"').split('"')
    for i, piece in enumerate(pieces):
        words = [(o, n) for o, n in enumerate(_numbers(piece, _number)) if n]
        quoted = i % 2 == 1 and i < len(pieces) - 1
        parts += [words] if quoted and words else [[(0, n)] for _, n in words]
    return [list(part) for part in dict.fromkeys(map(tuple, parts))]


def _document(item: Item) -> dict[str, Any]:
    fight, revision, title, event, notes, marks = item
    numbers: dict[str, int] = {}

    def number(word: str) -> int:
        if word not in numbers:
            numbers[word] = _number(word)
        return numbers[word]

    heading = f"{title} {event}".strip()
    texts = [(_TITLE, heading), *notes, *((_TITLE - number, note) for number, note in marks)]
    sequences = [[*_numbers(text, number), _BETWEEN] for _, text in texts]
    kept = {
        "fight": fight,
        "revision": revision,
        "title": title,
        "texts": [text for _, text in texts],
        "exchanges": np.array([e for e, _ in texts], np.int64).tobytes(),
        "sizes": np.array([len(s) for s in sequences], np.int64).tobytes(),
        "numbers": np.array([n for s in sequences for n in s], np.uint64).tobytes(),
    }
    everything = "\n".join(text for _, text in texts)
    return {"fight": str(fight), "words": everything, "kept": kept | {"digest": _digest(kept)}}


def _digest(kept: Mapping[str, Any]) -> bytes:
    """Whoosh keeps no checksums: a document vouches for itself."""
    digest = hashlib.blake2b(digest_size=16)
    for name in ("fight", "revision", "title", "texts", "exchanges", "sizes", "numbers"):
        value = kept[name]
        digest.update(value if isinstance(value, bytes) else repr(value).encode("utf-8", "surrogatepass"))
    return digest.digest()


def _gather(documents: Iterable[Mapping[str, Any]]) -> _Texts:
    kept = sorted(documents, key=lambda k: int(k["fight"]))
    if any(k["digest"] != _digest(k) for k in kept):
        raise ValueError("a document is not what was written")

    def join(name: str, dtype: Any) -> npt.NDArray[Any]:
        return np.concatenate([np.zeros(0, dtype), *(np.frombuffer(k[name], dtype) for k in kept)])

    sizes = join("sizes", np.int64)
    word = join("numbers", np.uint64)
    text_of = np.repeat(np.arange(len(sizes), dtype=np.int32), sizes)
    counted = np.bincount(text_of[word > _BETWEEN], minlength=len(sizes))
    texts_in = [len(k["sizes"]) // 8 for k in kept]
    return _Texts(
        {int(k["fight"]): int(k["revision"]) for k in kept},
        np.repeat(np.array([int(k["fight"]) for k in kept], np.int64), texts_in),
        join("exchanges", np.int64),
        counted.astype(np.int64),
        word,
        text_of,
    )


def _hit(fight: int, exchange: int, kept: Mapping[str, Any], query: str, score: float) -> WordHit:
    exchanges = np.frombuffer(kept["exchanges"], np.int64)
    text = kept["texts"][int(np.flatnonzero(exchanges == exchange)[0])]
    number = exchange if exchange >= 0 else None
    mark = _TITLE - exchange if exchange < _TITLE else None
    return WordHit(number, fight, kept["title"], _snippet(text, query), score, mark)


class _Marks(highlight.Formatter):
    """Marks what was looked for with two characters that no text has."""

    between = " … "

    def format_token(self, text: str, token: Any, replace: bool = False) -> str:
        return f"{_OPEN}{highlight.get_text(text, token, replace)}{_CLOSE}"


def _snippet(text: str, query: str) -> tuple[tuple[str, bool], ...]:
    plain = text.replace(_OPEN, " ").replace(_CLOSE, " ")
    terms = frozenset(token.text for token in _TRADE(query))
    marked = highlight.highlight(
        plain, terms, _TRADE, highlight.ContextFragmenter(maxchars=160, surround=40), _Marks(), top=2
    )
    if not marked:
        return ((plain[:160], False),)
    pieces: list[tuple[str, bool]] = []
    for i, piece in enumerate(marked.split(_OPEN)):
        inside, _, after = piece.partition(_CLOSE) if i else ("", "", piece)
        pieces += [(t, b) for t, b in ((inside, True), (after, False)) if t]
    return tuple(pieces)
