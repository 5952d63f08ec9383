"""Logs read with the same grammar: two known people, hands and sides by the stance at that moment."""

from __future__ import annotations

import dataclasses

import pytest

from cliplib.core.models import Action, Corner, FightInfo, Settings
from cliplib.logs.reading import read_lines
from cliplib.phrases import LogPhrase, read_log
from cliplib.vocabulary import load_vocabulary

V = load_vocabulary()
ADEYEMI, BRANDT = "Emeka Adeyemi", "Jonas Brandt"
FIGHT = FightInfo("Adeyemi v Brandt", Corner(ADEYEMI, "southpaw"), Corner(BRANDT, "orthodox"))


def log(phrase: str, fighter: str | None = None, **more: object) -> LogPhrase:
    return read_log(phrase, V, FIGHT, fighter=fighter, **more)  # type: ignore[arg-type]


def only(phrase: str, fighter: str | None = None) -> Action:
    found = log(phrase, fighter)
    assert found.unread == ()
    (action,) = found.actions
    return action


def shape(found: LogPhrase) -> list[tuple[str | None, str, str | None]]:
    return [(a.fighter, a.technique, a.outcome) for a in found.actions]


def test_a_whole_exchange_in_one_row() -> None:
    # DESIGN.md's own example.
    found = log("Adeyemi jab missed, Brandt counter right uppercut to the body landed")
    assert found.unread == ()
    jab, uppercut = found.actions
    assert (jab.fighter, jab.technique, jab.outcome) == (ADEYEMI, "jab", "missed")
    assert (jab.hand, jab.side) == ("lead", "right")
    assert (uppercut.fighter, uppercut.technique, uppercut.target, uppercut.outcome) == (
        BRANDT, "uppercut", "body", "landed",
    )  # fmt: skip
    assert (uppercut.side, uppercut.hand) == ("right", "rear")
    assert uppercut.said_roles == ("counter",)
    assert "hand" in uppercut.inferred
    assert "side" not in uppercut.inferred


@pytest.mark.parametrize(
    ("phrase", "fighter", "technique", "hand", "side"),
    [
        ("straight left", ADEYEMI, "cross", "rear", "left"),
        ("straight right", BRANDT, "cross", "rear", "right"),
        ("straight right", ADEYEMI, "jab", "lead", "right"),
        ("right hook", BRANDT, "hook", "rear", "right"),
        ("right hook", ADEYEMI, "hook", "lead", "right"),
        ("lead hook", ADEYEMI, "hook", "lead", "right"),
        ("rear uppercut", ADEYEMI, "uppercut", "rear", "left"),
        ("jab", ADEYEMI, "jab", "lead", "right"),
        ("cross", BRANDT, "cross", "rear", "right"),
        ("check hook", BRANDT, "check hook", "lead", "left"),
        ("3b", BRANDT, "hook", "lead", "left"),
        ("right hand", BRANDT, "cross", "rear", "right"),
        ("left hand", ADEYEMI, "cross", "rear", "left"),
        # A lead "right hand" may be a jab or a hook: kept as said.
        ("right hand", ADEYEMI, "punch", "lead", "right"),
    ],
)
def test_hands_and_sides(phrase: str, fighter: str, technique: str, hand: str, side: str) -> None:
    action = only(phrase, fighter)
    assert (action.technique, action.hand, action.side) == (technique, hand, side)


def test_without_a_stance_what_was_said_is_kept() -> None:
    fight = dataclasses.replace(FIGHT, red=Corner(ADEYEMI), blue=Corner(BRANDT))
    (straight,) = read_log("straight left", V, fight, fighter=ADEYEMI).actions
    assert (straight.technique, straight.side, straight.hand) == ("straight", "left", None)
    (hook,) = read_log("lead hook", V, fight, fighter=ADEYEMI).actions
    assert (hook.hand, hook.side) == ("lead", None)


def test_the_stance_at_that_moment_wins() -> None:
    (hook,) = log("right hook", ADEYEMI, stances={ADEYEMI: "orthodox"}).actions
    assert (hook.hand, hook.stance) == ("rear", "orthodox")


def test_a_switch_changes_the_hands_that_follow() -> None:
    before, switch, after, other = log("Adeyemi jab, switches stance, jab, Brandt jab").actions
    assert (before.side, switch.technique, after.side) == ("right", "switch stance", "left")
    assert after.stance == "orthodox"
    assert other.side == "left"


