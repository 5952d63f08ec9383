"""Phrases and their readings, written from how coaches talk, not from what the reader prints.

phrases_everyday.jsonl was at hand while the grammar was widened. phrases_everyday_set_aside.jsonl was written
down when a first slice of the grammar stood, without looking at what it printed, and set aside until the end:
135 of its 143 were read as written when it was first run. Of the eight others one had a wrong reading written
down (what Adeyemi does after a blocked jab); the grammar was mended for the rest.

phrases_by_a_stranger.jsonl was written by somebody else before they had seen the grammar or these tests: 226
of its 250 were read as written at first. Of the 24 others the writer gave way in eleven (most of them a role
or a hand that the phrase does say) and the grammar was mended for thirteen.
phrases_slipped_and_countered.jsonl went after what had been weak: 97 of 117 at first; six more of the
writer's own readings gave way, the grammar was mended for the rest, but for three that it cannot read and
says so, which are left out. phrases_after_a_defence.jsonl came last: 62 of 64 at first.
phrases_misread_by_a_coach.jsonl holds what a coach who tried the tool saw misread, with neighbours of it that
must stay as they are: it measures nothing but that these stay mended. phrases_questions.jsonl was written in
six batches, with readings set down before each was run: 50 of 61, 51 of 61, 49 of 60, 39 of 50, 27 of 40
(turns of phrase of commentators) and 23 of 30 (of coaches) at first, 239 of 302. In about twenty of the 63
others the writer gave way, nine that cannot be read as meant are left out, and the reader was mended for the
rest.
phrases_two_people.jsonl goes through what a search for sequences between two people has to understand, line
by line, in the words of corners, analysts, notes and questions. It too was set down in batches before each
was run: 124 of 195, 179 of 212, 117 of 172, 118 of 133 and 63 of 87 at first, then, with all those mended, 84
of 90, 52 of 70 and 43 of 59 (the last two again of turns of phrase not tried before): 780 of 1,018. Each line
says whether it was right at first. In 75 of the 238 others the writer gave way, eleven that are not read as
meant are left out (NOT_AS_MEANT), some were in another file already, and for the rest the reader was mended.
phrases_bare_hands.jsonl is about a bare hand that is a punch (“the left”), about who is caught, and about
punches on the way in and out, in three batches set down before each was run: 28 of 100 at first, then 60 of
70 and 2 of 11. In two of the others the writer gave way (“cross” for a southpaw's left; “not on the way in”
as a step in that is not there), two that are not read as meant are left out (NOT_AS_MEANT), and three were
added where mending showed a neighbour. Six more are about a time limit that comes first (“right after the
slip, a hook”), which was lost before: none at first. Three readings of earlier files were changed with it:
“on the way in” is a step in now, and a feinted right hand keeps its side.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cliplib.core.models import Reading
from cliplib.phrases import complete, read_search, reading_json
from cliplib.phrases.tokens import fold
from cliplib.vocabulary import load_vocabulary

HERE = Path(__file__).parent
V = load_vocabulary()
FIGHTERS = ("Emeka Adeyemi", "Jonas Brandt")
FIGHTS = ("Adeyemi v Brandt",)


MORE_FIGHTERS = (*FIGHTERS, "Kaito Morinaga", "Ishaan Velankar", "Sefo Lautele", "Teodor Vâlcan")
EVEN_MORE_FIGHTERS = (*MORE_FIGHTERS, "Costas Ioannis", "Siobhán O'Dea")
MORE_FIGHTS = (*FIGHTS, "Morinaga v Velankar", "Lautele v Vâlcan", "Brandt v Morinaga")


def read(phrase: str, fighters: tuple[str, ...] = FIGHTERS, fights: tuple[str, ...] = FIGHTS) -> Reading:
    return read_search(phrase, V, fighters=fighters, fights=fights)


def _set_only(values: dict[str, Any]) -> dict[str, Any]:
    out = {k: v for k, v in values.items() if v not in (None, [])}
    if "alternatives" in out:
        out["alternatives"] = [_set_only(a) for a in out["alternatives"]]
    return out


def reading_of(phrase: str, fighters: tuple[str, ...] = FIGHTERS) -> dict[str, Any]:
    found = reading_json(read(phrase, fighters, FIGHTS if fighters == FIGHTERS else MORE_FIGHTS))
    return {
        "steps": [_set_only(s) for s in found["steps"]],
        "where": _set_only(found["where"]),
        "unread": found["unread"],
    }


def _phrases(name: str) -> list[Any]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return [pytest.param(entry, id=entry["phrase"]) for entry in map(json.loads, filter(None, lines))]


def _steps(entry: dict[str, Any]) -> list[dict[str, Any]]:
    """Steps as the reader gives them; the technique “any” stands for the vocabulary's five roots."""
    out = []
    for step in entry.get("steps", []):
        if step["technique"] == "any":
            same = {k: v for k, v in step.items() if k != "technique"}
            others = [{**same, "technique": t} for t in ("defence", "footwork", "feint", "tie-up")]
            step = {**same, "technique": "punch", "alternatives": others}
        out.append(step)
    return out


