"""Two logs of one fight, action by action: which of them tell of the same thing.

Actions are paired for each fighter apart. An action that has no time of its own (a cue of several actions)
lies somewhere in its exchange's span; the gap of two is that of their spans. A pair costs its gap, and a
quarter of the window more if the techniques differ; an action left alone costs half a window. The pairing of
least cost is taken, among those that keep both logs' order: two people watched one course of events.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from cliplib.core.models import Action
from cliplib.stats.agreement import ac1, band, kappa, percent_error, positive_agreement
from cliplib.stats.proportions import Interval

WINDOW_US = 1_000_000


@dataclass(frozen=True, slots=True)
class Logged:
    """An action of a log. `first_us`, `last_us`: it happened in this span of footage time (both the same
    where its time was logged), or, `on_clock`, of its round's clock, negated. `exchange_id`, `position`:
    where it stands."""

    action: Action
    first_us: int
    last_us: int
    round: int | None
    exchange_id: int
    position: int
    on_clock: bool = False

    @property
    def clock_us(self) -> int | None:
        """What the round clock showed."""
        return -self.first_us if self.on_clock else None

    @property
    def outcome(self) -> str:
        """What it is called in tables of outcomes: one that nobody said has a name of its own."""
        return self.action.came_off or "unknown"


@dataclass(frozen=True, slots=True)
class Pair:
    """What both logs tell; `one` or `two` is None where only the other has it."""

    one: Logged | None
    two: Logged | None

    @property
    def either(self) -> Logged:
        found = self.one or self.two
        assert found is not None
        return found

    @property
    def differs_in(self) -> tuple[str, ...]:
        """Of technique, target, outcome and hand what both say, and say differently."""
        if self.one is None or self.two is None:
            return ()
        a, b = self.one.action, self.two.action
        names = ("technique", "outcome", "target", "side")
        return tuple(
            n
            for n in names
            if getattr(a, n) != getattr(b, n)
            and (n in ("technique", "outcome") or (getattr(a, n) and getattr(b, n)))
        )


@dataclass(frozen=True, slots=True)
class Confusion:
    """`table[i][j]`: pairs that the first log calls `names[i]` and the second `names[j]`."""

    names: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]

    @property
    def pairs(self) -> int:
        return sum(map(sum, self.table))

    @property
    def same(self) -> int:
        return sum(row[i] for i, row in enumerate(self.table))

    @property
    def kappa(self) -> Interval | None:
        """None without pairs, or where everything is called the same by both."""
        return kappa(self.table) if self.pairs else None

    @property
    def ac1(self) -> float | None:
        return ac1(self.table) if self.pairs and len(self.names) > 1 else None

    @property
    def band(self) -> str:
        found = self.kappa
        return "" if found is None else band(found.value)


@dataclass(frozen=True, slots=True)
class OfOne:
    """One technique or outcome: how often each log has it, both for the same action, and Cohen's kappa of
    "it or not it" over the pairs."""

    name: str
    one: int
    two: int
    both: int
    percent_error: float | None
    kappa: Interval | None

    @property
    def positive(self) -> Interval | None:
        """How far both have it at the same moments; see `agreement.positive_agreement`."""
        return positive_agreement(self.both, self.one, self.two)


@dataclass(frozen=True, slots=True)
class Agreement:
    """`pairs`: in order of time, with what only one log has. `techniques`, `outcomes`: over the pairs."""

    pairs: tuple[Pair, ...]
    techniques: Confusion
    outcomes: Confusion
    of_technique: tuple[OfOne, ...]
    of_outcome: tuple[OfOne, ...]
    percent_error: float | None  # over the counts of each fighter's techniques
    punches: frozenset[str]  # of the techniques, those that have an outcome

    @property
    def seen(self) -> Interval | None:
        """How far both have the same actions, whatever they call them: what only one has counts against."""
        return positive_agreement(self.paired, self.paired + self.only_one, self.paired + self.only_two)

    @property
    def called_alike(self) -> Interval | None:
        """How far both have the same actions and call them alike."""
        n1, n2 = self.paired + self.only_one, self.paired + self.only_two
        return positive_agreement(self.techniques.same, n1, n2)

    @property
    def paired(self) -> int:
        return sum(p.one is not None and p.two is not None for p in self.pairs)

    @property
    def only_one(self) -> int:
        return sum(p.two is None for p in self.pairs)

    @property
    def only_two(self) -> int:
        return sum(p.one is None for p in self.pairs)

    def called(self, what: str, one: str | None, two: str | None) -> tuple[Pair, ...]:
        """The pairs, and what only one log has, whose `what` (technique or outcome) is `one` in the first log
        and `two` in the second; None: whatever it is there, and if it is there at all."""
        return tuple(
            pair
            for pair in self.pairs
            if all(
                name is None or (logged is not None and self._name(logged, what) == name)
                for logged, name in ((pair.one, one), (pair.two, two))
            )
        )

    def _name(self, logged: Logged, what: str) -> str | None:
        if what == "technique":
            return logged.action.technique
        return logged.outcome if logged.action.technique in self.punches else None

    @property
    def disagreements(self) -> tuple[Pair, ...]:
        return tuple(p for p in self.pairs if p.one is None or p.two is None or p.differs_in)


def agreement(
    one: Sequence[Logged],
    two: Sequence[Logged],
    is_punch: Callable[[str], bool],
    window_us: int = WINDOW_US,
) -> Agreement:
    """Pair two logs and say how far they agree."""
    pairs = pair(one, two, window_us)
    both = [(p.one, p.two) for p in pairs if p.one is not None and p.two is not None]
    techniques = [(a.action.technique, b.action.technique) for a, b in both]
    punches = [(a, b) for a, b in both if is_punch(a.action.technique) and is_punch(b.action.technique)]
    outcomes = [(a.outcome, b.outcome) for a, b in punches]
    counts1 = Counter((x.action.fighter, x.action.technique) for x in one)
    counts2 = Counter((x.action.fighter, x.action.technique) for x in two)
    keys = sorted({*counts1, *counts2}, key=str)
    return Agreement(
        pairs,
        _confusion(techniques),
        _confusion(outcomes),
        _each(
            techniques,
            Counter(x.action.technique for x in one),
            Counter(x.action.technique for x in two),
        ),
        _each(outcomes, _outcomes(one, is_punch), _outcomes(two, is_punch)),
        percent_error([counts1[k] for k in keys], [counts2[k] for k in keys]),
        frozenset(x.action.technique for x in (*one, *two) if is_punch(x.action.technique)),
    )


def _outcomes(logged: Sequence[Logged], is_punch: Callable[[str], bool]) -> Counter[str]:
    return Counter(x.outcome for x in logged if is_punch(x.action.technique))


def pair(one: Sequence[Logged], two: Sequence[Logged], window_us: int = WINDOW_US) -> tuple[Pair, ...]:
    """The pairing of least cost; see the module's head."""
    found: list[Pair] = []
    for alike in sorted({_course(x) for x in (*one, *two)}):
        a = sorted((x for x in one if _course(x) == alike), key=_when)
        b = sorted((x for x in two if _course(x) == alike), key=_when)
        found += _pair_one_fighter(a, b, window_us)
    return tuple(sorted(found, key=lambda p: _when(p.either)))


