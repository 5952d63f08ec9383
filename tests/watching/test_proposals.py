"""What is proposed of a film is kept apart until somebody decides; a decision is never lost, nor asked again."""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cliplib import BusyError, Cancelled, FootageError, InputError, Library, NotFoundError, StorageError
from cliplib.catalogue.proposals import StoredProposal, Watching
from cliplib.cli import main
from cliplib.core.timebase import SECOND
from cliplib.ingest.lock import only_one
from cliplib.watching import VERSION, reading
from tests.libraries import BLUE, RED
from tests.watching.conftest import Small

pytestmark = pytest.mark.xdist_group("telecast")

TOML = f"""\
title = "Adeyemi v Brandt"
rounds = 2
round_seconds = 12
rest_seconds = 10.5
[red]
name = "{RED}"
[blue]
name = "{BLUE}"
[footage]
file = "fight.mp4"
[[log]]
file = "log.csv"
"""


def round_of(number: int, start: float, verdict: str = "both", **more: Any) -> StoredProposal:
    span = int(start * SECOND), int((start + 12) * SECOND)
    sure = "sure" if verdict == "both" else "likely"
    return StoredProposal("round", *span, sure, ("a bell",), VERSION, number=number, verdict=verdict, **more)


def replay_of(start: float, end: float, of: float | None = None, sureness: str = "sure") -> StoredProposal:
    origin = {} if of is None else {"of_us": int(of * SECOND), "speed": 0.6, "of_sureness": sureness}
    return StoredProposal(
        "replay", int(start * SECOND), int(end * SECOND), "likely", ("wipes",), VERSION, **origin
    )


FOUND = (round_of(1, 3.5), replay_of(8.6, 12, 6.2), replay_of(17.8, 20.4), round_of(2, 26, "clock only"))


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    fight = tmp_path / "fight"
    fight.mkdir()
    (fight / "fight.toml").write_text(TOML)
    (fight / "log.csv").write_text("time,fighter,action\n5,Adeyemi,jab\n9,Adeyemi,jab\n")
    opened = Library(tmp_path / "library", create=True)
    assert opened.logging.ingest([fight]).exit_code == 0
    put(opened, *FOUND)
    yield opened
    opened.close()


def put(library: Library, *found: StoredProposal, fingerprint: str = "f") -> None:
    library.desk.catalogue.proposals.put(1, found, Watching(fingerprint, VERSION, "whole", ("a note",)))


def told(library: Library) -> list[tuple[str, str | None]]:
    return [(one.kind, one.decision) for one in library.logging.watching.of(1).proposals]


def parts(library: Library) -> list[tuple[str, float, float]]:
    info = library.finding.fights()[0].info
    return [(part.kind, part.start_us / SECOND, part.end_us / SECOND) for part in info.parts]


# --- kept apart -------------------------------------------------------------------------------------------


def test_nothing_unconfirmed_is_counted_or_found(library: Library) -> None:
    """The second jab lies in a proposed replay: it counts until somebody says that it is one."""
    assert len(library.logging.watching.of(1).open) == 4
    assert library.finding.find("jab").total == 2
    assert library.evidence.tally("jab").table.total.tried == 2
    assert parts(library) == []
    assert library.finding.fights()[0].info.round_starts_us == ()
    ids = {one.kind: one.id for one in reversed(library.logging.watching.of(1).proposals)}
    library.logging.watching.accept(1, ids["replay"], "JL")
    assert parts(library) == [("replay", 8.6, 12.0)]
    assert library.finding.find("jab").total == 1


def test_a_round_is_one_when_all_before_it_are(library: Library) -> None:
    """Rounds among the parts are numbered by their order, so that the second alone would be the first."""
    first, _, _, second = library.logging.watching.of(1).proposals
    library.logging.watching.accept(1, second.id, "JL")
    assert parts(library) == []
    library.logging.watching.accept(1, first.id, "JL", (3_400_000, 15_400_000))
    assert parts(library) == [("round", 3.4, 15.4), ("round", 26.0, 38.0)]
    assert library.finding.fights()[0].info.round_starts_us == (3_400_000, 26_000_000)
    assert [c.round for c in library.finding.find("jab", order="date").clips] == [1, 1]
    decided = {one.id: one for one in library.logging.watching.of(1).proposals}
    assert (decided[first.id].decision, decided[first.id].as_us) == ("changed", (3_400_000, 15_400_000))


