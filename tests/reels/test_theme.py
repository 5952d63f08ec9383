"""Theme files, which clips they choose, and what the reel says about each."""

from __future__ import annotations

import dataclasses
import datetime
import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cliplib.core.errors import InputError, ThemeError
from cliplib.core.models import Action, ClipRow
from cliplib.reels import theme as theme_module
from cliplib.reels.build import build
from cliplib.reels.captions import part_for, say, what_happens, who_and_when
from cliplib.reels.parts import Drawing, Freeze, ReelReport, ReelSettings, Slow, Treatment, Zoom
from cliplib.reels.rebuild import rebuild, rebuild_problem
from cliplib.reels.select import select
from cliplib.reels.theme import Theme
from cliplib.reels.theme_reading import drawings_from, read_theme, theme_from
from cliplib.reels.theme_writing import drawing_values, theme_text
from tests.house.theme_keys import keys
from tests.reels.reel_parts import source
from tests.reels.test_plan import footage

FULL = "\n".join(line[4:] for line in (theme_module.__doc__ or "").splitlines()[4:])


def action(technique: str, fighter: str = "Emeka Adeyemi", **more: object) -> Action:
    return Action(technique, fighter, **more)  # type: ignore[arg-type]


def clip(number: int = 1, *actions: Action, **more: object) -> ClipRow:
    """A clip of frames 100 to 150 at 25 frames a second, unless said otherwise."""
    start = int(more.pop("start", 100))  # type: ignore[call-overload]
    length = int(more.pop("length", 50))  # type: ignore[call-overload]
    values: dict[str, object] = {
        "id": number,
        "fight": "Adeyemi v Brandt",
        "fight_id": 1,
        "date": datetime.date(2024, 5, 11),
        "round": 2,
        "clock_us": 83_000_000,
        "start_us": start * 40_000,
        "end_us": (start + length) * 40_000,
        "start_frame": start,
        "end_frame": start + length,
        "file": Path("clip.mp4"),
        "poster": None,
        "actions": actions or (action("jab", time_us=start * 40_000 + 1_000_000),),
    }
    return ClipRow(**{**values, **more})  # type: ignore[arg-type]


# --- the file ---------------------------------------------------------------------------------------------


def test_the_documented_theme_reads() -> None:
    theme = theme_from(FULL)
    assert theme.phrase == "counter to the body after a missed jab"
    assert (theme.most_clips, theme.most_us, theme.per_fight, theme.overlap) == (40, 300_000_000, 10, False)
    assert theme.settings.size == (1280, 720)
    assert theme.settings.rate == 25
    assert theme.treatment.slow == Slow(Fraction(1, 2), 500_000, 900_000)
    assert theme.treatment.freeze == Freeze(1_500_000)
    assert theme.treatment.zoom == Zoom((0.2, 0.1, 0.5, 0.5), shots=("slow", "freeze"))
    change = theme.change_of(12)
    assert (change.first, change.last, change.mirror, change.slow) == (4210, 4300, True, False)
    assert change.drawings == (Drawing("arrow", ((0.4, 0.5), (0.6, 0.4)), 70_200_000, 71_000_000),)
    assert theme.change_of(13).mirror is None


def test_a_phrase_is_enough() -> None:
    assert theme_from('phrase = "jab"') == Theme("jab")


