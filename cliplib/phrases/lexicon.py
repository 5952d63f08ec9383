"""Words to what they can stand for: the vocabulary's terms and the small words in one tree, and names
beside it."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from importlib import resources
from typing import Any, NamedTuple

from cliplib.phrases.meanings import SIDED, Event, Mod, Person, Story, single
from cliplib.phrases.tokens import DETERMINERS, Token, fold, listed, tokenise
from cliplib.vocabulary import Vocabulary

LETTERS = {"punch": "P", "defence": "D", "footwork": "M", "feint": "F", "tie-up": "T"}
_PLACED = {
    "target": "TGT.adv",
    "place": "PLC.adv",
    "range": "RNG.adv",
    "direction": "DIR.adv",
    "outcome": "OUT.adj",
    "role": "ROLE.adj",
}
_BEFORE = {
    "target": "TGT.adj",
    "place": "PLC.adj",
    "range": "RNG.adj",
    "hand": "HAND.adj",
    "side": "SIDE.adj",
    "outcome": "OUT.adj",
    "role": "ROLE.adj",
}
_BRACKETS = re.compile(r"\(([^)]*)\)")
_PLAIN = re.compile(r"(?!.*\b(?:her|ca|wo)\b)[a-z]+(?: [a-z]+)*")
"""Ways that are their own tokens, but for determiners: most of the thousands that are read at the start."""
SKIP = "~"
_VERBS = ("b", "3", "d", "g", "nb", "p3")


class Sense(NamedTuple):
    """`symbol`: what the rules call it; `meaning`: what it says; `cost`: of skipping it, for what may be
    skipped."""

    symbol: str
    meaning: Any = None
    cost: float = 0.0


class SmallWord(NamedTuple):
    kind: str
    value: str
    ways: tuple[str, ...]
    example: str
    reading: str


class Tree(dict[str, "Tree"]):
    """Words to the words that may follow, and the senses of a stretch that ends here."""

    __slots__ = ("senses",)

    def __init__(self) -> None:
        super().__init__()
        self.senses: tuple[Sense, ...] = ()


class Lexicon(NamedTuple):
    tree: Tree
    words: frozenset[str]
    verbs: frozenset[tuple[str, ...]]  # of several words, the last of which may stand behind an object

    def all(self, tokens: Sequence[Token], at: int) -> Iterator[tuple[int, tuple[Sense, ...]]]:
        """(end, senses) of every known stretch that begins at `at`."""
        node = self.tree
        for index in range(at, len(tokens)):
            token = tokens[index]
            step = node.get(token.norm)
            if step is None:
                return
            node = step
            if node.senses:
                yield index + 1, node.senses
            if token.possessive:
                return


SHORT = {
    "rh": "right hand",
    "lh": "left hand",
    "j": "jab",
    "ctr": "counter",
    "cntr": "counter",
    "dbl": "double",
    "trpl": "triple",
    "blk": "blocked",
    "blkd": "blocked",
    "blckd": "blocked",
    "bk": "back",
    "uc": "uppercut",
    "thru": "through",
    "agst": "against",
    "opp": "opponent",
    "hk": "hook",
    "xc": "cross",
    "strt": "straight",
    "msd": "missed",
    "lnd": "landed",
    "lndd": "landed",
    "lhk": "left hook",
    "rhk": "right hook",
    "luc": "left uppercut",
    "ruc": "right uppercut",
    "ft": "foot",
    "bd": "body",
    "bdy": "body",
    "bod": "body",
    "b4": "before",
    "lvr": "liver",
    "hd": "head",
    "sp": "southpaw",
    "ortho": "orthodox",
    "righty": "orthodox",
    "righties": "orthodox",
    "kds": "knockdowns",
    "cnr": "corner",
    "rps": "ropes",
}
"""Shorthand of notes, for searches; a log, which is kept, asks what was meant."""


@lru_cache(maxsize=8)
def lexicon_of(vocabulary: Vocabulary) -> Lexicon:
    tree, known, verbs = Tree(), set(), set()
    for words, sense in (*_terms(vocabulary), *_small()):
        node = tree
        for word in words:
            node = node.setdefault(word, Tree())
            known.add(word)
        if sense not in node.senses:
            node.senses = (*node.senses, sense)
        if len(words) > 1 and (
            sense.symbol.partition(".")[2] in _VERBS
            or sense.symbol in ("THROW", "RETURN", "DRAW", "MAKEMISS", "GETHIT")
        ):
            verbs.add(tuple(words))
    return Lexicon(tree, frozenset(known), frozenset(verbs))


def _terms(vocabulary: Vocabulary) -> Iterable[tuple[Sequence[str], Sense]]:
    forms: dict[tuple[tuple[str, ...], str, str], set[str]] = {}
    for lexeme in vocabulary.lexemes:
        words = tuple(w for w in lexeme.words if w not in DETERMINERS)
        if words:
            forms.setdefault((words, lexeme.category, lexeme.value), set()).add(lexeme.form)
    for (words, category, value), said in forms.items():
        for form in _classes(said):
            sense = _sense(vocabulary, category, value, form)
            if sense is not None:
                yield words, sense


def _classes(forms: set[str]) -> Iterator[str]:
    """Forms as the rules know them: nb is a noun and a verb's base, p3 a plural and its third person."""
    left = set(forms)
    if {"noun", "base"} <= left:
        left -= {"noun", "base"}
        yield "nb"
    if {"plural", "third"} <= left:
        left -= {"plural", "third"}
        yield "p3"
    short = {"noun": "n", "plural": "p", "base": "b", "third": "3", "past": "d", "ing": "g"}
    if left == {"noun", "plural"}:
        left = {"noun"}
    for form in sorted(left):
        yield short.get(form, form)