@pytest.mark.parametrize(
    "entry", [*_phrases("phrases_everyday.jsonl"), *_phrases("phrases_everyday_set_aside.jsonl")]
)
def test_a_phrase_reads_as_a_coach_means_it(entry: dict[str, Any]) -> None:
    assert reading_of(entry["phrase"]) == {
        "steps": _steps(entry),
        "where": entry.get("where", {}),
        "unread": entry.get("unread", []),
    }


@pytest.mark.parametrize(
    "entry",
    [
        entry
        for name in (
            "by_a_stranger",
            "slipped_and_countered",
            "after_a_defence",
            "misread_by_a_coach",
            "questions",
        )
        for entry in _phrases(f"phrases_{name}.jsonl")
    ],
)
def test_a_phrase_reads_as_a_second_writer_means_it(entry: dict[str, Any]) -> None:
    assert reading_of(entry["phrase"], MORE_FIGHTERS) == {
        "steps": _steps(entry),
        "where": entry.get("where", {}),
        "unread": entry.get("unread", []),
    }


@pytest.mark.parametrize("entry", _phrases("phrases_two_people.jsonl"))
def test_a_phrase_about_two_people_reads_as_meant(entry: dict[str, Any]) -> None:
    assert reading_of(entry["phrase"], EVEN_MORE_FIGHTERS) == {
        "steps": _steps(entry),
        "where": entry.get("where", {}),
        "unread": entry.get("unread", []),
    }


@pytest.mark.parametrize("entry", _phrases("phrases_bare_hands.jsonl"))
def test_a_punch_with_a_bare_hand_or_on_the_move_reads_as_meant(entry: dict[str, Any]) -> None:
    found = read(entry["phrase"], EVEN_MORE_FIGHTERS)
    assert reading_of(entry["phrase"], EVEN_MORE_FIGHTERS) == {
        "steps": _steps(entry),
        "where": entry.get("where", {}),
        "unread": entry.get("unread", []),
    }
    again = read(found.said, EVEN_MORE_FIGHTERS)
    assert (again.steps, again.where, again.unread) == (found.steps, found.where, ())


@pytest.mark.parametrize("hand", ["the left", "a left", "his left", "the left hand", "a left to the body"])
@pytest.mark.parametrize(
    "verb",
    ["catches him with", "lands", "throws", "gets caught with", "eats", "counters with", "counters him with", "slips",
     "hits him with", "drops Brandt with", "misses with", "leads with", "parries", "jabs and lands", "with",
     "slips the jab and throws", "southpaw catches him with", "walks into", "gets countered with", "Brandt throws"],
)  # fmt: skip
def test_a_hand_said_as_a_punch_stays_one_whatever_moves(verb: str, hand: str) -> None:
    """The hand is that of a punch, the movement a step, and nothing is left over."""
    for how, moved in (
        ("coming in", "step in"),
        ("on the way in", "step in"),
        ("on his way out", "step out"),
        ("backing up", "step back"),
        ("as he backs up", "step back"),
        ("circling to the right", "circle"),
        ("right after the feint", "feint"),
    ):
        found = read(f"{verb} {hand} {how}")
        assert found.unread == (), found.phrase
        assert moved in [s.technique for s in found.steps], found.phrase
        assert [s.technique in ("punch", "cross") for s in found.steps if s.side == "left"] == [True], (
            found.phrase
        )