def test_the_rate_so_called_is_the_exact_one() -> None:
    """SMPTE ST 12-1: what is called 29.97 is 30000/1001."""
    for text, exact in (
        ("29.97", Fraction(30000, 1001)),
        ('"23.976"', Fraction(24000, 1001)),
        ("25", Fraction(25)),
    ):
        assert theme_from(f'phrase = "jab"\n[picture]\nrate = {text}').settings.rate == exact


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('phrase = "jab', "not TOML"),
        ('title = "x"', 't.toml:1:0: has no phrase'),
        ('phrase = ""', "t.toml:1:1: phrase must be text"),
        ('phrase = "jab"\ntitel = "x"', "did you mean “title”"),
        ('phrase = "jab"\norder = "dat"', "t.toml:2:1: order must be one of date, round, fight"),
        ('phrase = "jab"\n[picture]\nsize = "12"', "t.toml:3:1: size must be width and height"),
        ('phrase = "jab"\n[picture]\n\n  jons = "cut"', "t.toml:4:3: jons is not a key of [picture]"),
        ('phrase = "jab"\n[picture]\nrate = "30000/0"', "rate must be frames a second"),
        ('phrase = "jab"\n[slow]\nspeed = 2', "t.toml:3:1: speed must be a share of the real speed"),
        ('phrase = "jab"\n[slow]\nspeed = true', "not true"),
        ('phrase = "jab"\n[limits]\nclips = 0', "t.toml:3:1: clips must be a whole number"),
        ('phrase = "jab"\n[limits]\nseconds = nan', "t.toml:3:1: seconds must be a number of seconds"),
        ('phrase = "jab"\n[zoom]\nmove = 1', "t.toml:2:1: region is missing"),
        ('phrase = "jab"\n[zoom]\nregion = [0, 0, 2, 1]', "inside the picture"),
        ('phrase = "jab"\nclips = 3', "written as [[clips]]"),
        ('phrase = "jab"\n[[clips]]\nid = 1\n[[clips]]\nid = 1', "t.toml:5:1: id was given before"),
        ('phrase = "jab"\n[[clips]]\nid = 1\n[[clips]]\nmirror = 1\nid = 2', "t.toml:5:1: mirror must be"),
        ('phrase = "jab"\n[[clips]]\nid = 1\nfirst = 9\nlast = 9', "t.toml:5:1: last must come after first"),
        ('phrase = "a"\n[[clips]]\nid = 1\ndrawings = [{kind = "arow", points = [[0, 0]]}]', "mean arrow"),
        ('phrase = "a"\n[[clips]]\nid = 1\ndrawings = [{kind = "line", points = [[0, 0]]}]', "takes 2 po"),
        ('phrase = "jab"\n[[clips]]\nid = 1\ndrawings = [{ kind = "line" }]', "without points"),
        ('phrase = "jab"\npicture = 3', "t.toml:2:1: picture must be a table"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_place(text: str, said: str) -> None:
    with pytest.raises(ThemeError) as caught:
        theme_from(text, "t.toml")
    assert said in str(caught.value)


def test_everything_wrong_is_said_at_once() -> None:
    with pytest.raises(ThemeError) as caught:
        theme_from("phrase = 1\norder = 2\n[slow]\nspeed = 3\nspede = 0.5")
    assert [line.split(":")[1] for line in str(caught.value).splitlines() if line.startswith("theme:")] == [
        "1", "2", "4", "5",
    ]  # fmt: skip


@given(st.text(max_size=60))
def test_any_text_reads_or_is_refused(text: str) -> None:
    for whole in (text, f'phrase = "jab"\n{text}', f'phrase = "jab"\n[slow]\n{text}'):
        try:
            theme_from(whole)
        except ThemeError as problem:
            assert str(problem)  # noqa: PT017


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ThemeError, match="cannot be read"):
        read_theme(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes('phrase = "Ñandú"'.encode("latin-1"))
    with pytest.raises(ThemeError, match="UTF-8"):
        read_theme(tmp_path / "latin.toml")
    (tmp_path / "bom.toml").write_bytes('phrase = "jab"'.encode("utf-8-sig"))
    assert read_theme(tmp_path / "bom.toml").phrase == "jab"


# --- which clips ------------------------------------------------------------------------------------------


def ids(clips: list[ClipRow], **chosen: object) -> list[int]:
    return [c.id for c in select(clips, Theme("jab", **chosen))]  # type: ignore[arg-type]


def test_limits_keep_the_better_fits() -> None:
    clips = [clip(n, start=1000 - 100 * n) for n in range(1, 8)]
    assert ids(clips, most_clips=3, order="fit") == [1, 2, 3]
    assert ids(clips, most_clips=3, order="date") == [3, 2, 1]  # in the fight's order, but the same three
    assert ids(clips, most_us=5_000_000, order="fit") == [1, 2]


def test_a_long_clip_that_does_not_fit_makes_way_for_a_short_one() -> None:
    clips = [clip(1), clip(2, start=300, length=200), clip(3, start=600)]
    assert ids(clips, most_us=4_500_000, order="fit") == [1, 3]


def test_no_more_than_so_many_of_a_fight() -> None:
    clips = [clip(n, fight_id=n % 2, fight=f"F{n % 2}", start=100 * n) for n in range(1, 9)]
    assert sorted(ids(clips, per_fight=2)) == [1, 2, 3, 4]


def test_no_film_twice() -> None:
    """Clips are 50 frames: sharing 25 is half and stands, 26 is more than half."""
    clips = [clip(1), clip(2, start=124), clip(3, start=175), clip(4, start=124, fight_id=2)]
    assert ids(clips, order="fit") == [1, 3, 4]
    assert ids([clips[0], clip(2, start=125)], order="fit") == [1, 2]
    assert ids([clips[0], clip(2, start=130, length=10)], order="fit") == [1]
    assert ids(clips, order="fit", overlap=True) == [1, 2, 3, 4]


def test_clips_without_footage_are_left_out() -> None:
    bare = clip(1, start_frame=None, end_frame=None)
    assert ids([bare, clip(2)], most_clips=1) == [2]


def test_orders() -> None:
    day = datetime.date
    clips = [
        clip(1, round=3, date=day(2024, 5, 11), fight="B", fight_id=1, start=900),
        clip(2, round=1, date=None, fight="C", fight_id=2),
        clip(3, round=1, date=day(2023, 1, 1), fight="D", fight_id=3),
        clip(4, round=2, date=day(2024, 5, 11), fight="B", fight_id=1, start=500),
    ]
    assert ids(clips, order="fit") == [1, 2, 3, 4]
    assert ids(clips, order="date") == [3, 4, 1, 2]
    assert ids(clips, order="round") == [3, 2, 4, 1]
    assert ids(clips, order="fight") == [4, 1, 2, 3]


def test_fighters_alternate() -> None:
    who = ["A", "A", "A", "B", "C", "B"]
    clips = [clip(n, action("jab", fighter), start=100 * n) for n, fighter in enumerate(who, 1)]
    assert ids(clips, order="alternate") == [1, 4, 5, 2, 6, 3]


@given(st.permutations(range(8)), st.integers(1, 10), st.sampled_from(theme_module.ORDERS))
def test_selecting_keeps_each_clip_once(order: list[int], most: int, by: str) -> None:
    clips = [clip(n, start=100 * n, fight_id=n % 3) for n in order]
    chosen = ids(clips, most_clips=most, order=by)
    assert len(chosen) == len(set(chosen)) == min(most, 8)
    assert set(chosen) == set(order[:most])


# --- what is said -----------------------------------------------------------------------------------------

NAMES = {"Emeka Adeyemi": "Adeyemi", "Jonas Brandt": "Brandt"}


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (action("jab", outcome="missed"), "Adeyemi jab missed"),
        (
            action(
                "uppercut", "Jonas Brandt", side="right", hand="rear", target="body", outcome="landed",
                roles=("counter",),
            ),
            "Brandt counter right uppercut to the body landed",
        ),
        (action("slip", direction="outside"), "Adeyemi slips outside"),
        (action("cross", side="left", outcome="partial"), "Adeyemi cross partly landed"),
        (action("punch", hand="lead"), "Adeyemi lead punch"),
    ],
)  # fmt: skip
def test_actions_are_said_in_the_words_of_a_log(told: Action, said: str) -> None:
    assert say(told, NAMES) == said


