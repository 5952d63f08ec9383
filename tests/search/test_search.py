"""Finding end to end: phrase, catalogue, columns, text index; judged by what was put in."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import ir_measures
import pytest
from ir_measures import nDCG

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.rows import NewExchange
from cliplib.core.errors import InputError, NotFoundError, StorageError
from cliplib.core.models import Action, Corner, Exchange, FightInfo, Found, LogSource, Settings, Where
from cliplib.phrases import read_search
from cliplib.relations.deriving import derive
from cliplib.search.engine import COLUMNS_FILE, Search
from cliplib.search.patterns import Columns, load, make_ready, parts, save
from cliplib.vocabulary import load_vocabulary
from tests.search import archive

VOCABULARY = load_vocabulary()
PEOPLE = ("Ada Okoro", "Bram Visser", "Cato Lindqvist", "Dov Marek")
VALUES = {
    "hand": ("lead", "rear"),
    "target": ("head", "body"),
    "outcome": ("missed", "landed", "blocked", "hurt", "knockdown"),
    "place": ("ropes", "centre", "corner"),
}


def told(text: str, red: str, blue: str, start: float = 10.0, note: str = "") -> Exchange:
    """ "A jab missed 0, B slip 0.2" as an exchange of two people: who, technique, values, seconds."""
    actions = []
    for piece in text.split(", "):
        who, *words, at = piece.split()
        values = {n: w for w in words for n, known in VALUES.items() if w in known}
        technique = " ".join(w for w in words if not any(w in known for known in VALUES.values()))
        person = red if who == "A" else blue
        actions.append(Action(technique, fighter=person, time_us=round((start + float(at)) * 1e6), **values))
    first, last = actions[0].time_us, actions[-1].time_us
    assert first is not None
    assert last is not None
    return Exchange(tuple(actions), round=1, start_us=first, end_us=last + 600_000, note=note)


class Shelf:
    """A catalogue and its search in a folder, filled by hand."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.catalogue = Catalogue(folder / "catalogue.db", create=not (folder / "catalogue.db").exists())
        self.search = Search(self.catalogue, VOCABULARY, folder)

    def add(
        self, red: str, blue: str, exchanges: Sequence[Exchange], title: str = "", second: Sequence[int] = ()
    ) -> list[int]:
        info = FightInfo(
            title or f"{red} v {blue}", Corner(red, "orthodox"), Corner(blue, "southpaw"),
            logs=(LogSource("log.csv"),),
        )  # fmt: skip
        rows = [
            NewExchange(derive(e, info, Settings(), VOCABULARY), second_opinion=i in second)
            for i, e in enumerate(exchanges)
        ]
        change = self.catalogue.replace_fight(info, rows, folder=self.folder / info.title, digest="-")
        return list(change.exchange_ids)

    def find(self, phrase: str, **options: object) -> Found:
        names = tuple(f.name for f in self.catalogue.fighters())
        return self.search.find(read_search(phrase, VOCABULARY, fighters=names), **options)  # type: ignore[arg-type]

    def ids(self, phrase: str, **options: object) -> set[int]:
        found = self.find(phrase, limit=10_000, **options)
        assert len(found.clips) == found.total
        return {clip.id for clip in found.clips}


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Shelf]:
    shelf = Shelf(tmp_path)
    yield shelf
    shelf.catalogue.close()


# --- judged by construction -------------------------------------------------------------------------------