def _course(x: Logged) -> tuple[str, int]:
    """Whose it is, and on which clock: rounds have one each, the footage has one for all."""
    return str(x.action.fighter), (x.round or 0) + 1 if x.on_clock else 0


def _when(x: Logged) -> tuple[int, int, int, int]:
    return _course(x)[1], x.first_us, x.exchange_id, x.position


def _pair_one_fighter(a: Sequence[Logged], b: Sequence[Logged], window_us: int) -> list[Pair]:
    """Cut where nothing of one side can reach the other, so that each piece is small, and solve each."""
    events = [(x.first_us, x.last_us, side) for side, logged in enumerate((a, b)) for x in logged]
    events.sort()
    found: list[Pair] = []
    i = j = i0 = j0 = 0
    reach = None
    for first, last, side in events:
        if reach is not None and first - reach >= window_us:
            found += _solve(a[i0:i], b[j0:j], window_us)
            i0, j0 = i, j
        reach = last if reach is None else max(reach, last)
        i, j = (i + 1, j) if side == 0 else (i, j + 1)
    return found + _solve(a[i0:], b[j0:], window_us)


def cost(x: Logged, y: Logged, window_us: int) -> int | None:
    """In quarters of a microsecond, so that quarters of any window are whole; None out of reach."""
    gap = max(0, y.first_us - x.last_us, x.first_us - y.last_us)
    if gap >= window_us:
        return None
    return 4 * gap + (0 if x.action.technique == y.action.technique else window_us)


def _solve(a: Sequence[Logged], b: Sequence[Logged], window_us: int) -> list[Pair]:
    """Least cost by the classic table of beginnings."""
    alone = 2 * window_us
    n, m = len(a), len(b)
    best = [[alone * (i + j) for j in range(m + 1)] for i in range(n + 1)]
    for i in range(1, n + 1):
        for j in range(1, m + 1):
            together = cost(a[i - 1], b[j - 1], window_us)
            best[i][j] = min(best[i - 1][j], best[i][j - 1]) + alone
            if together is not None:
                best[i][j] = min(best[i][j], best[i - 1][j - 1] + together)
    found: list[Pair] = []
    i, j = n, m
    while i or j:
        together = cost(a[i - 1], b[j - 1], window_us) if i and j else None
        if together is not None and best[i][j] == best[i - 1][j - 1] + together:
            i, j = i - 1, j - 1
            found.append(Pair(a[i], b[j]))
        elif i and best[i][j] == best[i - 1][j] + alone:
            i -= 1
            found.append(Pair(a[i], None))
        else:
            j -= 1
            found.append(Pair(None, b[j]))
    return found[::-1]


def _confusion(pairs: Sequence[tuple[str, str]]) -> Confusion:
    often = Counter(name for both in pairs for name in both)
    names = sorted(often, key=lambda name: (-often[name], name))
    counts = Counter(pairs)
    return Confusion(tuple(names), tuple(tuple(counts[a, b] for b in names) for a in names))


def _each(pairs: Sequence[tuple[str, str]], one: Counter[str], two: Counter[str]) -> tuple[OfOne, ...]:
    found = []
    for name in sorted({*one, *two}, key=lambda n: (-one[n] - two[n], n)):
        both = sum(a == b == name for a, b in pairs)
        first, second = (sum(p[side] == name for p in pairs) for side in (0, 1))
        table = [[both, first - both], [second - both, len(pairs) - first - second + both]]
        found.append(
            OfOne(
                name,
                one[name],
                two[name],
                both,
                percent_error([one[name]], [two[name]]),
                kappa(table) if pairs else None,
            )
        )
    return tuple(found)
