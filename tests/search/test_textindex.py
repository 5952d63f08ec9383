"""Words in notes and titles: stemming for the trade, phrases, snippets, did-you-mean, upkeep and damage."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cliplib.core.errors import BusyError, Cancelled
from cliplib.search.textindex import DamagedError, Item, TextIndex

# Private parts: patience is shortened, so that nobody waits for it.

NOTES = [
    (11, "Slipped outside the jab and went to the body"),
    (12, "slipping late; 1-2 again"),
    (13, "hurt to the body by a liver shot"),
    (14, "body shot, hurt"),
    (15, "O'Hara's corner shouted"),
    (16, "12 jabs in a row"),
]


def fight(number: int, revision: int, notes: list[tuple[int, str]], title: str = "Ames v Boyd") -> Item:
    return (number, revision, title, "Harbour Hall", notes, [])


@pytest.fixture
def index(tmp_path: Path) -> TextIndex:
    index = TextIndex(tmp_path / "index")
    index.update([fight(1, 1, NOTES)], [])
    return index


def ids(index: TextIndex, query: str) -> set[int | None]:
    found = index.search(query, 100)
    assert found.total == len(found.hits)
    return {hit.exchange_id for hit in found.hits}


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("slip", {11, 12}),
        ("slips", {11, 12}),
        ("SLIPPED", {11, 12}),
        ("jabbing", {11, 16}),  # jab, jabs, jabbing: one stem
        ("1-2", {12}),  # a combination is a word, and not 12
        ("12", {16}),
        ("hurt body", {13, 14}),
        ('"hurt to the body"', {13}),
        ('"body shot"', {14}),  # 13 has both words, but not side by side
        ('“liver shot” hurt', {13}),
        ("o'hara", {15}),
        ("boyd", {None}),
        ("harbour", {None}),
        ("knee", set()),
        ("", set()),
        ("the", set()),
        ('"', set()),
        ("((*~?:[", set()),
    ],
)  # fmt: skip
def test_what_is_found(index: TextIndex, query: str, expected: set[int | None]) -> None:
    assert ids(index, query) == expected


def test_snippets_show_what_was_looked_for(index: TextIndex) -> None:
    (hit,) = index.search('"liver shot"').hits
    assert "".join(text for text, _ in hit.snippet) == NOTES[2][1]
    assert [text for text, found in hit.snippet if found] == ["liver", "shot"]
    (hit,) = index.search("boyd").hits
    assert (hit.exchange_id, hit.fight_id, hit.title) == (None, 1, "Ames v Boyd")
    assert ("Boyd", True) in hit.snippet


def test_a_long_note_is_shown_in_part(tmp_path: Path) -> None:
    index = TextIndex(tmp_path)
    index.update(
        [fight(1, 1, [(5, "filler words go on. " * 200 + "Then the shoeshine. " + "More of it. " * 200)])], []
    )
    (hit,) = index.search("shoeshine").hits
    assert ("shoeshine", True) in hit.snippet
    assert sum(len(text) for text, _ in hit.snippet) < 400


def test_did_you_mean(index: TextIndex) -> None:
    assert index.search("slipt outside").meant == {}  # "slipt" is not known, and neither is the rest to blame
    assert index.search("livre shot").meant == {"livre": ("liver",)}
    assert index.search("xyzzyx").meant == {}
    assert index.search("liver").meant == {}
    assert "outside" in index.suggest("outsid")


def test_words_for_finding_may_stand_in_note_or_title(tmp_path: Path) -> None:
    index = TextIndex(tmp_path)
    index.update([fight(1, 1, NOTES), fight(2, 1, [(21, "liver shot")], "Cole v Dunn")], [])

    def found(*words: str) -> tuple[set[int], set[int]]:
        exchanges, scores, fights = index.exchanges(words)
        assert (scores > 0).all()
        return set(exchanges.tolist()), set(fights)

    assert found("liver") == ({13, 21}, set())
    assert found("ames liver") == ({13}, set())
    assert found("dunn") == ({21}, {2})
    assert found("liver", "jab") == (set(), set())
    assert found("harbour")[1] == {1, 2}
    assert found("the") == (set(), set())


def test_one_fight_changes_alone(index: TextIndex) -> None:
    assert index.behind({1: 1}) == ([], [])
    assert index.behind({1: 2, 2: 1}) == ([1, 2], [])
    index.update([fight(1, 2, [(11, "only this")]), fight(2, 1, [(21, "slipped")])], [])
    assert ids(index, "slip") == {21}
    assert ids(index, "only") == {11}
    assert index.behind({2: 1}) == ([], [1])
    index.update([], [1])
    assert ids(index, "only") == set()
    assert index.behind({2: 1}) == ([], [])


def test_another_reader_sees_the_change(index: TextIndex) -> None:
    other = TextIndex(index.folder)
    assert ids(other, "slip") == {11, 12}
    index.update([fight(1, 2, [(11, "nothing")])], [])
    assert ids(other, "slip") == set()


def test_cancelled_halfway_leaves_what_was(index: TextIndex) -> None:
    def stop(stage: str, done: int, total: int) -> None:
        if done == 2:
            raise Cancelled

    with pytest.raises(Cancelled):
        index.update([fight(n, 9, [(n, "new words")]) for n in range(1, 9)], [], 8, stop)
    assert ids(index, "slip") == {11, 12}
    assert ids(index, "new") == set()
    index.update([fight(1, 9, [(1, "new words")])], [])
    assert ids(index, "new") == {1}


def test_two_writers_take_turns(index: TextIndex, monkeypatch: pytest.MonkeyPatch) -> None:
    from cliplib.search import textindex

    monkeypatch.setattr(textindex, "_WAIT_S", 0.2)
    other = TextIndex(index.folder)

    def items():  # type: ignore[no-untyped-def]
        with pytest.raises(BusyError, match="another process"):
            other.update([fight(3, 1, [])], [])
        yield fight(2, 1, [(21, "first come")])

    index.update(items(), [])
    assert ids(other, "come") == {21}


# Whoosh leaves a table of contents that it could not read to the garbage collector.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("seed", range(6))
def test_damage_is_noticed_and_mended(index: TextIndex, seed: int) -> None:
    rng = random.Random(seed)
    for path in index.folder.iterdir():
        if path.suffix != ".lock" and "LOCK" not in path.name:
            data = bytearray(path.read_bytes())
            if seed == 0:
                data = data[: len(data) // 2]
            for _ in range(len(data) // 3):
                data[rng.randrange(len(data))] ^= 0xFF
            path.write_bytes(bytes(data))
    again = TextIndex(index.folder)
    changed, _ = again.behind({1: 1})
    assert changed == [1]
    again.update([fight(1, 1, NOTES)], [])
    assert ids(again, "slip") == {11, 12}


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_single_wrong_byte_is_not_believed(index: TextIndex) -> None:
    """Answers are right, or the index is made anew: never a wrong answer."""
    right = {query: index.search(query, 100) for query in ("slip", '"body shot"', "boyd")}
    path = max(index.folder.glob("*.seg"), key=lambda p: p.stat().st_size)
    files = {p: p.read_bytes() for p in index.folder.iterdir()}
    remade = 0
    for at in range(0, len(files[path]), max(1, len(files[path]) // 150)):
        index.folder.mkdir(exist_ok=True)
        for file, data in files.items():
            file.write_bytes(data)
        path.write_bytes(files[path][:at] + bytes([files[path][at] ^ 0x11]) + files[path][at + 1 :])
        again = TextIndex(index.folder)
        if again.behind({1: 1}) == ([], []):
            try:
                assert {query: again.search(query, 100) for query in right} == right
            except DamagedError:
                assert again.behind({1: 1}) == ([1], [])
                remade += 1
        else:
            remade += 1
        again.remove()
    assert remade > 10


def _write_for_ever(folder: str) -> None:
    index = TextIndex(Path(folder))
    for revision in range(2, 10_000):
        index.update([fight(1, revision, [(11, f"revision word{revision} slipped")])], [])


@pytest.mark.slow
def test_killed_writers_leave_one_state_or_the_other(tmp_path: Path) -> None:
    folder = tmp_path / "index"
    TextIndex(folder).update([fight(1, 1, [(11, "slipped")])], [])
    context = multiprocessing.get_context("spawn")
    for wait in (0.02, 0.1, 0.35):
        process = context.Process(target=_write_for_ever, args=(str(folder),))
        process.start()
        before = time.monotonic()
        while TextIndex(folder).behind({1: 1})[0] == [] and time.monotonic() - before < 20:
            time.sleep(0.02)
        time.sleep(wait)
        os.kill(process.pid or 0, signal.SIGKILL)
        process.join()
        index = TextIndex(folder)
        assert ids(index, "slip") == {11}
        index.update([fight(1, 1, [(11, "slipped")])], [])
        assert index.behind({1: 1}) == ([], [])


WORDS = ("slip", "jab", "hook", "the", "to", "body")


@given(
    texts=st.lists(st.lists(st.sampled_from(WORDS), max_size=6), min_size=1, max_size=6),
    query=st.lists(st.sampled_from(WORDS), min_size=1, max_size=3),
    quoted=st.booleans(),
)
@settings(max_examples=40, deadline=None)
def test_agrees_with_looking_at_each_text(
    tmp_path_factory: pytest.TempPathFactory, texts: list[list[str]], query: list[str], quoted: bool
) -> None:
    """Stop words count for places, so "to the body" is not "to body"; alone they are not looked for."""
    index = TextIndex(tmp_path_factory.mktemp("index"))
    index.update([fight(1, 1, [(i, " ".join(words)) for i, words in enumerate(texts)])], [])
    stops = {"the", "to"}
    first = next((i for i, w in enumerate(query) if w not in stops), None)

    def has(words: list[str]) -> bool:
        if first is None:
            return False
        if not quoted:
            return all(w in words for w in query if w not in stops)
        return any(
            all(
                w in stops or (0 <= at + i < len(words) and words[at + i] == w)
                for i, w in enumerate(query)
                if i >= first
            )
            for at in range(-first, len(words))
        )

    text = " ".join(query)
    expected = {i for i, words in enumerate(texts) if has(words)}
    assert ids(index, f'"{text}"' if quoted else text) == expected


def test_scores_are_bm25(tmp_path: Path) -> None:
    """Robertson and Zaragoza (2009), The Probabilistic Relevance Framework, eq. 3.15, with the idf of Lucene
    (ln(1 + (N - n + 0.5) / (n + 0.5))) worked by hand: four texts (the title is one), k1 1.2, b 0.75."""
    index = TextIndex(tmp_path)
    index.update([(1, 1, "Ames Boyd", "", [(1, "hook hook jab"), (2, "hook"), (3, "cross cross")], [])], [])
    n, mean = 4, (2 + 3 + 1 + 2) / 4
    idf = np.log(1 + (n - 2 + 0.5) / (2 + 0.5))
    by_id = {hit.exchange_id: hit.score for hit in index.search("hook").hits}
    assert by_id[1] == pytest.approx(idf * 2 * 2.2 / (2 + 1.2 * (0.25 + 0.75 * 3 / mean)))
    assert by_id[2] == pytest.approx(idf * 1 * 2.2 / (1 + 1.2 * (0.25 + 0.75 * 1 / mean)))