PHRASES = {
    1: "counter to the body after a missed jab",
    2: "jab cross",
    3: "slips the jab and counters with a cross",
    4: "jab not countered",
    5: "lead hook on the ropes",
    6: "feint, then overhand within 1 second",
    7: "hook or uppercut to the body",
    8: "rolls under a hook",
    9: "overhand without a feint before it",
    10: "blocks the cross and counters with a lead uppercut",
}
JUDGED: tuple[tuple[str, set[int]], ...] = (
    ("A jab missed 0, B slip 0.2, B hook body landed 0.5", {1, 7}),
    ("A jab landed 0, B hook body landed 0.5", {7}),
    ("A jab missed 0, B hook head landed 0.5", set()),
    # The counter answers the cross, so the jab went unanswered.
    ("A jab missed 0, A cross missed 0.3, B hook body landed 0.6", {2, 4, 7}),
    # Too late for a counter.
    ("A jab missed 0, B hook body landed 1.5", {4, 7}),
    ("A jab landed 0, A cross landed 0.3", {2, 4}),
    ("A cross landed 0, A jab landed 0.3", {4}),
    ("A jab landed 0, A cross landed 2.0", {2, 4}),
    ("A jab landed 0, A cross landed 2.5", {4}),
    ("A jab landed 0, B cross landed 0.3", set()),
    ("A jab landed 0, A hook head landed 0.2, A cross landed 0.4", {4}),
    ("A jab 0, B slip 0.2, B cross landed 0.5", {3}),
    ("A jab landed 0, A slip 0.2, A cross landed 0.5", {2, 4}),
    ("A jab 0, B block 0.2, B cross landed 0.5", set()),
    ("A jab 0, B slip 0.2, B cross landed 1.5", {4}),
    ("A hook lead head ropes landed 0", {5}),
    ("A check hook lead head ropes landed 0", {5}),
    ("A hook rear head ropes landed 0", set()),
    ("A hook lead head centre landed 0", set()),
    ("A feint 0, A overhand landed 1.0", {6}),
    ("A feint 0, A overhand landed 1.2", set()),
    ("A feint 0, A overhand landed 1.8", {9}),
    ("B feint 0, A overhand landed 0.5", {9}),
    ("A overhand landed 0", {9}),
    ("A overhand landed 0, A feint 0.4", {9}),
    ("A uppercut rear body landed 0", {7}),
    ("A uppercut rear head landed 0", set()),
    ("A cross body landed 0", set()),
    ("A hook lead head 0, B roll 0.2", {8}),
    ("A check hook lead head 0, B roll 0.2", {8}),
    ("A jab 0, B roll 0.2", {4}),
    ("A hook lead head 0, A roll 0.2", set()),
    ("A cross 0, B block 0.2, B uppercut lead head landed 0.5", {10}),
    ("A cross 0, B block 0.2, B uppercut rear head landed 0.5", set()),
    # The uppercut answers the jab that came between.
    ("A cross 0, B block 0.2, A jab landed 0.4, B uppercut lead head landed 0.6", set()),
)


def test_precision_and_recall_are_one(shelf: Shelf) -> None:
    rng = random.Random(11)
    truth: dict[int, set[int]] = {number: set() for number in PHRASES}
    for red, blue in (PEOPLE[:2], PEOPLE[2:], (PEOPLE[1], PEOPLE[3])):
        order = rng.sample(range(len(JUDGED)), len(JUDGED))
        exchanges = []
        for place, i in enumerate(order):
            a, b = (red, blue) if rng.random() < 0.5 else (blue, red)
            exchanges.append(told(JUDGED[i][0], a, b, start=10.0 * place))
        for number, i in zip(shelf.add(red, blue, exchanges), order, strict=True):
            for phrase in JUDGED[i][1]:
                truth[phrase].add(number)
    assert all(truth.values())
    for number, phrase in PHRASES.items():
        reading = read_search(phrase, VOCABULARY)
        assert not reading.unread
        found = shelf.ids(phrase)
        assert found == truth[number], f"“{phrase}”, read as “{reading.said}”"


def test_ndcg_of_word_search(shelf: Shelf) -> None:
    """Notes judged by how they were made: the words alone (3), among others (2), far apart in much (1)."""
    said = "he kept his hands high and moved to the ropes while the other waited for an opening"
    filler = said.split()
    rng = random.Random(3)
    queries = ("liver shot", "tired legs", "head clash", "loose glove", "late bell", "cut eye")
    notes, grades = [], []
    for q, query in enumerate(queries):
        first, second = query.split()
        for grade in (3, 3, 2, 2, 2, 1, 1):
            words = [first, second]
            if grade == 2:
                words = [*rng.sample(filler, 4), first, second]
            elif grade == 1:
                words = [first, *rng.sample(filler, 10), *rng.sample(filler, 8), second]
            notes.append(" ".join(words))
            grades.append((q, grade))
        notes += [f"{first} {' '.join(rng.sample(filler, 5))}" for _ in range(5)]  # half of it is not enough
        grades += [(q, 0)] * 5
    order = rng.sample(range(len(notes)), len(notes))
    exchanges = [
        told("A jab landed 0", *PEOPLE[:2], start=3.0 * k, note=notes[i]) for k, i in enumerate(order)
    ]
    made = dict(zip(shelf.add(*PEOPLE[:2], exchanges), order, strict=True))
    qrels, run, unknown = [], [], 0
    for q, query in enumerate(queries):
        qrels += [
            ir_measures.Qrel(str(q), str(i), grade)
            for i, (of, grade) in enumerate(grades)
            if of == q and grade
        ]
        hits = shelf.search.words(query, limit=10).hits
        run += [ir_measures.ScoredDoc(str(q), str(made[h.exchange_id or 0]), h.score) for h in hits]
        assert {made[h.exchange_id or 0] for h in hits} == {
            i for i, (of, grade) in enumerate(grades) if of == q and grade
        }
        # The same words in a find, where the reader doesn't know them, in the same order.
        reading = read_search(query, VOCABULARY)
        if reading.unread and not reading.steps and reading.where == Where():
            unknown += 1
            assert [c.id for c in shelf.search.find(reading).clips] == [h.exchange_id for h in hits]
    assert unknown >= 2
    assert ir_measures.calc_aggregate([nDCG @ 10], qrels, run)[nDCG @ 10] > 0.95