def _sense(vocabulary: Vocabulary, category: str, value: str, form: str) -> Sense | None:
    if category == "technique":
        kind = LETTERS[vocabulary.kind(value)]
        hand = vocabulary.hand(value)
        return Sense(f"{kind}.{form}", single(value, kind, form, hand))
    mod = Mod(category, (value,), form)
    if form in ("adverb", "adjective"):
        if category == "stance_match":
            return Sense("MATCH", value)
        symbol = (_PLACED if form == "adverb" else _BEFORE).get(category)
        return Sense(symbol, mod) if symbol else None
    if category == "stance":
        return Sense("STANCE", Person("stance", stance=value))
    if category in ("hand", "side"):
        return Sense(f"{category.upper()}.n", mod)
    return (
        Sense(f"{ {'outcome': 'OUT', 'role': 'ROLE'}[category] }.{form}", mod)
        if category in ("outcome", "role")
        else None
    )


def data(name: str) -> str:
    """A file of words or rules."""
    return resources.files(__package__).joinpath(name).read_text("utf-8")


@cache
def small_words() -> tuple[SmallWord, ...]:
    found = []
    for line in data("words.txt").splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        what, ways, example = (part.strip() for part in line.split(" | ", 2))
        kind, _, value = what.partition(" ")
        phrase, _, reading = (part.strip() for part in example.partition("=>"))
        said = [","] if ways == '","' else [w.strip() for w in ways.split(",")]
        found.append(SmallWord(kind, value, tuple(s for w in said for s in _spelt_out(w)), phrase, reading))
    return tuple(found)


def _spelt_out(way: str) -> Iterable[str]:
    """“(gets/got) hit (/by)” in all its four ways."""
    pieces = [piece.split("/") if at % 2 else [piece] for at, piece in enumerate(_BRACKETS.split(way))]
    return (" ".join(" ".join(chosen).split()) for chosen in itertools.product(*pieces))


_PERSONS = {
    "OPP": "opp",
    "OTHER": "other",
    "SAME": "same",
    "HE": "he",
    "YOU": "you",
    "HIM": "him",
    "NOBODY": "nobody",
    "ANYBODY": "any",
    "IT": "it",
    "BOTH": "both",
}
_MODS = {
    "MULT": "times",
    "DOUBLE": "times",
    "TOPW": "top",
    "LEADW": "role",
    "FIRST": "role",
    "HANDW": "hand",
    "UNOUT": "outcome",
    "DOWNTO": "outcome",
}


def _small() -> Iterable[tuple[Sequence[str], Sense]]:
    for word in small_words():
        for way in word.ways:
            if way in (",", "+", ">", "->", "=>", "→", "/", "&"):
                norms = [way.replace("&", "and")]
            elif _PLAIN.fullmatch(way):
                norms = [word for word in way.split() if word not in DETERMINERS]
            else:
                norms = [token.norm for token in tokenise(way)]
            yield norms, _small_sense(word, norms[0] if norms else "", norms[-1] if norms else "")