def test_a_stance_said_in_the_phrase_holds() -> None:
    one, two = log("orthodox jab, cross", ADEYEMI).actions
    assert (one.side, two.side) == ("left", "right")


@pytest.mark.parametrize(
    ("phrase", "direction", "side"),
    [
        # Brandt's jab is a left hand: outside is the defender's right.
        ("slips outside the jab", "outside", "right"),
        ("slips inside the jab", "inside", "left"),
        ("slips the jab to the right", "outside", "right"),
        ("slips left of the jab", "inside", "left"),
        # His cross is a right hand: the reverse.
        ("slips outside the cross", "outside", "left"),
        ("slips the cross to the right", "inside", "right"),
    ],
)
def test_slips_by_the_punch_slipped(phrase: str, direction: str, side: str) -> None:
    punch, slip = log(phrase, ADEYEMI).actions
    assert (punch.fighter, slip.fighter) == (BRANDT, ADEYEMI)
    assert (slip.direction, slip.side) == (direction, side)


@pytest.mark.parametrize(
    "phrase", ["ducks under the jab", "blocks the jab", "catches a jab", "rolls under the jab"]
)
def test_the_punch_that_is_defended_is_the_others(phrase: str) -> None:
    punch, defence = log(phrase, ADEYEMI).actions
    assert (punch.fighter, punch.technique) == (BRANDT, "jab")
    assert defence.fighter == ADEYEMI


@pytest.mark.parametrize(
    ("phrase", "wanted"),
    [
        ("jab blocked", "B jab blocked"),
        ("jab countered by a cross", "B jab, A cross"),
        ("slips the jab, lands a hook", "A jab, B slip, B hook landed"),
        ("jab, jab, cross landed", "B jab, B jab, B cross landed"),
        ("1-2 landed", "B jab landed, B cross landed"),
        ("misses the overhand and clinches", "B overhand missed, B clinch"),
        ("jab, Adeyemi slips, cross", "B jab, A slip, A cross"),
        ("gets hit with a jab", "A jab landed"),
        ("knockdown from a left hook", "B hook knockdown"),
    ],
)
def test_a_row_about_one_fighter(phrase: str, wanted: str) -> None:
    found = log(phrase, BRANDT)
    assert found.unread == ()
    told = [f"{'A' if f == ADEYEMI else 'B'} {t} {o or ''}".strip() for f, t, o in shape(found)]
    assert ", ".join(told) == wanted


def test_place_and_range_go_to_the_action() -> None:
    action = only("jab on the ropes at mid range", BRANDT)
    assert (action.place, action.range) == ("ropes", "mid")


def test_nobody_named_is_nobody_guessed() -> None:
    assert [a.fighter for a in log("jab then cross").actions] == [None, None]
    # One of two people named: the other one is known too.
    assert [a.fighter for a in log("slips Brandt's jab").actions] == [BRANDT, ADEYEMI]


def test_a_fighter_who_is_not_in_the_fight() -> None:
    found = log("Brand jab, Smith cross")
    assert [(u.text, u.start, u.end) for u in found.unread] == [("Smith", 11, 16)]
    (unread,) = log("Brnadt jab").unread
    assert (unread.text, unread.start, unread.end) == ("Brnadt", 0, 6)
    assert "brandt" in unread.meant


def test_what_cannot_be_read_has_its_exact_place() -> None:
    phrase = "Adeyemi jab  misssed, Brandt cross"
    (unread,) = log(phrase).unread
    assert phrase[unread.start : unread.end] == "misssed"
    assert "missed" in unread.meant


@pytest.mark.parametrize(
    "phrase", ["hook or uppercut landed", "jab in round 3", "jab in 2024", "jab then cross within 1 second"]
)
def test_what_says_nothing_in_a_log_is_not_dropped(phrase: str) -> None:
    assert log(phrase, BRANDT).unread


def test_an_action_that_did_not_happen_is_none() -> None:
    assert shape(log("cross without a feint, not countered", BRANDT)) == [(BRANDT, "cross", None)]