# --- words that the reader doesn't know -------------------------------------------------------------------


def test_unread_words_narrow_and_never_widen(shelf: Shelf) -> None:
    ada, bram = PEOPLE[:2]
    noted = shelf.add(ada, bram, [
        told("A jab landed 0", ada, bram, 1, "zonkers punch"),
        told("A jab landed 0", ada, bram, 5, "nothing much"),
        told("A cross landed 0", ada, bram, 9, "zonkers again"),
    ])  # fmt: skip
    titled = shelf.add(
        PEOPLE[2], PEOPLE[3], [told("A jab landed 0", *PEOPLE[2:], 1)], title="The Zonkers Cup"
    )
    assert shelf.ids("jab") == {noted[0], noted[1], *titled}
    assert shelf.ids("jab zonkers") == {noted[0], *titled}
    assert shelf.ids("zonkers") == {noted[0], noted[2], *titled}
    assert shelf.ids("jab plimsoll") == set()
    assert shelf.ids("plimsoll zonkers") == set()
    found = shelf.find("jab zonkers")
    assert [u.text for u in found.reading.unread] == ["zonkers"]
    assert found.facets["technique"] == {"jab": 2}


def test_a_phrase_without_actions_finds_what_its_filters_leave(shelf: Shelf) -> None:
    ada, bram = PEOPLE[:2]
    first = shelf.add(ada, bram, [told("A jab landed 0, B slip 0.4", ada, bram, t) for t in (1, 5, 9)])
    second = shelf.add(ada, PEOPLE[2], [told("B cross landed 0", ada, PEOPLE[2], 1)])
    everything = shelf.find("")
    assert everything.total == 4
    assert all(clip.matches == () for clip in everything.clips)
    assert shelf.ids("round 1") == {*first, *second}
    assert shelf.ids("", where=Where(fighter=bram)) == set(first)
    assert shelf.ids("", where=Where(opponent=bram)) == set(first)
    assert shelf.ids("", where=Where(technique="cross")) == set(second)


def test_second_opinions_are_left_out(shelf: Shelf) -> None:
    ada, bram = PEOPLE[:2]
    ids = shelf.add(ada, bram, [told("A jab landed 0", ada, bram, t) for t in (1, 5)], second=[1])
    assert shelf.ids("jab") == {ids[0]}
    assert shelf.ids("jab", second_opinions=True) == set(ids)
    assert [s.exchange_id for s in shelf.search.similar(ids[0])] == []


# --- pages ------------------------------------------------------------------------------------------------


def test_a_page_has_matches_and_counts_of_the_whole(shelf: Shelf) -> None:
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0, A jab missed 0.4, A cross landed 0.8", ada, bram, 5 * t)
                          for t in range(7)])  # fmt: skip
    found = shelf.find("jab", limit=2, offset=4)
    assert (found.total, found.offset, len(found.clips)) == (7, 4, 2)
    assert found.clips[0].matches == ((0,), (1,))
    assert found.facets == {
        "technique": {"jab": 7}, "fighter": {ada: 7}, "outcome": {"landed": 7, "missed": 7},
        "round": {"1": 7}, "stance": {"orthodox": 7},
    }  # fmt: skip
    assert shelf.find("jab cross").clips[0].matches == ((1, 2),)
    assert shelf.find("jab", limit=0).clips == ()
    assert shelf.find("jab", offset=7).clips == ()
    with pytest.raises(InputError, match="no order"):
        shelf.find("jab", order="luck")
    with pytest.raises(NotFoundError):
        shelf.search.similar(12345)


