"""The vocabulary: DESIGN.md's words, families, and a library's own terms."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from cliplib import vocabulary
from cliplib.core.errors import SettingsError
from cliplib.phrases import read_search
from cliplib.vocabulary import KINDS, load_vocabulary

# Private parts: the shipped words are read anew.

V = load_vocabulary()

# The core of DESIGN.md's "Vocabulary", by kind.
CORE = {
    "punch": "jab cross straight hook uppercut overhand check_hook shovel_hook bolo",
    "defence": "slip roll duck pull parry catch block shoulder_roll step_back step_out",
    "footwork": "step_in lead-foot_step pivot circle cut_off_the_ring switch_stance",
    "feint": "hand_feint foot_feint level_feint",
    "tie-up": "smother clinch trap frame push",
}


@pytest.mark.parametrize("kind", KINDS)
def test_the_core_is_there_and_every_kind_is_itself_a_technique(kind: str) -> None:
    assert V.kind(kind) == kind
    for name in (n.replace("_", " ") for n in CORE[kind].split()):
        assert name in V.names
        assert V.kind(name) == kind
        assert V.is_a(name, kind)


def test_families() -> None:
    assert V.family("hook") == {"hook", "check hook", "shovel hook"}
    assert V.family("straight") == {"straight", "jab", "cross"}
    assert V.is_a("check hook", "punch")
    assert not V.is_a("hook", "check hook")
    assert V.outcome_family("landed") == {"landed", "knockdown", "hurt"}
    assert V.outcome_family("missed") == {"missed"}
    assert set(V.outcomes) == {"landed", "partial", "blocked", "missed", "knockdown", "hurt"}


def test_parents_come_before_their_children() -> None:
    for name in V.names:
        parent = V.parent(name)
        assert parent is None or V.names.index(parent) < V.names.index(name)


def test_hands_by_definition() -> None:
    assert V.hand("jab") == "lead"
    assert V.hand("cross") == "rear"
    assert V.hand("hook") is None


def test_every_technique_is_read_by_its_own_name_and_plural() -> None:
    for name in V.names:
        for text in (V.say("technique", name), name):
            steps = read_search(text, V).steps
            assert [s.technique for s in steps] == [name], text


def test_the_gym_numbers_of_design() -> None:
    wanted = {
        "1": ("jab", None), "2": ("cross", None), "3": ("hook", "lead"),
        "4": ("hook", "rear"), "5": ("uppercut", "lead"), "6": ("uppercut", "rear"),
    }  # fmt: skip
    assert {n: (e.technique, e.hand) for n, e in V.numbers.items()} == wanted


def test_a_gym_can_have_other_numbers(tmp_path: Path) -> None:
    (tmp_path / "terms.toml").write_text('[numbers.ours]\n1 = { technique = "cross" }\n')
    ours = load_vocabulary(tmp_path, profile="ours")
    assert [s.technique for s in read_search("1", ours).steps] == ["cross"]
    assert read_search("2", ours).unread[0].text == "2"


def test_a_library_adds_terms_and_synonyms(tmp_path: Path) -> None:
    (tmp_path / "terms.toml").write_text(
        '[technique."gazelle hook"]\nparent = "hook"\nnouns = ["gazelle hook", "gazelle"]\n'
        '[technique.jab]\nnouns = ["range finder"]\nverbs = ["stick sticks stuck sticking"]\n'
    )
    ours = load_vocabulary(tmp_path)
    assert "gazelle hook" in ours.family("hook")
    assert [s.technique for s in read_search("range finder then sticks, gazelle", ours).steps] == [
        "jab", "jab", "gazelle hook",
    ]  # fmt: skip
    assert "gazelle hook" not in V.names


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[technique", "cannot be read"),
        ("[punch.jab]\n", "there is no [punch"),
        ('[technique.jib]\nnouns = ["jib"]\n', "needs a parent"),
        ('[technique.jib]\nparent = "jibe"\n', "parent “jibe” is not a term"),
        ('[technique.jab]\nnouns = "jab"\n', "must be a list of words"),
        ('[technique.jab]\ncolour = "red"\n', "“colour” is unknown"),
        ('[technique.a]\nparent = "b"\n[technique.b]\nparent = "a"\n', "round in a circle"),
        ('[technique.jab]\nverbs = ["stick sticks"]\n', "four forms"),
        ('[hand.third]\nadjectives = ["third"]\n', "hand is lead or rear"),
        ('[technique.jab]\nhand = "middle"\n', "hand is lead or rear"),
        ('[numbers.standard]\n7 = { technique = "headbutt" }\n', "needs technique"),
        ('[technique.x]\nkind = "kick"\n', "kind is one of"),
    ],
)
def test_a_mistake_in_the_librarys_terms_is_named(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "terms.toml").write_text(text)
    with pytest.raises(SettingsError) as error:
        load_vocabulary(tmp_path)
    assert said in str(error.value)
    assert "terms.toml" in str(error.value)


def test_an_unknown_profile_is_named() -> None:
    with pytest.raises(SettingsError, match="no number profile “unheard of”"):
        load_vocabulary(profile="unheard of")


def test_the_shipped_words_are_checked_like_a_gyms_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A table under a name that nothing reads was passed over in silence."""
    words = resources.files("cliplib.vocabulary").joinpath("terms.toml").read_text(encoding="utf-8")
    (tmp_path / "terms.toml").write_text(words + "\n[[term]]\nname = 'liver shot'\n", encoding="utf-8")
    monkeypatch.setattr(vocabulary.resources, "files", lambda _: tmp_path)
    vocabulary._standard.cache_clear()  # private: it is read once a process
    try:
        with pytest.raises(SettingsError, match=r"there is no \[term"):
            vocabulary.load_vocabulary()
    finally:
        vocabulary._standard.cache_clear()