NOT_AS_MEANT = (
    "uppercuts the ducking opponent",  # read as an uppercut, then a duck
    "steps around the jab",  # ... a step, then a jab of one's own
    "jab and get out before he counters",  # ... as if the counter came
    "Lautele's hook caught Vâlcan coming out of the clinch",  # ... the clinch as Lautele's alone
    "landed or blocked, the overhand",  # ... as any punch, then an overhand
    "double counter: hook then cross after the slip",  # ... the colon as if more came
    "four punch combos ending with a left hook",  # ... as a punch, then a hook
    "touch and go: jab, step out",  # ... as a punch that touches
    "up and down with the jab",  # "up" means nothing there, and is not shown
    "one punch at a time",  # neither does "at a time"
    "catches them on the gloves",  # as a catch, then a punch that was blocked
    "jab but not on the way in",  # as if the step in must not come after the jab
    "fighter A jabs, fighter B slips",  # as one fighter; only B is shown
)
"""What is still misread, so that nobody thinks that it is not known: see the module's text."""


@pytest.mark.parametrize("phrase", NOT_AS_MEANT)
def test_even_a_misreading_is_said_as_it_was_read(phrase: str) -> None:
    found = read(phrase, EVEN_MORE_FIGHTERS)
    again = read(found.said, EVEN_MORE_FIGHTERS)
    assert (again.steps, again.where, again.unread) == (found.steps, found.where, ())


@pytest.mark.parametrize(
    ("phrase", "actors"),
    [
        # Two people by their pronouns, against the same words about one.
        ("hook when he jabs", [1, 2]),
        ("slips when he jabs", [1, 2]),
        ("clinches when he steps in", [1, 1]),
        ("hook as he steps in", [1, 1]),
        ("hook him as he steps in", [1, 2]),
        ("when he jabs, slip and hook", [1, 2, 2]),
        ("when he jabs, he hooks", [1, 1]),
        ("after he slips, he jabs", [1, 1]),
        ("he jabs, you slip", [1, 2]),
        ("he jabs, he slips", [1, 1]),
        ("jab, he slips, hook", [1, 2, 1]),
        ("jab, and if he slips, hook", [1, 2, 1]),
        ("his jab, your hook", [1, 2]),
        ("his jab, his hook", [1, 1]),
        ("Brandt ties Adeyemi up when he steps in", [1, 2]),
        ("Brandt clinches when he steps in", [1, 1]),
        ("hook him after he jabs", [1, 2]),
        ("Brandt's opponents slip his jab", [1, 2]),
        ("hooks off a southpaw's jab", [1, 2]),
    ],
)
def test_who_is_who_by_pronouns(phrase: str, actors: list[int]) -> None:
    found = read(phrase)
    assert ([s.by for s in found.steps], found.unread) == (actors, ())


@pytest.mark.parametrize(
    "phrase", ["catches him with a left hook coming in", "lands a left coming in", "gets hit coming in with a jab",
               "hits Brandt with the jab on the way out", "hook when he jabs", "hook as he steps in", "parry jab, counter jab", "parry jab", "slip jab, hook",
               "jab, cross or hook", "ties him up after he misses", "roll with the hook", "rolls with the right hand"]
)  # fmt: skip
def test_each_other_meaning_is_a_phrase_away(phrase: str) -> None:
    found = read(phrase)
    assert found.choices
    for choice in found.choices:
        for _, other in choice.others:
            instead = read(other)
            assert instead.unread == ()
            assert (instead.steps, instead.where) != (found.steps, found.where)