# --- keeping up -------------------------------------------------------------------------------------------


def test_a_change_is_seen_at_once(shelf: Shelf) -> None:
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1, "first words")])
    assert shelf.find("jab").total == 1
    writer = Shelf(shelf.folder)  # as another process would
    writer.add(ada, PEOPLE[2], [told("A jab landed 0", ada, PEOPLE[2], 1, "other words")])
    assert shelf.find("jab").total == 2
    assert shelf.search.words("words").total == 2
    writer.add(ada, bram, [told("A cross landed 0", ada, bram, 1, "changed")])
    assert shelf.find("jab").total == 1
    assert shelf.search.words("words").total == 1
    (fight,) = [f for f in writer.catalogue.fights() if f.title == f"{ada} v {bram}"]
    writer.catalogue.care.forget([fight.id])
    assert shelf.find("cross").total == 0
    assert shelf.search.words("changed").total == 0
    writer.catalogue.close()


def answers(search: Search) -> object:
    return [
        replace(search.find(read_search(p, VOCABULARY), limit=50), reading=None)  # type: ignore[arg-type]
        for p in ("punch", "jab cross", "jab not countered", "slipped zonkers", "late")
    ] + [search.words("slipped"), search.similar(5)]


def test_everything_derived_can_be_deleted(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    archive.write_catalogue(shelf.catalogue, 3)
    shelf.search.refresh()
    before = answers(shelf.search)
    for name in ("columns", "index"):
        shutil.rmtree(tmp_path / name)
    assert answers(Search(shelf.catalogue, VOCABULARY, tmp_path)) == before
    shelf.search.rebuild()
    assert answers(Search(shelf.catalogue, VOCABULARY, tmp_path)) == before
    path = tmp_path / COLUMNS_FILE
    path.write_bytes(path.read_bytes()[:-100])
    assert answers(Search(shelf.catalogue, VOCABULARY, tmp_path)) == before
    shelf.catalogue.close()


def test_a_changed_vocabulary_is_not_answered_from_the_cache(tmp_path: Path) -> None:
    """A library that calls its "peek" a punch: the next punch of the same fighter is another one now."""
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "terms.toml").write_text('[technique.peek]\nparent = "punch"\nnouns = ["peek"]\n')
    shelf = Shelf(tmp_path)
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0, A cross landed 0.5", ada, bram, 1)])
    info = FightInfo(f"{ada} v {bram}", Corner(ada), Corner(bram), logs=(LogSource("log.csv"),))
    actions = told("A jab landed 0, A block 0.2, A cross landed 0.5", ada, bram, 1).actions
    peeked = Exchange((actions[0], replace(actions[1], technique="peek"), actions[2]), round=1)
    shelf.catalogue.replace_fight(info, [NewExchange(peeked)], folder=tmp_path, digest="-")
    assert shelf.find("jab cross").total == 1
    other = load_vocabulary(tmp_path / "own")
    search = Search(shelf.catalogue, other, tmp_path)
    assert search.find(read_search("jab cross", other)).total == 0
    assert search.find(read_search("jab, peek, cross", other)).total == 1
    shelf.catalogue.close()


def test_a_library_that_cannot_be_written_is_still_searched(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1)])

    def full(*_: object) -> None:
        raise StorageError("no space left")

    monkeypatch.setattr("cliplib.search.engine.save", full)
    assert shelf.find("jab").total == 1
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 2)])
    with pytest.raises(StorageError, match="no space"):
        shelf.search.refresh()


def test_many_threads_while_fights_come_in(tmp_path: Path) -> None:
    """Each answer is that of some number of whole fights, and never fewer than were in when it was asked."""
    shelf = Shelf(tmp_path)
    ada = PEOPLE[0]
    stop, wrong = threading.Event(), []

    def ask() -> None:
        seen = 0
        while not stop.is_set():
            found = shelf.find("jab", limit=3)
            if (
                found.total % 5
                or found.total < seen
                or found.facets["technique"].get("jab", 0) != found.total
            ):
                wrong.append((found.total, seen, found.facets))
            seen = found.total
        shelf.catalogue.close()

    threads = [threading.Thread(target=ask) for _ in range(3)]
    for thread in threads:
        thread.start()
    writer = Shelf(tmp_path)
    for number in range(12):
        other = f"Fighter {number}"
        writer.add(ada, other, [told("A jab landed 0", ada, other, 3 * t) for t in range(5)])
    stop.set()
    for thread in threads:
        thread.join()
    assert not wrong
    assert shelf.find("jab").total == 60
    writer.catalogue.close()
    shelf.catalogue.close()