def test_notes_go_into_captions_when_asked() -> None:
    told = dataclasses.replace(clip(1, action("jab", time_us=5_500_000)), note="He drops the elbow.")
    plain = part_for(told, footage(400), theme_from('phrase = "jab"'))
    noted = part_for(told, footage(400), theme_from('phrase = "jab"\n[picture]\nnotes = true'))
    assert "He drops the elbow." not in plain.caption
    assert noted.caption == (*plain.caption, "He drops the elbow.")


def test_every_key_of_a_theme_has_its_words() -> None:
    """`keys` raises where one is missing; the README's table is made of it."""
    listed = [(table, key) for table, key, words in keys() if words]
    assert ("picture", "notes") in listed
    assert len(listed) == len(set(listed)) > 40


def test_a_caption_says_who_when_and_what() -> None:
    told = clip(
        1,
        action("feint", time_us=5_000_000),
        action("jab", time_us=5_500_000, outcome="missed"),
        action(
            "uppercut", "Jonas Brandt", time_us=5_900_000, target="body", outcome="landed", roles=("counter",)
        ),
        action("clinch", time_us=7_000_000),
        matches=((1, 2),),
    )
    assert who_and_when(told) == "Emeka Adeyemi v Jonas Brandt · round 2 · 1:23 left"
    assert what_happens(told) == "Adeyemi jab missed, Brandt counter uppercut to the body landed"


def test_what_nobody_said_is_told_as_inferred() -> None:
    """In captions, chapters, shot lists and lists alike: all of them are made of these words."""
    told = clip(1, action("jab", outcome="missed", inferred=("outcome",)), action("slip", "Jonas Brandt"))
    assert what_happens(told) == "Adeyemi jab missed (inferred), Brandt slips"


def test_namesakes_are_told_apart() -> None:
    told = clip(1, action("jab", "Ana Silva"), action("slip", "Rui Silva"))
    assert what_happens(told) == "Ana Silva jab, Rui Silva slips"


