"""The demo fights: the footage shows what the logs say, and the logs tell the story their author meant."""

from __future__ import annotations

import hashlib
import itertools
from collections import defaultdict
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
import pytest

from cliplib.core.errors import Cancelled
from cliplib.core.models import Exchange, Settings
from cliplib.core.timebase import SECOND, format_time
from cliplib.fightfolder.reading import read_fight_folder
from cliplib.logs import read_log
from cliplib.relations import deriving
from cliplib.vocabulary import load_vocabulary
from cliplib.vocabulary.stance import switched
from fixtures import demo, framecode
from fixtures.demo import plan as planning
from fixtures.demo import render, sound
from fixtures.demo import script as scripts
from fixtures.demo.figure import Body, distance, mix
from fixtures.demo.moves import IMPACT
from fixtures.demo.stage import Stage

# Private parts: what the clock of the drawn films says is compared without reading it off pictures.

pytestmark = [pytest.mark.film, pytest.mark.xdist_group("demo fights")]

ALL = (*demo.NAMES, demo.SHORT)

# The author's own count of "counter to the body after a missed jab": see fixtures/fights/README.md.
STORY = {
    ("adeyemi-brandt", 1): ["landed", "landed", "landed"],
    ("adeyemi-brandt", 2): ["hurt", "blocked", "missed"],
    ("adeyemi-brandt", 3): ["partial"],
    ("morinaga-velankar", 1): ["landed", "landed"],
    ("morinaga-velankar", 2): ["landed", "blocked", "missed"],
    ("morinaga-velankar", 3): ["missed", "landed"],
    ("lautele-valcan", 1): ["landed"],
    ("brandt-morinaga", 1): ["landed", "blocked", "missed"],
    ("brandt-morinaga", 2): ["missed"],
    ("short-spar", 1): ["landed"],
    ("short-spar", 2): ["blocked"],
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The short fight, drawn once."""
    out = tmp_path_factory.mktemp("demo")
    assert demo.build(out, [demo.SHORT]) == [out / demo.SHORT]
    return out


def frames(path: Path) -> Iterator[av.VideoFrame]:
    with av.open(str(path)) as container:
        yield from container.decode(video=0)


def number(frame: av.VideoFrame) -> int | None:
    picture = np.asarray(frame.to_ndarray(format="gray"), dtype=np.uint8)
    return framecode.read(picture, demo.CODE_X, demo.CODE_Y, demo.CODE_CELL)


def listen(path: Path) -> npt.NDArray[np.float32]:
    """The sound's left channel at `sound.RATE`."""
    with av.open(str(path)) as container:
        resampler = av.AudioResampler(format="fltp", layout="stereo", rate=sound.RATE)
        pieces = [r.to_ndarray()[0] for f in container.decode(audio=0) for r in resampler.resample(f)]
    return np.concatenate(pieces)


# --- footage ----------------------------------------------------------------------------------------------


def test_frame_numbers_read_back_in_order(made: Path) -> None:
    script = scripts.read(demo.FIGHTS / demo.SHORT)
    numbers = [number(f) for f in frames(made / demo.SHORT / "fight.mp4")]
    assert numbers == list(range(25 * script.length // SECOND))


def test_footage_is_closed_two_second_groups_of_h264_with_aac(made: Path) -> None:
    with av.open(str(made / demo.SHORT / "fight.mp4")) as container:
        video, audio = container.streams.video[0], container.streams.audio[0]
        assert (video.codec_context.name, audio.codec_context.name) == ("h264", "aac")
        assert (video.average_rate, video.start_time) == (Fraction(25), 0)
        packets = [(p.pts, p.is_keyframe) for p in container.demux(video) if p.pts is not None]
        ticks = 2 / video.time_base if video.time_base else 0
    keys = [pts for pts, is_key in packets if is_key]
    assert keys == [k * ticks for k in range(len(keys))]
    # Closed: nothing decoded after a keyframe is shown before it.
    latest_key = 0
    for pts, is_key in packets:
        latest_key = pts if is_key else latest_key
        assert pts >= latest_key
    head = (made / demo.SHORT / "fight.mp4").read_bytes()[: 1 << 16]
    assert b"moov" in head  # the tables come first


def test_two_runs_give_the_same_pictures_and_sound(tmp_path: Path) -> None:
    hashes = []
    for run in ("one", "two"):
        folders = demo.build(tmp_path / run, ["brandt-morinaga"], seconds=3)
        digest = hashlib.sha256()
        for frame in frames(folders[0] / "fight.mp4"):
            digest.update(frame.to_ndarray(format="yuv420p").tobytes())
        digest.update(listen(folders[0] / "fight.mp4").tobytes())
        hashes.append(digest.hexdigest())
    assert hashes[0] == hashes[1]


def test_built_again_only_what_is_missing_is_drawn(made: Path) -> None:
    footage = made / demo.SHORT / "fight.mp4"
    log = made / demo.SHORT / "log.csv"
    before = footage.stat().st_mtime_ns, log.stat().st_mtime_ns
    demo.build(made, [demo.SHORT])
    assert (footage.stat().st_mtime_ns, log.stat().st_mtime_ns) == before
    log.write_text("spoilt")
    demo.build(made, [demo.SHORT])
    assert log.read_bytes() == (demo.FIGHTS / demo.SHORT / "log.csv").read_bytes()
    assert footage.stat().st_mtime_ns == before[0]


def test_a_stopped_build_leaves_nothing_half_drawn(tmp_path: Path) -> None:
    def stop(_stage: str, done: int, _total: int) -> None:
        if done:
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        demo.build(tmp_path, [demo.SHORT], stop)
    left = sorted(p.name for p in (tmp_path / demo.SHORT).iterdir())
    assert left == ["fight.toml", "log.csv"]


def test_an_unknown_fight_is_named(tmp_path: Path) -> None:
    with pytest.raises(KeyError, match="no demo fight “nobody”"):
        demo.build(tmp_path, ["nobody"])


# --- bell and clock ---------------------------------------------------------------------------------------


def band(samples: npt.NDArray[np.float32], at: float, length: float = 0.25) -> float:
    """Energy near the bell's partials, 1-3.2 kHz (common practice), in a stretch of sound."""
    piece = samples[round(at * sound.RATE) : round((at + length) * sound.RATE)]
    power = np.abs(np.fft.rfft(piece * np.hanning(len(piece)))) ** 2
    f = np.fft.rfftfreq(len(piece), 1 / sound.RATE)
    return float(sum(power[np.abs(f - partial) < 15].sum() for partial, _, _ in sound.PARTIALS))


def test_the_bell_is_heard_when_fight_toml_says(made: Path) -> None:
    info = read_fight_folder(made / demo.SHORT).info
    samples = listen(made / demo.SHORT / "fight.mp4")
    assert info.round_us is not None
    for start in info.round_starts_us:
        bell = start / SECOND
        assert band(samples, bell) > 50 * band(samples, bell - 0.35)
        assert band(samples, bell + info.round_us / SECOND) > 50 * band(samples, bell + 4.0)
    # One stroke opens a round: the energy only falls. Three close it: it comes back twice.
    bell, end = info.round_starts_us[0] / SECOND, (info.round_starts_us[0] + info.round_us) / SECOND
    levels = [[band(samples, at + k * 0.06, 0.06) for k in range(1, 20)] for at in (bell, end)]
    rises = [sum(b > 1.5 * a for a, b in itertools.pairwise(x)) for x in levels]
    assert rises == [0, 2]


@pytest.mark.parametrize("name", ALL)
def test_the_drawn_clock_agrees_with_fight_toml(name: str) -> None:
    script = scripts.read(demo.FIGHTS / name)
    info = read_fight_folder(demo.FIGHTS / name).info
    assert script.clock.starts_us == info.round_starts_us
    assert script.clock.round_us == info.round_us
    assert script.names == info.fighters
    assert info.round_us is not None
    whole = format_time(info.round_us, 0)
    for i, start in enumerate(info.round_starts_us):
        assert render._clock(script, start) == f"R{i + 1}  {whole}"
        assert render._clock(script, start + 1) == f"R{i + 1}  {whole}"
        assert render._clock(script, start + SECOND) == f"R{i + 1}  {format_time(info.round_us - SECOND, 0)}"
        assert not render._clock(script, start - 1).startswith("R1")
        if script.ends[i] == start + info.round_us:
            assert render._clock(script, script.ends[i] - 1) == f"R{i + 1}  0:01"
            assert not render._clock(script, script.ends[i]).startswith(f"R{i + 1} ")
    assert script.length > script.deeds[-1].time + 3 * SECOND


# --- what is seen -----------------------------------------------------------------------------------------


class Film:
    """Bodies of a fight, frame by frame, without drawing them."""

    def __init__(self, name: str) -> None:
        self.script = scripts.read(demo.FIGHTS / name)
        spec = render.spec_of(name)
        self.rate = float(spec.rate)
        stage = Stage(planning.plan(self.script, spec.seed))
        count = render.frame_count(self.script, spec)
        self.bodies = [stage.at(k / self.rate) for k in range(count)]

    def at(self, time: int, after: float) -> tuple[Body, Body]:
        return self.bodies[round((time / SECOND + after) * self.rate)]


@pytest.fixture(scope="module")
def films() -> dict[str, Film]:
    return {name: Film(name) for name in ALL}


def aside(before: Body, after: Body, other: Body) -> float:
    """How far the head went across the line to the opponent, metres; positive to the boxer's own left."""
    dx, dz = other.pelvis[0] - before.pelvis[0], other.pelvis[2] - before.pelvis[2]
    n = (dx * dx + dz * dz) ** 0.5
    mx, mz = after.head[0] - before.head[0], after.head[2] - before.head[2]
    return float((mz * dx - mx * dz) / n)


def test_punches_that_land_touch_and_punches_that_miss_do_not(films: dict[str, Film]) -> None:
    """A glove is 9 cm and a head 12 cm in radius, so contact is about 0.21 m between their middles."""
    seen: dict[str, list[float]] = defaultdict(list)
    for film in films.values():
        for deed in film.script.deeds:
            if not deed.is_punch:
                continue
            bodies = film.at(deed.time, IMPACT)
            other = bodies[1 - deed.who]
            mark = other.head if deed.target == "head" else mix(other.pelvis, other.neck, 0.5)
            gap = min(distance(glove, mark) for glove in bodies[deed.who].gloves)
            kind = "hit" if deed.outcome in ("landed", "hurt", "knockdown") else deed.outcome
            seen[kind].append(gap)
    assert max(seen["hit"]) < 0.34
    assert min(seen["missed"]) > 0.22
    assert np.median(seen["missed"]) > 2 * np.median(seen["hit"])


def test_a_punch_goes_out_and_comes_home(films: dict[str, Film]) -> None:
    for film in films.values():
        for deed in film.script.deeds:
            if deed.technique not in ("jab", "cross"):
                continue
            reach = [
                max(distance(b[deed.who].shoulders[s], b[deed.who].gloves[s]) for s in (0, 1))
                for b in (film.at(deed.time, t) for t in (-0.04, IMPACT))
            ]
            assert reach[1] > 0.40, (film.script.title, deed)


def test_slips_leave_the_line_to_the_side_the_log_says(films: dict[str, Film]) -> None:
    """Outside of a left-hand punch is his right, inside his left; of a right-hand punch the reverse."""
    count = 0
    for film in films.values():
        for i, deed in enumerate(film.script.deeds):
            if deed.technique != "slip":
                continue
            punch = film.script.deeds[i - 1]
            bell = max(b for b in film.script.clock.starts_us if b <= deed.time)
            stance: str | None = film.script.stances[punch.who]
            for d in film.script.deeds[:i]:
                if d.technique == "switch stance" and d.who == punch.who and d.time >= bell:
                    stance = switched(stance)
            left_hand = (punch.hand == "lead") == (stance == "orthodox")
            to_left = left_hand == (deed.manner == "inside")
            before, after = film.at(deed.time, -0.1), film.at(deed.time, 0.12)
            moved = aside(before[deed.who], after[deed.who], before[1 - deed.who])
            assert (moved if to_left else -moved) > 0.2, (film.script.title, deed)
            count += 1
    assert count >= 10


@pytest.mark.parametrize(("technique", "drop"), [("duck", 0.25), ("roll", 0.25), ("slip", 0.10)])
def test_heads_go_under(films: dict[str, Film], technique: str, drop: float) -> None:
    for film in films.values():
        for deed in film.script.deeds:
            if deed.technique == technique:
                usual = float(np.median([bodies[deed.who].head[1] for bodies in film.bodies[::10]]))
                there = film.at(deed.time, 0.14)[deed.who].head[1]
                assert usual - there > drop, (film.script.title, deed)


def test_steps_out_and_back_leave_where_the_opponent_was(films: dict[str, Film]) -> None:
    for film in films.values():
        for deed in film.script.deeds:
            if deed.technique in ("step out", "step back"):
                before, after = film.at(deed.time, -0.1), film.at(deed.time, 0.25)
                opponent = before[1 - deed.who].pelvis
                gaps = [distance(b[deed.who].pelvis, opponent) for b in (before, after)]
                assert gaps[1] > gaps[0] + 0.12, (film.script.title, deed)


def test_the_floored_lie_and_others_stand(films: dict[str, Film]) -> None:
    downs = 0
    for film in films.values():
        for deed in film.script.deeds:
            if deed.outcome == "knockdown":
                bodies = film.at(deed.time, 1.6)
                assert bodies[1 - deed.who].head[1] < 0.4
                assert bodies[deed.who].head[1] > 1.3
                downs += 1
        first = film.at(film.script.clock.starts_us[0], 1.0)
        assert min(b.head[1] for b in first) > 1.3
    assert downs == 4


def test_stances_are_visible(films: dict[str, Film]) -> None:
    """An orthodox boxer has the left foot and shoulder nearer to the opponent, a southpaw the right."""
    for film in films.values():
        bodies = film.at(film.script.deeds[0].time, -0.3)
        for who, stance in enumerate(film.script.stances):
            other = bodies[1 - who].pelvis
            for left, right in (bodies[who].shoulders, bodies[who].toes):
                nearer_left = distance(left, other) < distance(right, other)
                assert nearer_left == (stance == "orthodox")


def test_a_switch_changes_the_leading_foot(films: dict[str, Film]) -> None:
    film = films["morinaga-velankar"]
    switch = next(d for d in film.script.deeds if d.technique == "switch stance")
    for after, leads_left in ((-0.2, True), (1.0, False)):
        bodies = film.at(switch.time, after)
        other = bodies[1 - switch.who].pelvis
        left, right = bodies[switch.who].toes
        assert (distance(left, other) < distance(right, other)) == leads_left


# --- logs -------------------------------------------------------------------------------------------------


def read_all(name: str) -> list[tuple[str, list[Exchange]]]:
    folder = read_fight_folder(demo.FIGHTS / name)
    vocabulary, settings = load_vocabulary(), Settings()
    out = []
    for source, path in zip(folder.info.logs, folder.log_files, strict=True):
        reading = read_log(path, folder.info, vocabulary, settings, file_label=source.file)
        assert [str(p) for p in reading.problems] == []
        out.append(
            (source.by, [deriving.derive(e, folder.info, settings, vocabulary) for e in reading.exchanges])
        )
    return out


def body_counters(exchanges: list[Exchange]) -> dict[int | None, list[str | None]]:
    """By round, the outcomes of punches to the body whose punch before is the opponent's missed jab."""
    vocabulary = load_vocabulary()
    found: dict[int | None, list[str | None]] = defaultdict(list)
    for exchange in exchanges:
        punches = [a for a in exchange.actions if vocabulary.is_punch(a.technique)]
        for before, after in itertools.pairwise(punches):
            missed_jab = before.technique == "jab" and before.outcome == "missed"
            if missed_jab and before.fighter != after.fighter and after.target == "body":
                assert "counter" in after.roles
                found[exchange.round].append(after.outcome)
    return found


@pytest.mark.parametrize("name", ALL)
def test_the_counter_comes_as_often_as_its_author_says(name: str) -> None:
    first = read_all(name)[0][1]
    assert dict(body_counters(first)) == {
        r: outcomes for (fight, r), outcomes in STORY.items() if fight == name
    }


def test_the_second_logger_disagrees_about_three() -> None:
    (by_one, one), (by_two, two) = read_all("adeyemi-brandt")
    assert (by_one, by_two) == ("JL", "MK")
    here, there = (list(itertools.chain(*body_counters(x).values())) for x in (one, two))
    assert len(here) == len(there) == 7
    assert [i for i in range(7) if here[i] != there[i]] == [2, 3, 6]


@pytest.mark.parametrize("name", ALL)
def test_the_footage_shows_what_the_log_reader_reads(name: str) -> None:
    """Two readers of the same rows, the drawing's own small one and cliplib's, agree on who did what."""
    script = scripts.read(demo.FIGHTS / name)
    exchanges = read_all(name)[0][1]
    vocabulary = load_vocabulary()
    ours = [d for d in script.deeds if d.is_punch]
    theirs = [a for e in exchanges for a in e.actions if vocabulary.is_punch(a.technique)]
    for mine, said in zip(ours, theirs, strict=True):
        assert (said.fighter, said.technique) == (script.names[mine.who], mine.technique)
        assert said.outcome == (mine.outcome or None)
        # An overhand is drawn with the rear hand; the reader does not guess it.
        assert said.hand in (mine.hand, None)
        assert said.target in (mine.target, None)
    assert sum(len(e.actions) for e in exchanges) == len(script.deeds)


def test_between_them_the_fights_show_the_trade() -> None:
    shown = {(d.technique, d.manner) for name in demo.NAMES for d in scripts.read(demo.FIGHTS / name).deeds}
    techniques = {t for t, _ in shown}
    assert techniques >= scripts.PUNCHES | scripts.EVASIONS | scripts.GUARDS
    assert techniques >= {
        "clinch",
        "smother",
        "frame",
        "trap",
        "push",
        "circle",
        "cut off the ring",
        "switch stance",
    }
    assert shown >= {
        ("slip", "inside"),
        ("slip", "outside"),
        ("feint", "hand"),
        ("feint", "foot"),
        ("feint", "level"),
    }
    places = {d.place for name in demo.NAMES for d in scripts.read(demo.FIGHTS / name).deeds}
    assert places >= {"ropes", "corner"}
