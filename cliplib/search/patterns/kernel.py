"""The loops of match.py, compiled (kernel.c): for finding, where only counts and a page are wanted.

It is compiled when cliplib is installed, if the machine has a C compiler. Where it isn't, or where an archive
or a pattern goes beyond what its narrow numbers hold, `hits` says None and `Pattern.match` answers the same,
some times slower.
"""

from __future__ import annotations

import ctypes
import importlib.machinery
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from cliplib.search.patterns.codes import Array
from cliplib.search.patterns.columns import Columns
from cliplib.search.patterns.facets import Counts
from cliplib.search.patterns.match import TICK_US, Pattern
from cliplib.search.patterns.steps import GAP_LIMIT, GAP_UNIT, MUST_ANSWER, Part, Wanted

_MOST_STEPS, _MOST_FILTERS, _MOST_THREADS, _BLOCK, _FULL = 16, 64, 2, 1 << 14, 255
_NO_COST = np.iinfo(np.int32).max
_KEPT_ROOMS, _KEPT_STEPS = 4, 64
_THREADS = min(_MOST_THREADS, os.cpu_count() or 1)
_ENOUGH = 1 << 18
"""From so many postings to go through on, a second thread saves more time than it takes."""
_FEW = _RARE = 4
"""Where not one exchange in so many is allowed, only those are looked at; a step after the second that is so
many times as rare as the first tells in which exchanges to look."""

_pointer, _long, _int = ctypes.c_void_p, ctypes.c_int64, ctypes.c_int32


def _struct(name: str, *fields: tuple[str, Any]) -> type[ctypes.Structure]:
    return type(name, (ctypes.Structure,), {"_fields_": list(fields)})


# The structures of kernel.c, in its order.
_Archive = _struct(
    "Archive",
    *((name, _long) for name in ("actions", "exchanges", "fights", "techniques")),
    *((name, _pointer) for name in (
        "action", "first_action", "first_exchange", "fight_of", "round", "begins", "exchange",
        "position", "kind", "setting", "next_other", "next_own", "ahead_other", "ahead_own",
    )),
)  # fmt: skip
_Part = _struct("Part", *((name, _pointer) for name in ("verdict", "settings", "corners")))
_Step = _struct(
    "Step",
    ("part", _pointer), ("parts", _long), ("verdict", _pointer), ("cost", _pointer), ("bits", _pointer),
    ("window", _long), ("same", _int), ("only_punches", _int), ("answered", _int), ("absents", _int),
    ("absent", _long), ("filters", ctypes.c_uint64), ("chosen", _pointer), ("slices", _long),
    ("ahead_bits", ctypes.c_uint32),
)  # fmt: skip
_Query = _struct(
    "Query",
    ("steps", _long), ("step", _pointer), ("absent", _pointer), ("filter", _pointer),
    ("filters", ctypes.c_uint64), ("most_ticks", _long), ("tick_cost", _long),
    ("punch", _pointer), ("allowed", _pointer), ("begins", _pointer), ("beginner", _pointer),
    ("rare", ctypes.c_uint64), ("pair", _long), ("few", _int), ("plain", _int), ("words", _long),
    ("corner_bit", _long * 2),
)  # fmt: skip
_Room = _struct("Room", *((name, _pointer) for name in ("joined", "cost", "touched", "there")))
_Answer = _struct(
    "Answer",
    ("found", _long),
    *((name, _pointer) for name in ("exchange", "cost", "values", "by_corner", "rounds")),
)
_Raw = _struct(
    "Raw",
    ("kinds", _long), ("settings", _long),
    *((name, _pointer) for name in (
        "technique_of", "corner_of", "kind", "setting", "since", "next_own", "next_other", "answers",
        "ahead_own", "ahead_other",
    )),
)  # fmt: skip
_Fact = _struct("Fact", ("name", ctypes.c_char_p), ("at", _long), ("size", _long))
_ACTION_SIZE, _NEXT_SIZE = 12, 4  # bytes of kernel.c's structures
_NARROW = {
    "kind": np.uint16, "setting": np.uint16, "since": np.int32, "next_own": np.int16,
    "next_other": np.int16, "answers": np.int16, "ahead_own": np.uint32, "ahead_other": np.uint32,
}  # fmt: skip