def test_the_clock_that_stood_still_comes_with_its_round(library: Library) -> None:
    put(library, round_of(1, 3.5, stops=((8 * SECOND, 2 * SECOND),)))
    library.logging.watching.accept_both(1, "JL")
    assert parts(library) == [("round", 3.5, 15.5), ("stop", 8.0, 10.0)]


def test_all_that_both_sources_say(library: Library) -> None:
    assert library.logging.watching.accept_both(1, "JL") == 1
    assert told(library) == [
        ("round", "accepted"), ("replay", None), ("replay", None), ("round", None),
    ]  # fmt: skip
    assert library.logging.watching.accept_both(1, "JL") == 0


def test_a_moment_that_is_unsure_is_not_written(library: Library) -> None:
    put(library, replay_of(8.6, 12, 6.2, "perhaps"))
    library.logging.watching.accept(1, library.logging.watching.of(1).open[0].id, "JL")
    assert library.finding.fights()[0].info.parts[0].of_us is None


# --- decisions stay ---------------------------------------------------------------------------------------


def test_looking_again_never_asks_again(library: Library) -> None:
    """Also where the methods put it a little differently, where it was moved by hand, and after refusing."""
    watching = library.logging.watching
    first, replay, other, second = watching.of(1).proposals
    watching.accept(1, first.id, "JL", (4_500_000, 16_500_000))
    watching.refuse(1, other.id, "MK")
    moved = [replace(one, from_us=one.from_us + 300_000) for one in FOUND]
    put(library, *moved, fingerprint="another file")
    assert told(library) == [
        ("round", "changed"), ("replay", None), ("replay", "refused"), ("round", None),
    ]  # fmt: skip
    assert watching.of(1).proposals[2].by == "MK"
    with pytest.raises(NotFoundError, match="looked at again"):
        watching.accept(1, replay.id, "JL")
    put(library)
    assert told(library) == [("round", "changed"), ("replay", "refused")]
    assert second.id not in {one.id for one in watching.of(1).proposals}