def test_a_part_knows_its_moments_and_span() -> None:
    told = clip(1, action("jab", time_us=4_500_000), action("hook", time_us=5_000_000), matches=((0, 1),))
    part = part_for(told, footage(400), Theme("jab"))
    assert (part.first, part.last, part.moments_us) == (100, 150, (4_500_000, 5_000_000))
    assert part.facts["fight"] == "Adeyemi v Brandt"
    # 25 frames a second: 4.5 s - 1 s is frame 87.5, so the first one from there is 88; 5 s + 2 s is 175.
    wide = part_for(told, footage(400), Theme("jab", lead_in_us=1_000_000, follow_through_us=2_000_000))
    assert (wide.first, wide.last) == (88, 175)


def test_only_left_handers_are_mirrored() -> None:
    """And a caption says that the picture is."""
    theme = Theme("jab", mirror="southpaw")
    for stance, mirrored in (("southpaw", True), ("orthodox", False), (None, False)):
        made = part_for(clip(1, action("jab", stance=stance)), footage(400), theme)
        assert made.treatment.mirror is mirrored
        assert made.caption[1].endswith("shown mirrored") is mirrored


def test_changes_for_one_clip() -> None:
    theme = theme_from(FULL.replace("first = 4210", "first = 121").replace("last = 4300", "last = 131"))
    other, changed = (part_for(clip(n), footage(400), theme) for n in (1, 12))
    assert other.treatment.slow is not None
    assert other.caption[0].startswith("Adeyemi v Brandt")
    assert changed.treatment.slow is None
    assert changed.treatment.freeze is not None
    assert changed.caption == ("Watch the rear hand", "it never comes back")
    assert (changed.first, changed.last, changed.treatment.mirror) == (121, 131, True)
    assert len(changed.treatment.drawings) == 1


def test_groups_for_chapter_cards() -> None:
    groups = [
        part_for(clip(1), footage(400), Theme("jab", chapters=by)).group for by in theme_module.CHAPTERS
    ]
    assert groups == ["", "Adeyemi v Brandt · 2024-05-11", "Round 2", "Emeka Adeyemi"]


def test_a_clip_that_was_not_cut_is_refused() -> None:
    with pytest.raises(InputError, match="no footage yet"):
        part_for(dataclasses.replace(clip(), start_frame=None), footage(400), Theme("jab"))


# --- themes of a folder -----------------------------------------------------------------------------------


def test_themes_rebuild_what_changed_and_nothing_else(tmp_path: Path) -> None:
    """Three themes over one footage; new clips come in, one theme is wrong."""
    themes, out, cache = (tmp_path / name for name in ("themes", "reels", "cache"))
    themes.mkdir()
    for name, phrase in (("a-jabs", "jab"), ("b-hooks", "hook"), ("c-wrong", "jab")):
        (themes / f"{name}.toml").write_text(
            f'phrase = "{phrase}"\n[picture]\ncards = false\n', encoding="utf-8"
        )
    (themes / "c-wrong.toml").write_text("frase = 1", encoding="utf-8")
    found = {"jab": [clip(1, start=10, length=12)], "hook": [clip(2, action("hook"), start=40, length=12)]}

    def make(theme: Theme, reel: Path) -> ReelReport:
        parts = [part_for(c, source("closed gop"), theme) for c in select(found[theme.phrase], theme)]
        return build(parts, reel, theme.settings, cache, only_if_changed=True)

    first = rebuild(themes, out, make)
    assert [one.said().partition(";")[2].strip() for one in first[:2]] == ["new", "new"]
    assert "did you mean “phrase”" in first[2].problem
    assert isinstance(rebuild_problem(first), InputError)
    assert sorted(p.name for p in out.iterdir()) == ["a-jabs.mp4", "b-hooks.mp4"]
    before = (out / "b-hooks.mp4").stat().st_mtime_ns
    found["jab"].append(clip(3, action("jab", "Jonas Brandt"), start=70, length=12))
    (themes / "c-wrong.toml").unlink()
    second = rebuild(themes, out, make)
    assert rebuild_problem(second) is None
    assert second[0].report is not None
    assert (second[0].report.made, second[0].report.reused) == (1, 1)
    assert second[0].said() == "a-jabs: 2 clips; added: Adeyemi v Brandt · round 2 · 1:23 left · Brandt jab"
    assert second[1].said() == "b-hooks: unchanged (1 clip)"
    assert (out / "b-hooks.mp4").stat().st_mtime_ns == before
    with pytest.raises(InputError, match="no theme"):
        rebuild(tmp_path / "nowhere", out, make)