@pytest.mark.parametrize("held_up", ["reading actions", "indexing words"])
def test_what_was_written_before_a_search_is_in_its_answer(tmp_path: Path, held_up: str) -> None:
    """However long taking over takes, and whoever is at it: a search that began later has what was written
    before, and one over actions does not wait for words."""
    shelf = Shelf(tmp_path)
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1, "zonkers")])
    shelf.search.refresh()
    shelf.add(ada, PEOPLE[2], [told("A jab landed 0", ada, PEOPLE[2], 1, "zonkers")])
    inside, go_on, found = threading.Event(), threading.Event(), []

    def slow(stage: str, done: int, total: int) -> None:
        if stage == held_up:
            inside.set()
            go_on.wait(30)

    def refresh() -> None:
        shelf.search.refresh(slow)
        shelf.catalogue.close()

    def seek() -> None:
        found.append((shelf.find("jab").total, shelf.search.words("zonkers").total))
        shelf.catalogue.close()

    threads = [threading.Thread(target=work) for work in (refresh, seek)]
    threads[0].start()
    assert inside.wait(10)
    if held_up == "indexing words":
        assert shelf.find("jab").total == 2
    threads[1].start()
    go_on.set()
    for thread in threads:
        thread.join()
    assert found == [(2, 2)]
    shelf.catalogue.close()


def test_searching_goes_on_while_everything_is_made_anew(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1, "")])
    shelf.search.refresh()
    found = []

    def slow(stage: str, done: int, total: int) -> None:
        if stage == "reading actions" and not found:
            shelf.add(ada, PEOPLE[2], [told("A jab landed 0", ada, PEOPLE[2], 1, "")])
            found.append(shelf.find("jab").total)

    shelf.search.rebuild(slow)
    assert found == [2]
    assert shelf.find("jab").total == 2
    shelf.catalogue.close()


def _everything(search: Search) -> list[object]:
    """What is found, page by page in every order, with all counts, and what is alike."""
    told: list[object] = []
    for phrase in ("punch", "jab cross", "jab not countered", "zonkers", "round 1", "Ada Okoro lands a hook"):
        reading = read_search(phrase, VOCABULARY, fighters=PEOPLE)
        for order in ("fit", "date", "round", "fighter"):
            for offset in (0, 2):
                found = search.find(reading, order=order, offset=offset, limit=4, second_opinions=offset > 0)
                told.append(
                    (found.total, found.facets, [list(c) for c in found.facets.values()], found.clips)
                )
                told.append((found.left_out, found.views))
    return told


@pytest.mark.parametrize("many", [0, 2, 100])
@pytest.mark.parametrize("seed", range(2))
def test_base_and_part_as_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int, many: int
) -> None:
    """Fights come, change, turn private, are forgotten; two processes look, another begins later: each
    answers as one that makes everything anew, whenever the parts are folded (`many`: at so many fights)."""
    monkeypatch.setattr(parts, "MANY_FIGHTS", many)
    rng = random.Random(seed)
    shelf = Shelf(tmp_path)
    public = Catalogue(tmp_path / "catalogue.db", hide_private=True)
    looking = [shelf.search, Search(shelf.catalogue, VOCABULARY, tmp_path)]
    hidden = Search(public, VOCABULARY, tmp_path / "looking")
    texts = [text for text, _ in JUDGED]
    for step in range(10):
        what = rng.choice(("put", "put", "put", "private", "forget"))
        red, blue = rng.sample(PEOPLE, 2)
        some = [told(rng.choice(texts), red, blue, 20 * n, rng.choice(("", "zonkers"))) for n in range(4)]
        fights = shelf.catalogue.fights()
        if what == "put" or not fights:
            shelf.add(red, blue, some, title=f"Bout {rng.randrange(6)}", second=(rng.randrange(4),))
        elif what == "private":
            one = rng.choice(fights)
            info = replace(one.info, private=not one.info.private, logs=(LogSource("log.csv"),))
            kept = [NewExchange(e.exchange) for e in shelf.catalogue.exchanges(one.id)]
            shelf.catalogue.replace_fight(info, kept, folder=one.folder, digest="-", fight_id=one.id)
        else:
            shelf.catalogue.care.forget([rng.choice(fights).id])
        for catalogue, searches in ((shelf.catalogue, looking), (public, [hidden])):
            anew = _everything(Search(catalogue, VOCABULARY, tmp_path / f"anew {step} {len(searches)}"))
            for search in searches:
                assert _everything(search) == anew
        if step == 5:
            shelf.search.refresh()
            looking.append(Search(shelf.catalogue, VOCABULARY, tmp_path))
    public.close()
    shelf.catalogue.close()