@pytest.mark.parametrize(
    ("phrase", "technique"),
    [
        ("missed hooks nobody slips", "slip"),
        ("hook that is neither blocked nor slipped", "slip"),
        ("don't let him jab", "jab"),
        ("nobody jabs", "jab"),
        ("right hand that isn't set up by a jab", "jab"),
        ("slips but doesn't hook", "hook"),
    ],
)
def test_what_is_not_done_is_no_step_to_be_found(phrase: str, technique: str) -> None:
    assert technique not in [s.technique for s in read(phrase).steps if not s.absent]


def test_there_are_enough_phrases_and_a_quarter_of_them_was_held_aside() -> None:
    everything = [
        e.values[0]["phrase"]
        for n in ("everyday", "everyday_set_aside")
        for e in _phrases(f"phrases_{n}.jsonl")
    ]
    assert len(set(everything)) == len(everything) >= 300
    assert len(_phrases("phrases_everyday_set_aside.jsonl")) >= len(everything) / 4


def test_explain_has_every_key_of_the_contract_and_null_for_what_is_unset() -> None:
    found = reading_json(read("feint, then overhand within 1 second"))
    assert set(found) == {"phrase", "said", "steps", "where", "unread"}
    assert found["steps"][1] == {
        "by": 1, "fighter": None, "stance": None, "technique": "overhand", "hand": None, "side": None,
        "target": None, "outcome": None, "role": None, "direction": None, "within": 1.0,
    }  # fmt: skip
    assert found["where"]["rounds"] is None
    assert {"rounds", "fight", "opponent", "opponent_stance", "place"} <= set(found["where"])
    json.dumps(found)


# --- what is not understood -----------------------------------------------------------------------------


def test_unread_words_have_their_place_and_what_was_meant() -> None:
    (unread,) = read("missed jabb").unread
    assert (unread.text, unread.start, unread.end) == ("jabb", 7, 11)
    assert "jab" in unread.meant


@pytest.mark.parametrize(
    ("wrong", "right"),
    [("uppercutt", "uppercut"), ("crosss", "cross"), ("southpaww", "southpaw"), ("ovrehand", "overhand"),
     ("Brnadt", "brandt"), ("conuter", "counter")],
)  # fmt: skip
def test_a_misspelt_word_is_never_read_as_what_was_meant(wrong: str, right: str) -> None:
    found = read(f"{wrong} jab")
    assert [u.text for u in found.unread] == [wrong]
    assert right in found.unread[0].meant
    assert [(s.technique, s.role, s.stance, s.fighter) for s in found.steps] == [("jab", None, None, None)]


def test_a_name_of_two_fighters_is_asked_about() -> None:
    found = read("Brandt jab", ("Jonas Brandt", "Emil Brandt"))
    assert found.unread[0].text == "Brandt"
    assert set(found.unread[0].meant) == {"Jonas Brandt", "Emil Brandt"}
    assert found.steps[0].fighter is None
    assert read("Emil Brandt jab", ("Jonas Brandt", "Emil Brandt")).steps[0].fighter == "Emil Brandt"


def test_a_fighter_called_like_a_punch() -> None:
    fighters = ("Danny Cross", "Jonas Brandt")
    assert read("cross", fighters).steps[0].technique == "cross"
    assert read("Danny Cross jab", fighters).steps[0].fighter == "Danny Cross"
    assert read("Cross's jab", fighters).steps[0].fighter == "Danny Cross"
    assert read("danny jab", fighters).steps[0].fighter == "Danny Cross"


@pytest.mark.parametrize("name", ["O'Neil", "o’neil", "Seán", "sean", "Seán O'Neil", "SEAN O'NEIL"])
def test_names_by_any_part_whatever_the_accents(name: str) -> None:
    assert read(f"{name} jab", ("Seán O'Neil", "Jonas Brandt")).steps[0].fighter == "Seán O'Neil"
    assert read(f"{name}'s jab", ("Seán O'Neil", "Jonas Brandt")).steps[0].fighter == "Seán O'Neil"