def _agreed() -> dict[str, tuple[int, int]]:
    """What kernel.c has to say of itself, as this module takes it: places and sizes of fields in bytes, the
    sizes of structures, and the numbers that both sides count with."""
    structures = (_Archive, _Part, _Step, _Query, _Room, _Answer, _Raw)
    places = {
        f"{structure.__name__}.{name}": (getattr(structure, name).offset, getattr(structure, name).size)
        for structure in structures
        for name, *_ in structure._fields_
    }
    sizes = {structure.__name__: ctypes.sizeof(structure) for structure in structures}
    sizes |= {"Action": _ACTION_SIZE, "Next": _NEXT_SIZE}
    numbers = {
        "MUST_ANSWER": MUST_ANSWER, "MOST_STEPS": _MOST_STEPS, "MOST_THREADS": _MOST_THREADS, "FULL": _FULL,
        "BLOCK": _BLOCK, "TICK": TICK_US, "NO_COST": _NO_COST,
    }  # fmt: skip
    return (
        places
        | {f"size of {name}": (size, 0) for name, size in sizes.items()}
        | {name: (int(value), 0) for name, value in numbers.items()}
    )


def _said(library: ctypes.CDLL) -> dict[str, tuple[int, int]]:
    """What the compiled file says of itself."""
    library.facts.restype = ctypes.POINTER(_Fact)
    library.facts.argtypes = []
    facts, said = library.facts(), {}
    for fact in facts:  # ends with a fact without a name
        if fact.name is None:
            break
        said[fact.name.decode("ascii")] = (fact.at, fact.size)
    return said


@cache
def compiled() -> ctypes.CDLL | None:
    """The compiled loops; None if they were not compiled here."""
    source = Path(__file__).with_name("kernel.c")
    for suffix in importlib.machinery.EXTENSION_SUFFIXES:
        path = Path(__file__).with_name(f"_kernel{suffix}")
        if not path.is_file() or (source.is_file() and source.stat().st_mtime > path.stat().st_mtime):
            continue  # not here, or of another version: in a checkout that has moved on
        try:
            library = ctypes.CDLL(str(path))
            if _said(library) == _agreed():
                return _declared(library)
        except (OSError, AttributeError):
            pass  # for another kind of machine, or of a version that does not say
    return None


def _declared(library: ctypes.CDLL) -> ctypes.CDLL:
    library.find.restype, library.list.restype = None, _long
    library.find.argtypes = [_pointer, _pointer, _long, _pointer, _pointer]
    library.list.argtypes = [_pointer, _pointer, _long, _long, _pointer]
    library.pack.restype = ctypes.c_int
    library.pack.argtypes = [_pointer, _pointer]
    return library


def _flat(array: Array | None, dtype: type) -> Array | None:
    """The array as kernel.c reads it; bool as bytes."""
    if array is not None and array.dtype == np.bool_:
        array = array.view(np.uint8)
    return None if array is None else np.ascontiguousarray(array, dtype)


def _address(array: Array | None) -> int | None:
    return None if array is None else int(array.ctypes.data)


