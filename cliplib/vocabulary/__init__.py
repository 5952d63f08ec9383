"""The trade's vocabulary as data: techniques with their parents, outcomes, roles, and the words for them."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Any

from cliplib.core.errors import SettingsError

KINDS = ("punch", "defence", "footwork", "feint", "tie-up")
_CATEGORIES = (
    "technique", "outcome", "role", "target", "hand", "side", "place", "range", "direction", "stance",
    "stance_match",
)  # fmt: skip
_CLOSED = {"hand": ("lead", "rear"), "side": ("left", "right"), "stance_match": ("open", "closed")}
_LISTS = ("nouns", "plurals", "verbs", "particles", "adjectives", "adverbs")
_VALUES = ("kind", "parent", "hand")
_VERB_FORMS = ("base", "third", "past", "ing")


@dataclass(frozen=True, slots=True)
class Lexeme:
    """One way to say one term. `words`: lower case, no articles. `form`: noun, plural, base, third, past,
    ing, adjective (before a noun) or adverb (after it, or on its own).
    """

    words: tuple[str, ...]
    category: str
    value: str
    form: str


@dataclass(frozen=True, slots=True)
class Numbered:
    """What a gym number stands for."""

    technique: str
    hand: str | None = None
    target: str | None = None


@dataclass(frozen=True, eq=False)
class Vocabulary:
    """Compared by identity, so that what is derived from it can be kept beside it.

    `names`: technique names in stable order, parents before children. `numbers`: gym number to technique.
    `lexemes`: every way to say every term.
    """

    names: tuple[str, ...]
    numbers: Mapping[str, Numbered]
    lexemes: tuple[Lexeme, ...]
    outcomes: tuple[str, ...]
    roles: tuple[str, ...]
    places: tuple[str, ...]
    ranges: tuple[str, ...]
    stances: tuple[str, ...]
    _parents: Mapping[str, str | None] = field(repr=False)
    _kinds: Mapping[str, str] = field(repr=False)
    _hands: Mapping[str, str] = field(repr=False)
    _outcome_parents: Mapping[str, str | None] = field(repr=False)
    _said: Mapping[tuple[str, str], str] = field(repr=False)

    def kind(self, name: str) -> str:
        """punch, defence, footwork, feint or tie-up. KeyError for no such technique."""
        return self._kinds[name]

    def parent(self, name: str) -> str | None:
        return self._parents[name]

    def is_a(self, name: str, ancestor: str) -> bool:
        """True if `name` is `ancestor` or one of its children."""
        seen: str | None = name
        while seen is not None:
            if seen == ancestor:
                return True
            seen = self._parents.get(seen)
        return False

    @property
    def roots(self) -> tuple[str, ...]:
        """The techniques without a parent: whatever is done is one of them or a child of one."""
        return tuple(n for n in self.names if self._parents.get(n) is None)

    def family(self, name: str) -> frozenset[str]:
        """`name` and all its children."""
        return self._families.get(name, frozenset())

    @cached_property
    def _families(self) -> dict[str, frozenset[str]]:
        return {name: frozenset(n for n in self.names if self.is_a(n, name)) for name in self.names}

    def is_punch(self, name: str) -> bool:
        return self._kinds.get(name) == "punch"

    def hand(self, name: str) -> str | None:
        """The hand that throws it by definition: a jab is of the lead hand, a cross of the rear."""
        seen: str | None = name
        while seen is not None:
            if seen in self._hands:
                return self._hands[seen]
            seen = self._parents.get(seen)
        return None

    def outcome_family(self, outcome: str) -> frozenset[str]:
        """The outcomes that count as `outcome`: landed includes knockdown and hurt."""
        return frozenset(o for o in self.outcomes if o == outcome or self._outcome_parents[o] == outcome)

    def say(self, category: str, value: str) -> str:
        """The first noun, adjective or adverb of a term: how it is said back."""
        return self._said.get((category, value), value)


def load_vocabulary(folder: Path | None = None, profile: str = "standard") -> Vocabulary:
    """The vocabulary, with `folder`/terms.toml merged over it if there is one, and a profile of gym numbers.

    Raises SettingsError naming the file and the term that is wrong.
    """
    own = folder / "terms.toml" if folder is not None else None
    if own is None or not own.is_file():
        return _standard(profile)
    data = _shipped()
    try:
        with own.open("rb") as stream:
            more = tomllib.load(stream)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        raise SettingsError(f"{own}: cannot be read: {error}; correct it or move it away") from error
    return _build(_merged(data, more, str(own)), profile, str(own))


def _shipped() -> dict[str, Any]:
    path = resources.files(__name__).joinpath("terms.toml")
    empty: dict[str, Any] = {category: {} for category in (*_CATEGORIES, "numbers")}
    return _merged(empty, tomllib.loads(path.read_text(encoding="utf-8")), str(path))


@cache
def _standard(profile: str) -> Vocabulary:
    return _build(_shipped(), profile, "settings.toml")


def _merged(data: dict[str, Any], more: dict[str, Any], source: str) -> dict[str, Any]:
    for category, terms in more.items():
        if category not in (*_CATEGORIES, "numbers"):
            known = ", ".join((*_CATEGORIES, "numbers"))
            raise SettingsError(f"{source}: there is no [{category}.…]; a table is one of {known}")
        if not isinstance(terms, dict):
            raise SettingsError(f"{source}: “{category}” must be a table such as [{category}.name]")
        for name, entry in terms.items():
            if not isinstance(entry, dict):
                raise SettingsError(f"{source}: [{category}.{name}] must be a table")
            if category == "numbers":
                data["numbers"].setdefault(name, {}).update(entry)
                continue
            into = data[category].setdefault(name, {})
            for key, value in entry.items():
                into[key] = [*into.get(key, []), *value] if isinstance(value, list) else value
    return data


def _build(data: dict[str, Any], profile: str, source: str) -> Vocabulary:
    _validate(data, source)
    techniques: dict[str, dict[str, Any]] = data["technique"]
    parents = {name: entry.get("parent") for name, entry in techniques.items()}
    kinds = {name: _kind(name, techniques, source) for name in techniques}
    lexemes: list[Lexeme] = []
    said: dict[tuple[str, str], str] = {}
    for category in _CATEGORIES:
        for name, entry in data[category].items():
            lexemes.extend(_lexemes(category, name, entry, source))
            for key in ("nouns", "adverbs", "adjectives"):
                if entry.get(key):
                    said.setdefault((category, name), entry[key][0])
    profiles = data["numbers"]
    if profile not in profiles:
        raise SettingsError(f"{source}: no number profile “{profile}”; there are {', '.join(profiles)}")
    return Vocabulary(
        names=tuple(sorted(techniques, key=lambda n: _depth_key(n, parents, list(techniques)))),
        numbers=MappingProxyType(_numbers(profiles[profile], profile, techniques, source)),
        lexemes=tuple(dict.fromkeys(lexemes)),
        outcomes=tuple(data["outcome"]),
        roles=tuple(data["role"]),
        places=tuple(data["place"]),
        ranges=tuple(data["range"]),
        stances=tuple(data["stance"]),
        _parents=MappingProxyType(parents),
        _kinds=MappingProxyType(kinds),
        _hands=MappingProxyType({n: e["hand"] for n, e in techniques.items() if "hand" in e}),
        _outcome_parents=MappingProxyType({n: e.get("parent") for n, e in data["outcome"].items()}),
        _said=MappingProxyType(said),
    )


def _validate(data: dict[str, Any], source: str) -> None:  # noqa: C901 - a check after the other
    for category, allowed in _CLOSED.items():
        for name in data[category]:
            if name not in allowed:
                raise SettingsError(f"{source}: [{category}.{name}]: {category} is {' or '.join(allowed)}")
    for category in _CATEGORIES:
        for name, entry in data[category].items():
            where = f"{source}: [{category}.{name}]"
            for key, value in entry.items():
                if key in _LISTS:
                    if not isinstance(value, list) or not all(
                        isinstance(v, str) and v.strip() for v in value
                    ):
                        raise SettingsError(f"{where}: “{key}” must be a list of words")
                elif key not in _VALUES:
                    raise SettingsError(f"{where}: “{key}” is unknown; use {', '.join((*_LISTS, *_VALUES))}")
                elif not isinstance(value, str):
                    raise SettingsError(f"{where}: “{key}” must be one word in quotes")
            if entry.get("hand", "lead") not in _CLOSED["hand"]:
                raise SettingsError(f"{where}: hand is lead or rear, not “{entry['hand']}”")
            parent = entry.get("parent")
            if parent is not None and parent not in data[category]:
                raise SettingsError(f"{where}: its parent “{parent}” is not a term of {category}")


def _kind(name: str, techniques: Mapping[str, Any], source: str) -> str:
    seen: list[str] = []
    at: str | None = name
    while at is not None:
        if at in seen:
            raise SettingsError(f"{source}: [technique.{name}]: its parents go round in a circle")
        seen.append(at)
        kind = techniques[at].get("kind")
        if kind is not None:
            if kind not in KINDS:
                raise SettingsError(f"{source}: [technique.{at}]: kind is one of {', '.join(KINDS)}")
            return str(kind)
        at = techniques[at].get("parent")
    raise SettingsError(f'{source}: [technique.{name}] needs a parent, such as parent = "punch"')


def _depth_key(name: str, parents: Mapping[str, str | None], order: list[str]) -> tuple[int, ...]:
    path: list[int] = []
    at: str | None = name
    while at is not None:
        path.insert(0, order.index(at))
        at = parents[at]
    return tuple(path)


def _numbers(
    entries: Mapping[str, Any], profile: str, techniques: Mapping[str, Any], source: str
) -> dict[str, Numbered]:
    numbers = {}
    for number, entry in entries.items():
        where = f"{source}: [numbers.{profile}] {number}"
        if not number.isdigit():
            raise SettingsError(f"{where}: a gym number is written in digits")
        if not isinstance(entry, dict) or entry.get("technique") not in techniques:
            raise SettingsError(f"{where}: needs technique = one of the vocabulary's techniques")
        numbers[number] = Numbered(entry["technique"], entry.get("hand"), entry.get("target"))
    return numbers


def _lexemes(category: str, name: str, entry: Mapping[str, Any], source: str) -> Iterable[Lexeme]:
    nouns: list[str] = list(entry.get("nouns", ()))
    if category == "technique" and not nouns:
        nouns = [name]
    plurals = list(entry.get("plurals", ()))
    for index, noun in enumerate(nouns):
        yield Lexeme(_words(noun), category, name, "noun")
        plural = plurals[index] if index < len(plurals) else _plural(noun)
        yield Lexeme(_words(plural), category, name, "plural")
    for key, form in (("adjectives", "adjective"), ("adverbs", "adverb")):
        for text in entry.get(key, ()):
            yield Lexeme(_words(text), category, name, form)
    for verb in entry.get("verbs", ()):
        forms = verb.split()
        if len(forms) == 1:
            forms = _conjugated(verb)
        if len(forms) != len(_VERB_FORMS):
            raise SettingsError(
                f"{source}: [{category}.{name}]: a verb is written as its base form, or as four forms "
                f"such as “slip slips slipped slipping”, not “{verb}”"
            )
        for text, form in zip(forms, _VERB_FORMS, strict=True):
            yield Lexeme(_words(text), category, name, form)
            for particle in entry.get("particles", ()):
                yield Lexeme(_words(f"{text} {particle}"), category, name, form)


def _words(text: str) -> tuple[str, ...]:
    return tuple(text.lower().replace("_", " ").replace("-", " ").split())


def _plural(noun: str) -> str:
    if noun.endswith("y") and noun[-2:-1] not in "aeiou":
        return noun[:-1] + "ies"
    return noun + ("es" if noun.endswith(("s", "sh", "ch", "x", "z")) else "s")


def _conjugated(verb: str) -> list[str]:
    first, _, rest = verb.partition("_")
    rest = "_" + rest if rest else ""
    stem = first[:-1] if first.endswith("e") else first
    past = first[:-1] + "ied" if _plural(first).endswith("ies") and first.endswith("y") else stem + "ed"
    return [first + rest, _plural(first) + rest, past + rest, stem + "ing" + rest]