def _small_sense(word: SmallWord, first: str, last: str) -> Sense:
    kind, value = word.kind, word.value
    if kind == SKIP:
        return Sense(SKIP, None, float(value))
    if kind.partition(".")[0] in ("OUT", "ROLE"):
        return Sense(
            kind,
            Mod(
                "outcome" if kind[0] == "O" else "role",
                (value,),
                "adjective" if kind.endswith("adj") else kind.rpartition(".")[2],
            ),
        )
    if kind[1:2] == ".":
        return Sense(kind, single(value, kind[0], kind[2:], None))
    if kind in _PERSONS:
        return Sense(kind, Person(_PERSONS[kind]))
    if kind == "ANYTHING":
        return Sense(kind, Story((Event("any", "X"),), (0, 1), form="n", flags=frozenset(("any",))))
    if kind in _MODS:
        return Sense(kind, Mod(_MODS[kind], (value,), _form(first)))
    return Sense(kind, Mod(kind.lower(), (value,), _form(first), other=last))


def _form(verb: str) -> str:
    """The form of a helping verb, by its ending."""
    if verb.endswith("ing"):
        return "g"
    if verb.endswith("s") and not verb.endswith("ss"):
        return "3"
    return (
        "d"
        if verb.endswith("ed") or verb in ("threw", "thrown", "ate", "took", "went", "came", "caught", "drew")
        else "b"
    )


# --- names ------------------------------------------------------------------------------------------------


class Names(NamedTuple):
    """`fighters`: word to the full names it is part of. `full`: words of a full name to the name. `fights`:
    words of
    a title to the titles. `words`: every word of a name."""

    fighters: dict[str, tuple[str, ...]]
    full: dict[tuple[str, ...], str]
    fights: dict[tuple[str, ...], tuple[str, ...]]
    longest: int
    words: tuple[str, ...]
    corners: tuple[str, str] | None = None  # who red and blue are, in a log


_VERSUS = frozenset(("v", "vs", "versus"))
TAKEN = frozenset(listed("rd rds rnd kd ko tko lh rh dr jr sr am pm ok tv"))
"""Initials that say something else in notes."""


@lru_cache(maxsize=32)
def names_of(fighters: tuple[str, ...], fights: tuple[str, ...]) -> Names:
    parts: dict[str, list[str]] = {}
    full: dict[tuple[str, ...], str] = {}
    for name in dict.fromkeys(fighters):
        words = name_words(name)
        if words:
            full.setdefault(words, name)
        for word in words:
            if len(word) > 1 and name not in parts.setdefault(word, []):
                parts[word].append(name)
    for initials, names in _initials(full).items():
        if len(names) == 1 and initials not in parts:
            parts[initials] = names
    titles: dict[tuple[str, ...], list[str]] = {}
    for title in dict.fromkeys(fights):
        if key := title_words(tokenise(title)):
            titles.setdefault(key, []).append(title)
    lengths = [len(k) for k in (*full, *titles)]
    return Names(
        {word: tuple(names) for word, names in parts.items()},
        full,
        {key: tuple(values) for key, values in titles.items()},
        max(lengths, default=0),
        tuple(parts),
    )


def _initials(full: Mapping[tuple[str, ...], str]) -> dict[str, list[str]]:
    """“JB”, as notes have it, where it is no word and no shorthand."""
    taken = {way for word in small_words() for way in word.ways} | SHORT.keys() | TAKEN
    found: dict[str, list[str]] = {}
    for words, name in full.items():
        if len(words) > 1 and (letters := "".join(word[0] for word in words)) not in taken:
            found.setdefault(letters, []).append(name)
    return found


def name_words(text: str) -> tuple[str, ...]:
    return tuple(w for w in fold(text).replace("-", " ").replace("’", "'").replace(".", " ").split() if w)


def title_words(tokens: Sequence[Token]) -> tuple[str, ...]:
    """A title's words as the tokeniser gives them, "v", "vs" and "versus" alike."""
    return tuple("v" if t.norm in _VERSUS else t.norm for t in tokens)


def is_sided(technique: str) -> bool:
    return technique in SIDED