def test_a_third_fighter_is_not_dropped_in_silence() -> None:
    fighters = ("Emeka Adeyemi", "Jonas Brandt", "Ivo Kral")
    found = read("Adeyemi jab, Brandt cross, Kral hook", fighters)
    assert [u.text for u in found.unread] == ["Kral"]
    assert found.notes


@pytest.mark.parametrize("phrase", ["jab not on the ropes", "jab not in the last round", "jab not by Brandt"])
def test_what_is_denied_is_never_read_as_asked_for(phrase: str) -> None:
    found = read(phrase)
    assert found.unread
    assert found.unread[0].text == "not"
    assert found.where.place is None
    assert found.where.rounds == ()
    assert all(s.fighter is None for s in found.steps)


@pytest.mark.parametrize(
    ("phrase", "rounds"),
    [
        ("jabs except round 1", tuple(range(2, 13))),
        ("jabs but not in rounds 2 to 11", (1, 12)),
        ("jabs in every round but the first", tuple(range(2, 13))),
        ("jab not in round 3", (1, 2, *range(4, 13))),
        ("hooks in the last two rounds", ("last 2",)),
        ("hooks in the second half of the fight", ("second half",)),
    ],
)
def test_rounds_left_out_and_counted_from_the_end(phrase: str, rounds: tuple[int | str, ...]) -> None:
    found = read(phrase)
    assert found.where.rounds == rounds
    assert found.unread == ()
    assert len(found.steps) == 1


def test_what_else_is_left_out_is_never_read_as_asked_for() -> None:
    found = read("any punch except the jab")
    assert [s.technique for s in found.steps] == ["punch"]
    assert [u.text for u in found.unread] == ["except", "jab"]
    found = read("jabs except against Brandt")
    assert found.where.opponent is None
    assert [u.text for u in found.unread] == ["except", "against", "Brandt"]


def test_or_between_combinations() -> None:
    def steps(phrase: str) -> list[tuple[str, ...]]:
        return [(s.technique, *(a.technique for a in s.alternatives)) for s in read(phrase).steps]

    # Of one shape: they differ in one punch.
    assert steps("1-2 or 1-3") == steps("jab cross or jab lead hook") == [("jab",), ("cross", "hook")]
    assert steps("either a one-two or a double jab") == [("jab",), ("cross", "jab")]
    # The longer holds the shorter, so wherever either is, the shorter is.
    assert steps("1-2 or 1-1-2") == steps("1-1-2 or 1-2") == [("jab",), ("cross",)]
    # Else the second is shown as not understood, and never read as if it came later.
    found = read("1-2 or 6-3-2")
    assert [s.technique for s in found.steps] == ["jab", "cross"]
    assert [u.text for u in found.unread] == ["or", "6-3-2"]
    assert found.notes


@pytest.mark.parametrize(
    ("phrase", "left"),
    [
        ("jab within 1 second", ["within", "1", "second"]),
        ("jab in 2023 in 2024", ["2024"]),
        ("body clinch", ["body"]),
        ("jab then", ["then"]),
        ("outside", ["outside"]),
    ],
)
def test_words_with_a_meaning_but_no_place_are_shown(phrase: str, left: list[str]) -> None:
    assert [u.text for u in read(phrase).unread] == left


# --- said back, choices, parts ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("phrase", "said"),
    [
        (
            "counter to the body after a missed jab",
            "a missed jab, then the other fighter's counter to the body",
        ),
        ("3b", "a lead hook to the body"),
        ("Brandt uppercut in the last round", "Jonas Brandt's uppercut in the last round"),
        ("cross without a feint", "a cross with no feint before it"),
        ("jab not countered against a southpaw", "a jab against a southpaw, not countered"),
        ("left or right hook", "a left hook or right hook"),
        ("jab then cross within half a second", "a jab, then a cross within 0.5 seconds"),
    ],
)
def test_said_back_in_plain_english(phrase: str, said: str) -> None:
    assert read(phrase).said == said


def test_assumptions_are_noted() -> None:
    assert "last third" in read("jab in the late rounds").notes[0]
    assert "half a second" in read("jab, immediately a cross").notes[0]
    assert "11 and 12" in read("championship rounds").notes[0]