@pytest.mark.parametrize(
    ("phrase", "outcome"),
    [
        ("jab lands", "landed"), ("hook connects", "landed"), ("cross gets through", "landed"),
        ("catches him with the hook", "landed"), ("tags Adeyemi with the jab", "landed"),
        ("jab misses", "missed"), ("jab falls short", "missed"), ("comes up short with the jab", "missed"),
        ("hook gets blocked", "blocked"), ("hook caught on the gloves", "blocked"),
        ("lands on the gloves", "blocked"),
        ("jab on the arms", "blocked"), ("hook grazes", "partial"),
        ("uppercut glances off the shoulder", "partial"),
        ("cross partly lands", "partial"), ("drops him with the hook", "knockdown"),
        ("knocks Adeyemi down with a hook", "knockdown"), ("left hook floors him", "knockdown"),
        ("puts him down with the cross", "knockdown"), ("KD left hook", "knockdown"),
        ("overhand wobbles him", "hurt"), ("hook buckles his knees", "hurt"), ("cross hurts Adeyemi", "hurt"),
    ],
)  # fmt: skip
def test_outcomes_as_they_are_told(phrase: str, outcome: str) -> None:
    found = log(phrase, BRANDT)
    assert found.unread == ()
    assert [(a.fighter, a.outcome) for a in found.actions] == [(BRANDT, outcome)]


@pytest.mark.parametrize(
    ("short", "full"),
    [
        ("jab x2", "jab, jab"), ("jab x 3 landed", "triple jab landed"),
        ("missed w/ the jab", "missed with the jab"),
        ("L hook to the body", "left hook to the body"), ("R uppercut", "right uppercut"),
        ("2b landed", "cross to the body landed"),
    ],
)  # fmt: skip
def test_shorthand_that_has_one_meaning(short: str, full: str) -> None:
    assert log(short, BRANDT) == log(full, BRANDT)


@pytest.mark.parametrize(
    "phrase", ["J missed", "LH body", "UC", "hook blk", "L", "low blow", "rabbit punch", "body kick"]
)
def test_shorthand_that_may_mean_several_things_is_asked_about(phrase: str) -> None:
    assert log(phrase, BRANDT).unread


def test_a_named_fighters_hand_is_what_is_slipped() -> None:
    assert [(a.fighter, a.technique) for a in log("slips Adeyemi's left hand", BRANDT).actions] == [
        (ADEYEMI, "cross"),
        (BRANDT, "slip"),
    ]


@pytest.mark.parametrize(
    ("phrase", "stances"),
    [
        ("switches to southpaw, jab", ["southpaw", "southpaw"]),
        ("switches stance, jab", ["southpaw", "southpaw"]),
        ("switches to orthodox, jab", ["orthodox", "orthodox"]),
        ("jab, switches to southpaw, jab, switches back to orthodox, jab", None),
    ],
)
def test_a_switch_ends_in_the_stance_it_names(phrase: str, stances: list[str] | None) -> None:
    found = log(phrase, BRANDT)  # who is orthodox
    told = [a.stance for a in found.actions]
    assert told == (stances or ["orthodox", "southpaw", "southpaw", "orthodox", "orthodox"])


def test_a_hand_behind_a_punch_is_the_next_punch() -> None:
    assert [
        (a.technique, a.hand, a.outcome) for a in log("double jab right hand landed", BRANDT).actions
    ] == [
        ("jab", "lead", None),
        ("jab", "lead", None),
        ("cross", "rear", "landed"),
    ]
    assert [a.technique for a in log("jab right hand", BRANDT).actions] == ["jab", "cross"]
    assert only("left hand jab", BRANDT).technique == "jab"


@pytest.mark.parametrize("phrase", ["jab or cross", "jab / cross", "left or right hook", "jab, late"])
def test_what_a_log_cannot_hold_is_told_as_a_reason_and_not_as_what_was_meant(phrase: str) -> None:
    found = log(phrase, BRANDT)
    assert found.because
    assert [u.meant for u in found.unread] == [()]
    row = {"time": "10", "fighter": "Brandt", "action": phrase}
    (problem,) = read_lines([row], FIGHT, V, Settings(), file_label="log").problems
    assert problem.message == found.because
    assert problem.meant == ""


@pytest.mark.parametrize("word", ["spinning", "hard", "big", "wide", "nice"])
def test_plain_english_is_not_taken_for_a_misspelling(word: str) -> None:
    # A log keeps nothing of how hard a punch was: it says so, instead of losing the word.
    (unread,) = log(f"{word} hook", BRANDT).unread
    assert (unread.text, unread.meant) == (word, ())
    assert log(f"{word} hook", BRANDT).because == ""
