"""A log that grows line by line reads as the whole log does, whatever is added, changed and taken out, in any
order; and what did not change is not read again."""

from __future__ import annotations

from unittest.mock import patch

from hypothesis import given
from hypothesis import strategies as st

from cliplib.core.models import Corner, FightInfo, Settings
from cliplib.logs import pieces, read_lines
from cliplib.logs.pieces import Read
from cliplib.vocabulary import load_vocabulary

V = load_vocabulary()
PLAIN = FightInfo("A v B", Corner("Ada Okoro", "orthodox"), Corner("Bram Visser", "southpaw"))
BELLS = FightInfo(
    "A v B", PLAIN.red, PLAIN.blue, rounds=3, round_us=60_000_000, rest_us=20_000_000,
    round_starts_us=(10_000_000, 90_000_000, 170_000_000),
)  # fmt: skip

said = st.fixed_dictionaries(
    {"time": st.integers(0, 2400).map(lambda tenths: f"{tenths // 600}:{tenths % 600 / 10:04.1f}")},
    optional={
        "fighter": st.sampled_from(["Okoro", "Visser"]),
        "action": st.sampled_from(
            [
                "jab missed",
                "Visser slips",
                "switches stance",
                "lead hook landed",
                "1-2",
                "from southpaw, cross",
            ]
        ),
        "note": st.sampled_from(["hands low", "tired"]),
        "until": st.just("4:01"),
    },
)
odd = said | st.fixed_dictionaries(
    {"action": st.sampled_from(["jab", "blorps"]), "fighter": st.just("Okoro")},
    optional={
        "time": st.sampled_from(["1:00", "soon"]),
        "exchange": st.sampled_from(["7", "left side"]),
        "round": st.sampled_from(["1", "2"]),
        "clock": st.just("0:40"),
        "in": st.just("0:50"),
        "out": st.just("1:10"),
    },
)


@st.composite
def histories(draw: st.DrawFn) -> list[tuple[dict[str, str], ...]]:
    """A log after each change."""
    now: list[dict[str, str]] = []
    found = []
    lines = draw(st.sampled_from([said, said, odd]))
    for _ in range(draw(st.integers(1, 14))):
        what = draw(st.sampled_from(["add", "add", "add", "append", "change", "remove"]))
        if what == "append":  # after all that is there
            now.append({**draw(said), "time": f"{5 + len(now)}:00"})
        elif what == "add" or not now:
            now.append(draw(lines))
        elif what == "change":
            now[draw(st.integers(0, len(now) - 1))] = draw(lines)
        else:
            del now[draw(st.integers(0, len(now) - 1))]
        found.append(tuple(now))
    return found


@given(histories(), st.sampled_from([PLAIN, BELLS]))
def test_pieces_say_what_the_whole_log_says(
    history: list[tuple[dict[str, str], ...]], info: FightInfo
) -> None:
    read = Read()
    for lines in history:
        found = read.read(lines, info, V, Settings(), file_label="log")
        whole = read_lines(lines, info, V, Settings(), file_label="log")
        assert tuple(e for piece in found for e in piece.exchanges) == whole.exchanges
        assert tuple(p for piece in found for p in piece.problems) == whole.problems
        marks = sorted((m for piece in found for m in piece.marks), key=lambda mark: mark.key)
        assert tuple(marks) == whole.marks


def test_only_the_piece_that_grew_is_read() -> None:
    lines = [{"time": f"{n // 6}:{n % 6}0", "fighter": "Okoro", "action": "jab"} for n in range(60)]
    read = Read()
    before = read.read(tuple(lines), PLAIN, V, Settings(), file_label="log")
    asked = []
    with patch.object(
        pieces,
        "read_lines",
        side_effect=lambda some, *a, **k: asked.append(some) or read_lines(some, *a, **k),
    ):
        after = read.read(
            (*lines, {"time": "10:00", "fighter": "Visser", "action": "cross"}),
            PLAIN,
            V,
            Settings(),
            file_label="log",
        )
        assert [len(some) for some in asked] == [1]
        asked.clear()
        lines[30] = {**lines[30], "action": "cross"}
        read.read(tuple(lines), PLAIN, V, Settings(), file_label="log")
        assert [len(some) for some in asked] == [1]
    assert len(before) == 60
    assert all(one is other for one, other in zip(before, after, strict=False))


def test_a_changed_stance_passes_on_to_the_pieces_after_it() -> None:
    lines = (
        {"time": "0:10", "fighter": "Okoro", "action": "switches stance"},
        {"time": "0:30", "fighter": "Okoro", "action": "lead hook"},
    )
    read = Read()
    hands = []
    for some in (lines, ({"time": "0:10", "fighter": "Okoro", "action": "jab"}, lines[1])):
        found = read.read(some, PLAIN, V, Settings(), file_label="log")
        hands.append(found[-1].exchanges[-1].actions[0].side)
    assert hands == ["right", "left"]