@pytest.mark.parametrize(
    "phrase",
    [
        "slips inside the jab",
        "rolls with the hook",
        "inside hook",
        "southpaw right hand",
        "lead jab",
        "right hand",
        "feint jab",
        "liver shot",
    ],
)
def test_ambiguity_is_shown_with_phrases_that_say_the_other(phrase: str) -> None:
    found = read(phrase)
    assert found.choices
    for choice in found.choices:
        assert phrase[choice.start : choice.end] == choice.text
        assert choice.others
        for _, other in choice.others:
            instead = read(other)
            assert instead.unread == ()
            assert (instead.steps, instead.where) != (found.steps, found.where)


def test_each_part_can_be_taken_away() -> None:
    found = read("Brandt missed lead hook to the body, then a cross, on the ropes in round 2")
    parts = {key: (english, phrase) for key, english, phrase in found.parts}
    of_steps = {"step1", "step1.outcome", "step1.hand", "step1.target", "step1.fighter", "step2"}
    assert of_steps | {"place", "rounds"} <= set(parts)
    fewer = read(parts["step1.target"][1])
    assert fewer.steps[0].target is None
    assert fewer.steps[0].outcome == "missed"
    assert read(parts["step2"][1]).steps == found.steps[:1]
    assert read(parts["rounds"][1]).where.rounds == ()
    assert read(parts["step1.fighter"][1]).steps[1].fighter is None


@pytest.mark.parametrize(
    ("typed", "first", "among"),
    [
        # The word that is being typed is finished; a turn of phrase as a whole.
        ("missed upp", "missed uppercut", ["missed uppercut"]),
        ("slips the j", "slips the jab", []),
        ("jab to the b", "jab to the body", []),
        ("hooks in the l", "hooks in the last round", ["hooks in the late rounds"]),
        ("counter hook in rou", "counter hook in round 1", ["counter hook in rounds 1 to 3"]),
        ("round", "round 1", ["rounds 2 to 4"]),
        ("1-", "1-2", ["1-2-3"]),
        # People by what tells them apart, as it was begun.
        ("bran", "Brandt", []),
        ("jab by bra", "jab by Brandt", []),
        ("Eme", "Emeka Adeyemi", []),
        ("Emeka A", "Emeka Adeyemi", []),
        ("val", "Vâlcan", []),
        # What may come next.
        ("missed ", "missed jab", ["missed cross", "missed hook"]),
        ("jab, ", "jab, jab", ["jab, cross", "jab, hook"]),
        ("hook ", "hook to the body", ["hook to the head", "hook then", "hook that landed"]),
        ("slips", "slips the jab", ["slips the cross"]),
        ("Brandt ", "Brandt jab", ["Brandt counters"]),
        ("jab against ", "jab against a southpaw", ["jab against Brandt"]),
    ],
)
def test_completions_carry_on_what_was_typed(typed: str, first: str, among: list[str]) -> None:
    found = complete(typed, V, MORE_FIGHTERS)
    assert found[0] == first
    assert set(among) <= set(found)
    assert len(found) <= 10


def test_past_phrases_come_first_and_nothing_is_offered_for_nothing() -> None:
    past = ["jab then cross", "left hook"]
    assert complete("jab th", V, FIGHTERS, past)[0] == "jab then cross"
    assert complete("", V, FIGHTERS, past) == complete("  ", V, FIGHTERS, past) == []
    assert complete("zzz", V, FIGHTERS, past) == []


@pytest.mark.parametrize(
    "typed", ["counter up", "s", "b", "slips the ", "lead ", "in the ", "no ", "jab then ", "1-"]
)
def test_every_completion_reads(typed: str) -> None:
    """Or at least does once an action follows: “jab then”."""
    for offer in complete(typed, V, FIGHTERS):
        assert fold(offer).startswith(fold(typed)) or typed == "b"  # Brandt, by his surname
        assert () in (read(offer).unread, read(offer + " jab").unread), offer
