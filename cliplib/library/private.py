"""What those who may only look are not told: private fights, and what somebody made or wrote about them.

The fights themselves are out of reach by the catalogue's own connections. Reels and themes are files;
they are known by the clips they show and by the names in them.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Collection, Iterable

from cliplib import phrases
from cliplib.catalogue.catalogue import Catalogue
from cliplib.phrases.tokens import fold
from cliplib.vocabulary import Vocabulary

_WORD = re.compile(r"\w{2,}")


class Hiding:
    """`active`: of a library that hides private fights; of any other everything is seen and nothing told."""

    def __init__(self, catalogue: Catalogue, vocabulary: Vocabulary, *, active: bool):
        self._catalogue, self._vocabulary = catalogue, vocabulary
        self.active = active
        self._lock = threading.Lock()
        self._trades: dict[str, bool] = {}
        self._known: tuple[int, frozenset[str], tuple[str, ...]] | None = None

    def all_seen(self, clips: Collection[int]) -> bool:
        """Whether none of the clips of a film is hidden or gone; not if nobody knows what it shows."""
        if not self.active:
            return True
        shows = set(clips)
        return bool(shows) and len(self._catalogue.care.clip_fights(shows)) == len(shows)

    def told_in(self, text: str) -> bool:
        """Whether a text names a fighter who has no other than private fights, by any word of the name that
        nobody else has and that is no trade word; or a private fight by its title."""
        if not self.active:
            return False
        words, titles = self._names()
        said = _WORD.findall(fold(text))
        return not words.isdisjoint(said) or any(f" {title} " in f" {' '.join(said)} " for title in titles)

    def _names(self) -> tuple[frozenset[str], tuple[str, ...]]:
        catalogue = self._catalogue
        revision = catalogue.revision()
        with self._lock:
            if self._known is None or self._known[0] != revision:
                fighters, titles = catalogue.hidden_names()
                seen = [fighter.name for fighter in catalogue.fighters()]
                seen += [title for _, title, _, _, _ in catalogue.fight_keys()]
                words = _words(fighters) - _words(seen)
                hidden = frozenset(word for word in words if not self._trade(word))
                plain = (" ".join(_WORD.findall(fold(title))) for title in titles)
                self._known = revision, hidden, tuple(t for t in plain if t and not self._trade(t))
            return self._known[1:]

    def _trade(self, words: str) -> bool:
        """Whether they say something in trade language, and so are in texts that mean nobody."""
        if words not in self._trades:
            self._trades[words] = not phrases.read_search(words, self._vocabulary).unread
        return self._trades[words]


def _words(names: Iterable[str]) -> set[str]:
    return {word for name in names for word in _WORD.findall(fold(name))}