class _Packed:
    """An archive as kernel.c takes it. Kept beside its columns; holds on to every array it points to, but not
    to the columns, which it would outlive with until the next collection of garbage."""

    def __init__(self, columns: Columns, library: ctypes.CDLL):
        self.library = library
        self.exchanges, self.chunks = columns.exchanges, len(columns.value_bits)
        self.rooms: list[tuple[Any, ...]] = []
        self._prepared: dict[int, tuple[Any, ...]] = {}
        self._kind_bits = columns.kind_bits
        self._technique_of = columns.of_kind("technique").astype(np.int32)
        techniques = int(self._technique_of.max(initial=0)) + 1
        self._kinds_of = np.bincount(self._technique_of, minlength=techniques)
        self.rounds = int(columns.round.max(initial=0)) + 1
        bits, outcomes = (
            np.ascontiguousarray(np.column_stack([chunk[i] for chunk in columns.value_bits])) for i in (1, 2)
        )
        self._bits = bits, bits | outcomes
        self.bits_at, self.with_outcomes_at = map(_address, self._bits)
        self.corner_bits = [self._bit_of(("corner", corner), columns) for corner in (0, 1)]
        self.fine = (
            all(getattr(columns, name).dtype == dtype for name, dtype in _NARROW.items())
            and columns.actions < 1 << 31
            and self._pack(columns, techniques)
        )

    @staticmethod
    def _bit_of(value: tuple[str, int], columns: Columns) -> int:
        for chunk, (values, _, _) in enumerate(columns.value_bits):
            if value in values:
                return 64 * chunk + values.index(value)
        return -1

    def _pack(self, columns: Columns, techniques: int) -> bool:
        """Whether the archive's numbers are as narrow as kernel.c needs them."""
        count, blocks = columns.actions, -(-columns.exchanges // _BLOCK)
        arrays = {
            "action": np.empty(count * _ACTION_SIZE, np.uint8),
            "first_action": _flat(columns.first_action, np.int64),
            "first_exchange": _flat(columns.first_exchange, np.int64),
            "fight_of": _flat(columns.fight_of, np.int32),
            "round": _flat(columns.round, np.int16),
            "begins": np.empty(techniques * (blocks + 1), np.int64),
            "exchange": np.empty(count, np.int32),
            "position": np.empty(count, np.uint8),
            "kind": np.empty(count, np.uint16),
            "setting": np.empty(count, np.uint8),
            "next_other": np.empty(count * _NEXT_SIZE, np.uint8),
            "next_own": np.empty(count * _NEXT_SIZE, np.uint8),
            "ahead_other": np.empty(count, np.uint32),
            "ahead_own": np.empty(count, np.uint32),
        }
        self._arrays = arrays
        self.archive = _Archive(
            actions=count, exchanges=columns.exchanges, fights=len(columns.fights), techniques=techniques,
            **{name: _address(array) for name, array in arrays.items()},
        )  # fmt: skip
        raw = {name: _flat(getattr(columns, name), dtype) for name, dtype in _NARROW.items()}
        raw["technique_of"] = self._technique_of
        raw["corner_of"] = _flat(columns.of_kind("corner"), np.uint8)
        given = _Raw(
            kinds=len(columns.kinds), settings=len(columns.settings),
            **{name: _address(array) for name, array in raw.items()},
        )  # fmt: skip
        failed: int = self.library.pack(ctypes.byref(self.archive), ctypes.byref(given))
        begins = np.asarray(arrays["begins"]).reshape(techniques, blocks + 1)
        self._postings_of = begins[:, -1] - begins[:, 0]
        return not failed

    def prepared(self, wanted: Wanted) -> tuple[Any, ...]:
        """(a step without its place in a pattern, how many postings its techniques have, all that it points
        to: to be held on to). Kept: the same few are asked for again and again."""
        known = self._prepared.get(id(wanted))
        if known is not None and known[2] is wanted:
            return known
        kinds = np.bincount(self._technique_of.take(wanted.chosen), minlength=len(self._kinds_of))
        techniques = np.flatnonzero(kinds)
        chosen = np.column_stack([techniques, (kinds == self._kinds_of).take(techniques)]).astype(np.int64)
        parts, held = parts_of(wanted.parts)
        step = _Step(
            part=ctypes.addressof(parts), parts=len(wanted.parts), verdict=_address(wanted.verdict),
            cost=_address(wanted.cost), only_punches=wanted.only_punches, chosen=_address(chosen),
            slices=len(chosen), ahead_bits=int(np.bitwise_or.reduce(self._kind_bits.take(wanted.chosen))),
        )  # fmt: skip
        if len(self._prepared) >= _KEPT_STEPS:
            self._prepared.clear()
        postings = int(self._postings_of.take(techniques).sum())
        self._prepared[id(wanted)] = known = (step, postings, wanted, chosen, parts, held)
        return known

    def room(self) -> tuple[Any, ...]:
        """Room for one search, taken from those that earlier ones gave back: new memory costs more than
        most searches. `list.pop` and `append` are each one step to other threads."""
        try:
            return self.rooms.pop()
        except IndexError:
            arrays: tuple[Array, ...] = (
                np.zeros(_BLOCK * self.chunks, np.uint64),
                np.full(_BLOCK, _NO_COST, np.int32),
                np.zeros(_BLOCK // 64, np.uint64),
                np.empty(2 * _BLOCK // 64, np.uint64),
                np.empty(self.exchanges, np.int32),
                np.empty(self.exchanges, np.int32),
            )
            return (_Room(*map(_address, arrays[:4])), *arrays)

    def give_back(self, rooms: Sequence[tuple[Any, ...]]) -> None:
        if len(self.rooms) < _KEPT_ROOMS:
            self.rooms += rooms


def parts_of(parts: Sequence[Part]) -> tuple[Any, list[Array | None]]:
    """(the parts as an array of structures, the arrays that these point to)."""
    held = [
        (_flat(p.verdict, np.uint8), _flat(p.settings, np.uint8), _flat(p.corners, np.int8)) for p in parts
    ]
    structures = [_Part(*map(_address, arrays)) for arrays in held]
    return (_Part * max(1, len(parts)))(*structures), [array for arrays in held for array in arrays]


def _packed(columns: Columns) -> _Packed | None:
    library = compiled()
    if library is None or not columns.actions:
        return None
    packed: _Packed | None = columns.derived.get("packed")
    if packed is None:
        packed = columns.derived.setdefault("packed", _Packed(columns, library))
    return packed if packed.fine else None


@dataclass(frozen=True)
class Hits:
    """What finding needs of all matches; for the rest of them see `Matches`, whose fields these are."""

    query: _Question
    exchanges: Array
    cost: Array
    counts: Counts

    @property
    def columns(self) -> Columns:
        return self.query.pattern.columns

    def first_rows(self) -> Array:
        """The actions that begin a match, ascending."""
        return self.query.pattern.match().first_rows()

    def tuples(self, limit: int, exchanges: Array) -> dict[int, list[tuple[int, ...]]]:
        """As `Matches.tuples`."""
        steps = len(self.query.pattern.steps)
        room = np.empty(limit * steps, np.int32)
        found = {}
        for exchange in exchanges.tolist():
            count = self.query.list(exchange, limit, room)
            if count < 0:
                return self.query.pattern.match().tuples(limit, exchanges)
            found[exchange] = list(zip(*[iter(room[: count * steps].tolist())] * steps, strict=True))
        return found


class _Question:
    """A pattern as kernel.c takes it; holds on to every array it points to."""

    def __init__(self, pattern: Pattern, packed: _Packed):
        self.pattern, self.packed = pattern, packed
        self._held: list[Any] = []
        limits, steps = pattern.limits, pattern.steps
        query = self._query = _Query()
        query.steps, query.most_ticks = len(steps), GAP_LIMIT // max(1, len(steps) - 1)
        query.tick_cost = GAP_UNIT
        query.words, query.corner_bit[:] = packed.chunks, packed.corner_bits
        query.punch = self._at(pattern.is_punch, np.uint8)
        query.filters = (1 << len(limits.some)) - 1
        if limits.some:
            filters, held = parts_of([part for some in limits.some for part in some.parts])
            self._held += [filters, held]
            query.filter = ctypes.addressof(filters)
        self._steps(query)
        self._beginnings(query)

    def _at(self, array: Array | None, dtype: type) -> int | None:
        self._held.append(_flat(array, dtype))
        return _address(self._held[-1])

    def _table(self, structures: Sequence[Any]) -> int:
        table = (_Step * max(1, len(structures)))(*structures)
        self._held.append(table)
        return ctypes.addressof(table)

    def _step(self, wanted: Wanted, window: int | None, same: bool, answered: int | None) -> Any:
        prepared = self.packed.prepared(wanted)
        self._held.append(prepared)
        step = _Step.from_buffer_copy(prepared[0])
        step.window, step.same = -1 if window is None else window, same
        step.answered = -1 if answered is None else answered
        return step

    def _steps(self, query: Any) -> None:
        pattern, packed, limits = self.pattern, self.packed, self.pattern.limits
        steps: list[Any] = []
        absents: list[Any] = []
        for i, wanted in enumerate(pattern.wanted):
            within = pattern.steps[i].within_us
            window = pattern.settings.step_window_us if within is None else within
            step = self._step(wanted, window, i > 0 and pattern.same(i), pattern.answers_step[i])
            ends_it = pattern.result in (None, i)
            step.bits = packed.with_outcomes_at if ends_it else packed.bits_at
            if limits.some:
                step.filters = sum(
                    1 << bit for bit in range(len(limits.some)) if ends_it or bit not in limits.of_result
                )
            steps.append(step)
        steps.append(_Step())
        for place, some in enumerate(pattern.absent):
            steps[place].absent, steps[place].absents = len(absents), len(some)
            for absent, unwanted in some:
                same = absent.by == pattern.steps[max(place - 1, 0)].by
                limit = pattern.absent_window(absent, place)
                absents.append(self._step(unwanted, limit, same, pattern.answered(place, absent.by)))
        query.step, query.absent = self._table(steps), self._table(absents)

    def _beginnings(self, query: Any) -> None:
        pattern, limits = self.pattern, self.pattern.limits
        query.beginner = self._at(pattern.beginner(), np.int8)
        query.begins = self._at(pattern.beginning_kinds(), np.uint8)
        query.allowed = self._at(limits.exchanges, np.uint8)
        if limits.exchanges is not None:
            query.few = int(np.count_nonzero(limits.exchanges)) * _FEW < pattern.columns.exchanges
        hits, later = pattern.hits, range(2, len(pattern.hits))
        query.rare = sum(1 << i for i in later if hits[i] * _RARE < hits[0])
        if not query.rare:
            pairs = [i for i in later if pattern.wanted[i].only_punches and hits[i - 1] < 2 * hits[0]]
            query.pair = min(pairs, key=lambda i: hits[i - 1], default=0)
        looked_at = () if query.few else (0, query.pair - 1) if query.pair else (0,)
        self._work = sum(self.packed.prepared(pattern.wanted[i])[1] for i in looked_at)
        first, then = pattern.wanted[0].parts, [p for wanted in pattern.wanted[1:] for p in wanted.parts]
        query.plain = not (
            query.begins or query.beginner or query.filters or any(pattern.absent)
            or any(p.corners is not None for p in (*first, *then))
            or any(p.settings is not None for p in (*first[len(first) == 1:], *then))
        )  # fmt: skip

    def find(self) -> Hits | None:
        """None if somewhere there are too many ways."""
        packed, columns = self.packed, self.pattern.columns
        threads = _THREADS if self._work > _ENOUGH else 1
        rooms = [packed.room() for _ in range(threads)]
        values = np.zeros((threads, 64 * packed.chunks), np.int64)
        by_corner = np.zeros((threads, len(columns.fights), 2), np.int64)
        rounds = np.zeros((threads, packed.rounds), np.int64)
        answers = (_Answer * threads)(
            *(_Answer(-1, *map(_address, (*rooms[i][-2:], values[i], by_corner[i], rounds[i])))
              for i in range(threads))
        )  # fmt: skip
        packed.library.find(
            ctypes.byref(packed.archive), ctypes.byref(self._query), threads,
            (_Room * threads)(*(room[0] for room in rooms)), answers,
        )  # fmt: skip
        counts = [max(answer.found, 0) for answer in answers]
        exchanges, cost = (
            np.concatenate([room[which][:count] for room, count in zip(rooms, counts, strict=True)])
            for which in (-2, -1)
        )
        packed.give_back(rooms)
        if any(answer.found < 0 for answer in answers):
            return None
        return Hits(self, exchanges, cost, Counts(columns, values.sum(0), by_corner.sum(0), rounds.sum(0)))

    def list(self, exchange: int, limit: int, room: Array) -> int:
        """How many matches of an exchange stand in `room` now; -1: too many ways to tell."""
        count = self.packed.library.list(
            ctypes.byref(self.packed.archive), ctypes.byref(self._query), exchange, limit, _address(room)
        )
        return int(count)


def make_ready(columns: Columns) -> None:
    """Do once what every search over an archive needs, before anybody waits for it."""
    if _packed(columns) is None:
        _ = columns.postings, columns.posted_ahead
    _ = columns.fight_of, columns.exchange_of, columns.corner


def hits(pattern: Pattern) -> Hits | None:
    """The exchanges with a match and all that is counted of them; None if the compiled loops can't tell."""
    packed = _packed(pattern.columns)
    if packed is None or len(pattern.steps) > _MOST_STEPS or len(pattern.limits.some) > _MOST_FILTERS:
        return None
    return _Question(pattern, packed).find()