# --- and back into a file ---------------------------------------------------------------------------------

shares = st.floats(0, 0.9).map(lambda x: round(x, 4))
seconds = st.integers(0, 60_000).map(lambda ms: ms * 1000)
slows = st.builds(
    Slow,
    st.fractions(Fraction(1, 20), Fraction(1), max_denominator=100),
    seconds,
    seconds,
    st.sampled_from(["muted", "stretched"]),
    st.integers(1, 10),
)
freezes = st.builds(
    Freeze, seconds.filter(lambda us: us >= 40_000), st.integers(-9, 9).map(lambda s: s * 1_000_000)
)
zooms = st.builds(
    Zoom,
    st.tuples(shares, shares, shares.map(lambda x: x + 0.1), shares.map(lambda x: x + 0.1)),
    seconds,
    seconds,
    st.sampled_from([(), ("slow",), ("slow", "freeze")]),
)
words = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30).filter(
    lambda t: t == t.strip()
)
drawings = st.builds(
    Drawing,
    st.sampled_from(["line", "arrow", "circle", "box"]),
    st.tuples(st.tuples(shares, shares), st.tuples(shares, shares)),
    st.none() | seconds,
    st.none() | seconds,
    st.sampled_from(["#ffd400", "red"]),
    st.sampled_from([0.006, 0.02]),
    st.just("") | words,
    st.sampled_from([(), ("freeze",)]),
)
changes = st.builds(
    theme_module.ClipChange,
    st.integers(1, 9999),
    st.none(),
    st.none() | st.integers(1, 9999),
    st.none() | st.tuples(words, words),
    st.none() | st.booleans(),
    st.none() | st.just(False) | slows,
    st.none() | st.just(False) | freezes,
    st.none() | st.just(False) | zooms,
    st.lists(drawings, max_size=2).map(tuple),
)
themes = st.builds(
    Theme,
    words,
    st.builds(
        ReelSettings,
        st.just("") | words,
        st.just("") | words,
        st.sampled_from(["standard", "phone"]),
        st.none() | st.just((640, 360)),
        st.none() | st.sampled_from([Fraction(25), Fraction(30000, 1001)]),
        st.booleans(),
        st.booleans(),
        st.booleans(),
        st.just(False),
        st.sampled_from(["cut", "fade"]),
    ),
    st.sampled_from(theme_module.ORDERS),
    st.just("none"),
    st.booleans(),
    st.none() | st.integers(1, 99),
    st.none() | seconds.filter(lambda us: us >= 100_000),
    st.none() | st.integers(1, 99),
    st.booleans(),
    st.none() | seconds,
    st.none() | seconds,
    st.sampled_from(theme_module.MIRRORS),
    st.builds(Treatment, st.none() | slows, st.none() | freezes, st.just(False), st.none() | zooms),
    st.lists(changes, max_size=2, unique_by=lambda c: c.id).map(tuple),
)


@given(themes)
def test_a_theme_written_and_read_is_the_same(theme: Theme) -> None:
    text = theme_text(theme)
    assert theme_from(text) == theme
    assert theme_text(theme_from(text)) == text


def test_the_documented_theme_survives_being_written() -> None:
    theme = theme_from(FULL)
    assert theme_from(theme_text(theme)) == theme
    assert theme_text(Theme("jab")) == 'phrase = "jab"\n'


def test_drawings_come_as_json_and_are_checked() -> None:
    drawing = Drawing("arrow", ((0.4, 0.5), (0.6, 0.4)), 70_200_000, None, text="eyes", shots=("freeze",))
    sent = json.loads(json.dumps([drawing_values(drawing)]))
    assert drawings_from(sent) == (drawing,)
    for wrong, said in (
        ("x", "list of drawings"),
        ([{"kind": "arow", "points": [[0, 0], [1, 1]]}], "did you mean arrow"),
        ([{"kind": "angle", "points": [[0, 0], [1, 1]]}], "takes 3 points"),
        ([{"kind": "line", "points": [[0, 0], [1, 9]]}], "share of the picture"),
        ([{"kind": "line", "points": [[0, 0], [1, 1]], "script": "x"}], "not a key"),
    ):
        with pytest.raises(ThemeError, match=said):
            drawings_from(wrong)


def test_numbers_where_tables_belong_are_one_mistake() -> None:
    with pytest.raises(ThemeError) as caught:
        theme_from('phrase = "jab"\nclips = [1, 2, 3]\n')
    assert str(caught.value).count("must be written as [[clips]]") == 1
