"""The rules of the data file, made ready for the chart."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

from cliplib.phrases import lexicon, meanings, telling

KINDS = "PDMFT"
"""Kinds of techniques in symbols: punches, defences, footwork, feints, tying up."""
_NOUN, _VERB = ("n", "nb", "p", "p3"), ("b", "nb", "3", "p3")
_FORMS = {"N": _NOUN, "V": _VERB, "G": ("g",), "D": ("d",), "A": (*_VERB, "g"), "ANY": (*_VERB, "g", "d")}
_RESULT = {"n": "N", "p": "N", "b": "V", "3": "V", "d": "V", "g": "G", "nb": "B", "p3": "B"}
_TERMS = ("OUT", "ROLE")


def _sets() -> dict[str, frozenset[str]]:
    """What a name in a rule stands for, where it stands for several symbols."""
    sets: dict[str, Iterable[str]] = {}
    for kind in (*KINDS, *_TERMS):
        for name, forms in _FORMS.items():
            sets[f"{kind}.{name}"] = [f"{kind}.{form}" for form in forms]
    for name, forms in _FORMS.items():
        sets[f"K.{name}"] = [f"{kind}.{form}" for kind in KINDS for form in forms]
    sets["N"] = ["N", "B", "NUM", "ANYTHING", *sets["K.N"]]
    sets["V"] = ["V", "B", *sets["K.V"], *sets["K.D"]]
    sets["G"] = ["G", *sets["K.G"]]
    sets["A"] = {*sets["N"], *sets["V"], *sets["G"], "C"}
    sets["AND"] = ["AND", "BUT"]
    sets["THEN"] = ["THEN", "BEFORE"]
    sets["NV"] = {*sets["N"], *sets["V"]}
    return {name: frozenset(symbols) for name, symbols in sets.items()}


SETS = _sets()


class Rule(NamedTuple):
    """`LHS <- pattern | meaning | cost | example => reading`; see the data file."""

    name: str
    to: str
    pattern: str
    call: str
    cost: float
    example: str
    reading: str
    apply: Callable[[Sequence[Any]], Any]
    sentence: bool = False

    def result(self, parts: Sequence[Any]) -> str:
        if self.to != "=":
            return self.to
        symbol: str = parts[0].symbol
        kind, _, form = symbol.partition(".")
        return (
            _RESULT[form]
            if kind in KINDS and form in _RESULT
            else "N"
            if symbol in ("NUM", "ANYTHING")
            else symbol
        )


class Grammar(NamedTuple):
    """`moves[state][symbol]`: the states after it; `ends[state]`: rules complete there; `single`: rules of
    one part."""

    rules: tuple[Rule, ...]
    moves: tuple[dict[str, tuple[int, ...]], ...]
    ends: tuple[tuple[Rule, ...], ...]
    single: dict[str, tuple[Rule, ...]]


_ELEMENT = re.compile(r"(\(?)([A-Za-z0-9./~]+)(?::(\w+))?(\)?)$")


def read_rules(text: str, functions: Mapping[str, Any]) -> list[tuple[Rule, Any]]:
    """Rules with the flat patterns that each stands for: (symbols, variables) by place."""
    found = []
    for line in text.splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        name, body, call, cost, example = (part.strip() for part in line.split(" | ", 4))
        to, _, pattern = (part.strip() for part in body.partition("<-"))
        phrase, _, reading = (part.strip() for part in example.partition("=>"))
        for flat in _flat(pattern):
            apply = _caller(_read_call(call, [variable for _, variable in flat], functions, name))
            price = float(cost)
            found.append((Rule(name, to, pattern, call, price, phrase, reading, apply, to == "S"), flat))
    return found


def _flat(pattern: str) -> Iterable[list[tuple[frozenset[str], str]]]:
    """The pattern with and without each optional element."""
    choices = []
    for element in pattern.split():
        match = _ELEMENT.match(element)
        if not match:
            raise ValueError(f"“{element}” in “{pattern}”")
        symbols = frozenset(s for name in match[2].split("/") for s in SETS.get(name, (name,)))
        one = (symbols, match[3] or "")
        choices.append((one, None) if match[1] else (one,))
    for chosen in itertools.product(*choices):
        yield [one for one in chosen if one is not None]


class Call(NamedTuple):
    """A function with its arguments: where a part's meaning stands, a text, nothing, or what another call
    gives."""

    function: Callable[..., Any]
    takes: tuple[Any, ...]


class At(NamedTuple):
    place: int


_PIECE = re.compile(r"\s*(?:'([^']*)'|(\w+)(\()?|([,)]))")


def _read_call(text: str, variables: Sequence[str], functions: Mapping[str, Any], name: str) -> Call:
    """“onto(befell(a, m), p)”."""
    stack: list[tuple[str, list[Any]]] = [("", [])]
    for literal, word, opens, mark in _PIECE.findall(text):
        if opens:
            if not callable(functions.get(word)):
                raise ValueError(f"rule {name}: there is no meaning “{word}”")
            stack.append((word, []))
        elif mark == ")":
            word, takes = stack.pop()
            stack[-1][1].append(Call(functions[word], tuple(takes)))
        elif word:
            stack[-1][1].append(At(list(variables).index(word)) if word in variables else None)
        elif not mark:
            stack[-1][1].append(literal)
    if len(stack) != 1 or len(stack[0][1]) != 1:
        raise ValueError(f"rule {name}: “{text}” is no call")
    call: Call = stack[0][1][0]
    return call


def _value(call: Call, parts: Sequence[Any]) -> Any:
    values = []
    for take in call.takes:
        if isinstance(take, At):
            values.append(parts[take.place].meaning)
        elif isinstance(take, Call):
            value = _value(take, parts)
            if value is None:
                return None
            values.append(value)
        else:
            values.append(take)
    return call.function(*values)


def _caller(call: Call) -> Callable[[Sequence[Any]], Any]:
    """The call, the shorter way where it is a plain one."""
    function, takes = call
    places = [take.place for take in takes if isinstance(take, At)]
    if len(places) == len(takes) == 1:
        (one,) = places
        return lambda parts: function(parts[one].meaning)
    if len(places) == len(takes) == 2:
        one, two = places
        return lambda parts: function(parts[one].meaning, parts[two].meaning)
    return lambda parts: _value(call, parts)


def grammar_of(rules: Iterable[tuple[Rule, Any]]) -> Grammar:
    states: list[dict[frozenset[str], int]] = [{}]
    ends: list[list[Rule]] = [[]]
    single: dict[str, list[Rule]] = {}
    names: dict[str, Rule] = {}
    for rule, flat in rules:
        names.setdefault(rule.name, rule)
        if len(flat) == 1:
            for symbol in flat[0][0]:
                single.setdefault(symbol, []).append(rule)
            continue
        at = 0
        for symbols, _ in flat:
            if symbols not in states[at]:
                states[at][symbols] = len(states)
                states.append({})
                ends.append([])
            at = states[at][symbols]
        ends[at].append(rule)
    moves: list[dict[str, tuple[int, ...]]] = []
    for state in states:
        by_symbol: dict[str, tuple[int, ...]] = {}
        for symbols, target in state.items():
            for symbol in sorted(symbols):
                by_symbol[symbol] = (*by_symbol.get(symbol, ()), target)
        moves.append(by_symbol)
    return Grammar(
        tuple(names.values()), tuple(moves), tuple(map(tuple, ends)), {s: tuple(r) for s, r in single.items()}
    )


@cache
def grammar() -> Grammar:
    """The grammar of the data file, with the costs that were tuned (costs.txt: rule and what is added)."""
    plain = grammar_of(read_rules(lexicon.data("rules.txt"), {**vars(meanings), **vars(telling)}))
    lines = lexicon.data("costs.txt").splitlines()
    pairs = (line.split() for line in lines if line and not line.startswith("#"))
    return tuned(plain, {name: float(value) for name, value in pairs})


def tuned(grammar: Grammar, change: Mapping[str, float]) -> Grammar:
    """The grammar with some costs changed."""

    def one(rule: Rule) -> Rule:
        return rule._replace(cost=rule.cost + change.get(rule.name, 0.0))

    return Grammar(
        tuple(map(one, grammar.rules)), grammar.moves,
        tuple(tuple(map(one, rules)) for rules in grammar.ends),
        {symbol: tuple(map(one, rules)) for symbol, rules in grammar.single.items()},
    )  # fmt: skip