def test_of_two_at_once_one_wins(library: Library) -> None:
    """Eight people decide the same thing at once; one decision stands, and the others are told whose."""
    watching = library.logging.watching
    one = watching.of(1).proposals[1]
    results: list[str] = []
    told_late: list[str] = []
    begin = threading.Barrier(8)

    def decide(number: int) -> None:
        begin.wait()
        try:
            if number % 2:
                watching.accept(1, one.id, f"P{number}")
            else:
                watching.refuse(1, one.id, f"P{number}")
            results.append(f"P{number}")
        except BusyError as late:
            told_late.append(str(late))

    threads = [threading.Thread(target=decide, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(results) == 1
    assert [text.split()[0] for text in told_late] == results * 7
    assert watching.of(1).proposals[1].by == results[0]
    assert len(parts(library)) == int(results[0][1:]) % 2


def test_what_fight_toml_cannot_hold_stays_open(library: Library, tmp_path: Path) -> None:
    path = tmp_path / "fight" / "fight.toml"
    path.write_text(TOML.replace('file = "fight.mp4"', 'file = "fight.mp4"\nround_starts = ["0:03", "0:26"]'))
    assert library.logging.ingest([path.parent]).exit_code == 0
    before = path.read_text()
    with pytest.raises(InputError, match="keep one of them"):
        library.logging.watching.accept(1, library.logging.watching.of(1).proposals[0].id, "JL")
    assert path.read_text() == before
    assert told(library)[0] == ("round", None)


def test_a_decision_is_taken_back(library: Library) -> None:
    watching = library.logging.watching
    replay = watching.of(1).proposals[1]
    watching.accept(1, replay.id, "JL")
    watching.take_back(1, replay.id)
    assert (parts(library), told(library)[1]) == ([], ("replay", None))
    watching.refuse(1, replay.id, "JL")
    watching.take_back(1, replay.id)
    assert told(library)[1] == ("replay", None)


def three(library: Library) -> list[StoredProposal]:
    """Three rounds, all accepted."""
    toml_of(library).write_text(toml_of(library).read_text().replace("rounds = 2", "rounds = 3"))
    put(library, *(round_of(n, start) for n, start in ((1, 3.5), (2, 26), (3, 48.5))))
    assert library.logging.watching.accept_both(1, "JL") == 3
    assert [start for _, start, _ in parts(library)] == [3.5, 26.0, 48.5]
    return list(library.logging.watching.of(1).proposals)


def toml_of(library: Library) -> Path:
    return library.finding.fight(1).folder / "fight.toml"


def test_a_round_that_is_taken_back_takes_those_behind_it_along(library: Library) -> None:
    """Round 2 is not the first one because nobody is sure of round 1 any more."""
    watching = library.logging.watching
    first, second, _ = three(library)
    watching.take_back(1, second.id)
    assert [start for _, start, _ in parts(library)] == [3.5]
    assert told(library) == [("round", "accepted"), ("round", None), ("round", "accepted")]
    assert "round 3 is accepted, and waits for round 2" in watching.of(1).notes
    watching.accept(1, second.id, "MK")
    assert [start for _, start, _ in parts(library)] == [3.5, 26.0, 48.5]
    watching.take_back(1, first.id)
    assert parts(library) == []
    watching.accept(1, first.id, "MK")
    assert [start for _, start, _ in parts(library)] == [3.5, 26.0, 48.5]
    assert watching.of(1).notes == ("a note",)


def test_a_round_before_one_that_was_written_by_hand_stays(library: Library) -> None:
    watching = library.logging.watching
    first = three(library)[0]
    toml_of(library).write_text(toml_of(library).read_text().replace('from = "0:48.5"', 'from = "0:49"'))
    library.logging.ingest([toml_of(library).parent])
    before = toml_of(library).read_text()
    with pytest.raises(InputError, match="begins at 0:49 was written or changed by hand"):
        watching.take_back(1, first.id)
    assert (toml_of(library).read_text(), told(library)[0]) == (before, ("round", "accepted"))


@pytest.mark.parametrize("fails", ["put", "reopen"])
def test_taking_back_fails_whole(library: Library, monkeypatch: pytest.MonkeyPatch, fails: str) -> None:
    watching = library.logging.watching
    second = three(library)[1]
    before = toml_of(library).read_text()

    def broken(*_: object, **__: object) -> None:
        raise StorageError("the disk is full")

    kept = library.desk.catalogue.proposals
    with monkeypatch.context() as broke:
        broke.setattr(*((library.logging.stretches, "put") if fails == "put" else (kept, "reopen")), broken)
        with pytest.raises(StorageError):
            watching.take_back(1, second.id)
    assert told(library) == [("round", "accepted")] * 3
    assert toml_of(library).read_text() == before
    assert len(parts(library)) == 3


def test_what_somebody_took_out_by_hand_stays_out(library: Library) -> None:
    watching, stretches = library.logging.watching, library.logging.stretches
    first, replay, other, second = watching.of(1).proposals
    watching.accept(1, replay.id, "JL")
    watching.accept(1, first.id, "JL")
    assert [kind for kind, *_ in parts(library)] == ["round", "replay"]
    stretches.put(1, "part", [])
    watching.accept(1, other.id, "JL")
    assert parts(library) == [("replay", 17.8, 20.4)]
    watching.accept(1, second.id, "JL")
    assert parts(library) == [("replay", 17.8, 20.4)]
    said = " ".join(watching.of(1).notes)
    assert "round 1 is accepted, and somebody took it out of the film's parts" in said
    assert "round 2 is accepted, and waits for round 1" in said
    watching.take_back(1, first.id)
    watching.accept(1, first.id, "JL")
    assert [start for _, start, _ in parts(library)] == [3.5, 17.8, 26.0]


def test_rows_in_a_round_that_is_not_there_yet(library: Library) -> None:
    """With round 1 alone a row of round 2 lies nowhere: what to do is said, and it helps."""
    watching = library.logging.watching
    (toml_of(library).parent / "log.csv").write_text("time,fighter,action\n5,Adeyemi,jab\n28,Adeyemi,jab\n")
    library.logging.ingest([toml_of(library).parent])
    first, _, _, second = watching.of(1).proposals
    with pytest.raises(
        InputError, match="Where rows lie in round 2, which is not there yet: accept that first"
    ):
        watching.accept(1, first.id, "JL")
    with pytest.raises(InputError, match="accept that first"):
        watching.accept_both(1, "JL")
    assert (told(library)[0], parts(library)) == (("round", None), [])
    watching.accept(1, second.id, "JL")
    watching.accept(1, first.id, "JL")
    assert [start for _, start, _ in parts(library)] == [3.5, 26.0]


def test_a_full_disk_is_not_somebody_quicker(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = library.desk.catalogue.proposals
    decide, done = kept.decide, []
    put(library, round_of(1, 3.5), round_of(2, 26))

    def full(*told: Any) -> StoredProposal:
        if done:
            raise StorageError("the disk is full")
        done.append(decide(*told))
        return done[0]

    monkeypatch.setattr(kept, "decide", full)
    with pytest.raises(StorageError):
        library.logging.watching.accept_both(1, "JL")
    assert told(library) == [("round", None)] * 2
    assert parts(library) == []


def test_numbers_keep_their_digits(library: Library) -> None:
    """A part that is read and written again for another's sake says the same as before."""
    gap = '\n[[part]]\nkind = "gap"\nfrom = "0:16"\njump = 12.345678\n'
    view = '\n[[part]]\nkind = "replay"\nfrom = "0:18"\nuntil = "0:20"\nof = "0:05.125"\nspeed = 0.33333333\n'
    toml_of(library).write_text(TOML + gap + view)
    library.logging.ingest([toml_of(library).parent])
    library.logging.watching.accept(1, library.logging.watching.of(1).proposals[1].id, "JL")
    text = toml_of(library).read_text()
    assert "jump = 12.345678\n" in text
    assert "speed = 0.33333333\n" in text


def test_counts_by_kind(library: Library) -> None:
    watching = library.logging.watching
    first, replay, other, _ = watching.of(1).proposals
    watching.accept(1, first.id, "JL")
    watching.accept(1, replay.id, "JL", (8_000_000, 12_000_000))
    watching.refuse(1, other.id, "JL")
    rows = {(r.kind, r.sureness): (r.open, r.accepted, r.changed, r.refused) for r in watching.report()}
    assert rows == {
        ("replay", "likely"): (0, 0, 1, 1), ("round", "likely"): (1, 0, 0, 0), ("round", "sure"): (0, 1, 0, 0),
    }  # fmt: skip


def test_private_fights_and_forgotten_ones(library: Library, tmp_path: Path) -> None:
    path = tmp_path / "fight" / "fight.toml"
    path.write_text(path.read_text().replace("rounds = 2", "rounds = 2\nprivate = true", 1))
    library.logging.ingest([path.parent])
    looking = Library(tmp_path / "library", hide_private=True)
    assert looking.desk.catalogue.proposals.counts() == {}
    assert looking.desk.catalogue.proposals.of(1) == []
    looking.close()
    library.care.forget([1])
    assert library.desk.catalogue.proposals.counts() == {}


# --- a film -----------------------------------------------------------------------------------------------

Filmed = Callable[..., Any]


@pytest.fixture
def filmed(tmp_path: Path, small: Small) -> Iterator[Library]:
    """A library with the drawn telecast, and what was seen of it for other tests already."""
    fight = tmp_path / "filmed"
    fight.mkdir()
    (fight / "fight.toml").write_text(TOML)
    (fight / "log.csv").write_text("time,fighter,action\n")
    shutil.copy(small.found.path, fight / "fight.mp4")
    opened = Library(tmp_path / "films", create=True)
    assert opened.logging.ingest([fight]).exit_code == 0
    shutil.copytree(small.looked.folder, opened.folder / "cache" / "watching" / small.looked.folder.name)
    yield opened
    opened.close()


@pytest.mark.skipif(not reading.available(), reason="the extra `watch` is not installed")
def test_a_film_from_end_to_end(filmed: Library, small: Small, tmp_path: Path, capsys: Any) -> None:
    """Against what was drawn: both rounds at their bells, all replays, and the lot accepted by commands."""

    def run(*words: str) -> dict[str, Any]:
        capsys.readouterr()
        assert main.run(["--library", str(filmed.folder), *words, "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    stages: list[str] = []
    filmed.logging.watching.watch(1, lambda stage, *_: stages.append(stage))
    assert filmed.logging.watching.wanted() == []
    made = run("watch", "1", "--list")
    rounds = [one for one in made["proposals"] if one["kind"] == "round"]
    assert [one["from"] for one in rounds] == pytest.approx(
        [r["bell"] for r in small.truth["rounds"]], abs=0.05
    )
    assert {one["verdict"] for one in rounds} == {"both"}
    replays = [one for one in made["proposals"] if one["kind"] == "replay"]
    for one, truth in zip(replays, small.truth["replays"], strict=True):
        assert one["from"] == pytest.approx(truth["from"], abs=0.5)
        assert one["of"] == pytest.approx(truth["origin"], abs=0.2)
    run("watch", "1", "--accept", "both", "--by", "JL")
    run("watch", "1", "--accept", str(replays[0]["id"]), "--refuse", str(replays[1]["id"]), "--by", "JL")
    assert [kind for kind, _, _ in parts(filmed)] == ["round", "replay", "round"]
    assert filmed.finding.fights()[0].info.round_starts_us == pytest.approx(
        (3_500_000, 26_000_000), abs=50_000
    )
    again = run(
        "watch", "1", "--list"
    )  # looking again asks nothing again: the tests above say so, in no time
    assert [one["decision"] for one in again["proposals"]] == [
        "accepted", "accepted", "refused", "accepted", None,
    ]  # fmt: skip
    kinds = {row["kind"]: row for row in run("watch", "--report")["kinds"]}
    assert (kinds["round"]["accepted"], kinds["replay"]["accepted"], kinds["replay"]["refused"]) == (2, 1, 1)


def test_the_sound_comes_first_and_a_stop_keeps_it(filmed: Library) -> None:
    """Killed after the sound: its rounds stand, and the next run goes on."""

    def stop(stage: str, *_: int) -> None:
        if stage not in ("listening",):
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        filmed.logging.watching.watch(1, stop)
    heard = filmed.logging.watching.of(1)
    assert heard.looked == "sound"
    assert [(one.kind, one.verdict) for one in heard.proposals] == [("round", "bell only")] * 2
    assert filmed.logging.watching.wanted() == [1]


def test_other_methods_are_another_look(filmed: Library) -> None:
    watching, kept = filmed.logging.watching, filmed.desk.catalogue.proposals
    film = filmed.desk.catalogue.fingerprints()[1]
    for version, other in ((VERSION, False), ("watching 0", True)):
        kept.put(1, FOUND, Watching(film, version, "whole", ()))
        assert watching.of(1).other is other
        assert watching.wanted() == [1] * other


def test_forgetting_waits_for_whoever_looks(filmed: Library) -> None:
    """What is seen of a film that is forgotten meanwhile would come to lie in the library afterwards."""
    waits = threading.Event()
    other = Library(filmed.folder)
    forgetting = threading.Thread(
        target=lambda: other.care.forget([1], lambda stage, *_: waits.set() if "waiting" in stage else None)
    )

    def looking(*_: object) -> None:
        if not forgetting.ident:
            forgetting.start()
            assert waits.wait(20)
            assert filmed.finding.fight(1)
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        filmed.logging.watching.watch(1, looking)
    forgetting.join(60)
    assert not filmed.finding.fights()
    assert not (filmed.folder / "cache" / "watching").exists()
    with pytest.raises(NotFoundError):
        filmed.logging.watching.watch(1)


def test_bad_moments(filmed: Library, tmp_path: Path) -> None:
    watching = filmed.logging.watching
    lock = only_one(filmed.folder / "cache" / "watching" / "fight-1.lock")
    with lock, pytest.raises(BusyError, match="worked on"):
        watching.watch(1)
    toml = tmp_path / "filmed" / "fight.toml"
    toml.write_text(TOML.replace("rest_seconds = 10.5\n", ""))
    filmed.logging.ingest([toml.parent])
    with pytest.raises(InputError, match="rest_seconds"):
        watching.watch(1)
    toml.write_text(TOML)
    filmed.logging.ingest([toml.parent])
    put(filmed, *FOUND, fingerprint="of the file before")
    first = watching.of(1)
    assert first.other
    watching.refuse(1, first.proposals[0].id, "JL")
    with open(tmp_path / "filmed" / "fight.mp4", "ab") as film:
        film.write(b"another film")
    with pytest.raises(FootageError, match="has changed"):
        watching.watch(1)
    assert watching.of(1).proposals[0].decision == "refused"