def test_nobody_waits_for_a_fold(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Searches are answered, with what was written meanwhile, while one is under way; when it has ended, the
    disk has what there was when it began, and no search has to make that anew."""
    monkeypatch.setattr(parts, "MANY_FIGHTS", 1)
    shelf = Shelf(tmp_path)
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1)], title="Bout 0")
    assert shelf.find("jab").total == 1
    folding, go_on = threading.Event(), threading.Event()

    def slow(columns: Columns) -> None:
        folding.set()
        assert go_on.wait(30)
        make_ready(columns)

    monkeypatch.setattr("cliplib.search.engine.make_ready", slow)
    for number in (1, 2):
        shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1)], title=f"Bout {number}")
    assert shelf.find("jab").total == 3
    assert folding.wait(30)
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1)], title="Bout 3")
    assert shelf.find("jab").total == 4
    go_on.set()
    thread = next((t for t in threading.enumerate() if t.name == "folding"), None)
    if thread is not None:
        thread.join(30)
    assert shelf.find("jab").total == 4
    kept = load(tmp_path / COLUMNS_FILE, shelf.search.made_with)
    assert kept is not None
    assert len(kept.fights) == 3
    assert Search(shelf.catalogue, VOCABULARY, tmp_path).find(read_search("jab", VOCABULARY)).total == 4


_KILLED = """
import os, signal, sys
from pathlib import Path
from cliplib.catalogue.catalogue import Catalogue
from cliplib.search import engine
from cliplib.search.patterns import parts
from cliplib.vocabulary import load_vocabulary
parts.MANY_FIGHTS = 0
folder, moment = Path(sys.argv[1]), sys.argv[2]
search = engine.Search(Catalogue(folder / "catalogue.db"), load_vocabulary(), folder)
def killed(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)
if moment == "made":
    engine.make_ready = killed
elif moment == "written":
    os.replace = killed
else:
    engine.save = killed
search.refresh()
"""


@pytest.mark.parametrize("moment", ["made", "before it is written", "written"])
def test_killed_in_a_fold(tmp_path: Path, moment: str) -> None:
    """What the disk had it has still, and whoever comes next answers with all that was written."""
    shelf = Shelf(tmp_path)
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1)], title="Bout 0")
    shelf.search.refresh()
    before = (tmp_path / COLUMNS_FILE).read_bytes()
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1)], title="Bout 1")
    run = subprocess.run([sys.executable, "-c", _KILLED, tmp_path, moment], check=False, capture_output=True)
    assert run.returncode == -signal.SIGKILL, run.stderr
    assert (tmp_path / COLUMNS_FILE).read_bytes() == before
    search = Search(shelf.catalogue, VOCABULARY, tmp_path)
    assert search.find(read_search("jab", VOCABULARY)).total == 2
    assert search.astray() == []
    shelf.catalogue.close()


def test_what_is_forgotten_during_a_fold_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its names must not come back to the disk."""
    monkeypatch.setattr(parts, "MANY_FIGHTS", 0)
    shelf = Shelf(tmp_path)
    ada, bram = PEOPLE[:2]
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1)], title="Bout 0")
    shelf.search.refresh()
    shelf.add(ada, bram, [told("A jab landed 0", ada, bram, 1)], title="Bout 1")
    (kept, forgotten) = (row.id for row in shelf.catalogue.fights())

    def slow(columns: Columns, path: Path, made_with: str) -> None:
        shelf.catalogue.care.forget([forgotten])
        save(columns, path, made_with)

    monkeypatch.setattr("cliplib.search.engine.save", slow)
    shelf.search.refresh()
    assert not (tmp_path / COLUMNS_FILE).exists()
    assert {clip.fight_id for clip in shelf.find("jab").clips} == {kept}
