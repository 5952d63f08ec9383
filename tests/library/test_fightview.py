"""A fight's lanes, counts, gaps and neighbours; how an action is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from cliplib import Library
from cliplib.core.errors import InputError
from cliplib.core.models import Action
from cliplib.library.finding.saying import say_action
from cliplib.vocabulary import load_vocabulary
from tests.libraries import BLUE, RED, make_fight
from tests.media import footage

LONG = 'rounds = 3\nround_seconds = 60\nrest_seconds = 30\n[red]\nname = "{}"\n[blue]\nname = "{}"\n'


def library_of(folder: Path, rows: list[str], toml: str) -> Library:
    fight = folder / "fights" / "long"
    fight.mkdir(parents=True)
    (fight / "fight.toml").write_text(
        'title = "Long"\n' + toml + '[[log]]\nfile = "log.csv"\nby = "JL"\n[footage]\nfirst_bell = "0:10"\n',
        encoding="utf-8",
    )
    (fight / "log.csv").write_text("\n".join(["time,fighter,action,outcome", *rows]), encoding="utf-8")
    library = Library(folder / "library", create=True)
    report = library.logging.ingest([folder / "fights"])
    assert report.exit_code == 0, report.fights
    return library


@pytest.fixture
def long(tmp_path: Path) -> Library:
    # Bells at 10, 100 and 190 s. Round 1: logged from 12 to 13 and from 40; nothing at all in round 3.
    rows = [
        f"12,{RED},jab,landed",
        f"12.4,{BLUE},jab,missed",
        f"40,{RED},jab,missed",
        f"55,{RED},cross,hurt",
        f"66,{BLUE},clinch,",
        f"105,{BLUE},jab,knockdown",
        f"119.9,{BLUE},lead hook,partial",
        f"135.5,{BLUE},jab,blocked",
        f"150,{RED},slips,",
    ]
    return library_of(tmp_path, rows, LONG.format(RED, BLUE))


def test_lanes_are_the_rounds_by_their_bells(long: Library) -> None:
    view = long.finding.fight_view("Long")
    assert [(lane.round, lane.start_us, lane.end_us, len(lane.clips)) for lane in view.lanes] == [
        (1, 10_000_000, 70_000_000, 4),
        (2, 100_000_000, 160_000_000, 4),
        (3, 190_000_000, 250_000_000, 0),
    ]


def test_gaps_are_stretches_of_fifteen_seconds_and_more(long: Library) -> None:
    """Each action lasts 0.6 s by the settings, so round 1 is silent from 13.0 to 40.0."""
    one, two, three = long.finding.fight_view("Long").lanes
    assert one.gaps == ((13_000_000, 40_000_000),)  # 40.6 to 55 is 14.4 s, 55.6 to 66 less, and so on
    assert two.gaps == ((120_500_000, 135_500_000),)  # fifteen to the microsecond; 105.6 to 119.9 is less
    assert three.gaps == ((190_000_000, 250_000_000),)


def test_counts_by_fighter_action_and_round(long: Library) -> None:
    told = {(t.fighter, t.technique): (t.rounds, t.total) for t in long.finding.fight_view("Long").tried}
    assert told[RED, "jab"] == ({1: (2, 1)}, (2, 1))
    assert told[RED, "cross"] == ({1: (1, 1)}, (1, 1))  # hurt is landed
    assert told[BLUE, "jab"] == ({1: (1, 0), 2: (2, 1)}, (3, 1))  # so is a knockdown
    assert told[BLUE, "hook"] == ({2: (1, 0)}, (1, 0))  # a partial one is not
    assert sum(total[0] for _, total in told.values()) == 9


def test_neighbours_are_in_the_order_of_the_fight(long: Library) -> None:
    ids = [clip.id for lane in long.finding.fight_view("Long").lanes for clip in lane.clips]
    assert [long.finding.neighbours(i) for i in ids] == list(
        zip([None, *ids[:-1]], [*ids[1:], None], strict=True)
    )


def test_a_clip_without_footage_has_no_frames(long: Library) -> None:
    with pytest.raises(InputError, match="no footage yet"):
        long.finding.frames(1)


def test_second_opinions_are_no_part_of_lanes_and_counts(tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "fights" / "one", logs=(("log.csv", "JL"), ("other.csv", "MK")))
    (fight / "other.csv").write_text("time,fighter,action\n2.1,Adeyemi,cross\n", encoding="utf-8")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    view = library.finding.fight_view(1)
    assert [len(lane.clips) for lane in view.lanes] == [2]
    assert "cross" not in [t.technique for t in view.tried]


@pytest.mark.parametrize("kind", ["closed gop", "ntsc", "variable rate", "mpegts"])
def test_frames_have_the_footages_own_times(tmp_path: Path, kind: str) -> None:
    """The times by which the footage was made, to the microsecond, rounded down."""
    make_fight(tmp_path / "fights" / "one", kind=kind)
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    clip = library.finding.find("counter to the body").clips[0]
    told = library.finding.frames(clip.id)
    made = footage.make(kind).times
    assert (told.first, told.footage_frames) == (clip.start_frame, len(made))
    assert clip.end_frame is not None
    wanted = [int(t * 1_000_000) for t in made[told.first : clip.end_frame + 1]]
    assert len(told.times_us) == len(wanted)
    tolerance = 12 if kind == "mpegts" else 0  # a tick of 1/90000 s
    assert all(abs(a - b) <= tolerance for a, b in zip(told.times_us, wanted, strict=True))
    # The bell rang at 0:01 and the round is 7 s long.
    assert told.clocks == tuple((1, 8_000_000 - us) for us in told.times_us[:-1])


WORDS = load_vocabulary()


@pytest.mark.parametrize(
    ("action", "said"),
    [
        (Action("slip", direction="outside", side="left", inferred=("side",)), "slips outside"),
        (Action("slip", direction="left", side="left", inferred=("direction",)), "slips"),
        (Action("jab", hand="lead", side="right", inferred=("hand", "side"), target="head"), "jab"),
        (
            Action("hook", hand="lead", side="left", inferred=("side",), target="body", roles=("counter",)),
            "counter lead hook to the body",
        ),
        (Action("hook", hand="lead", side="left", inferred=("hand",)), "left hook"),
        (Action("uppercut", side="right", hand="rear", inferred=("hand",)), "right uppercut"),
        (Action("cross", hand="rear", place="ropes"), "cross on the ropes"),
        (Action("roll"), "rolls"),
        (Action("trap", side="right"), "traps the right hand"),
        (Action("hand feint", side="left"), "left hand feint"),
        (Action("circle", direction="left"), "circles to the left"),
        (Action("switch stance"), "switches stance"),
    ],
)
def test_an_action_is_said_as_in_the_gym(action: Action, said: str) -> None:
    assert say_action(action, WORDS) == said
