"""Takes: nothing that was acknowledged is lost, and what is sent is checked as hostile."""

from __future__ import annotations

import json
import random
import time
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from cliplib.breakdowns.plan import plan_take
from cliplib.breakdowns.take import TakeFolder, take_named, takes_in
from cliplib.breakdowns.voice import Voice, drift_of, gaps_in, voice_of
from cliplib.core.errors import InputError, NotFoundError
from tests.breakdowns import sessions

SHOTS = [("closed gop", 20, 150), ("open gop", 0, 120)]


def begun(tmp_path: Path) -> TakeFolder:
    session = sessions.Player(SHOTS).end()
    return TakeFolder.begin(tmp_path / "takes", "point", sessions.records(session))


def test_again_from_here(tmp_path: Path) -> None:
    take = begun(tmp_path)
    first = take.record(0, "audio/webm")
    take.put_picture(first, 0, [{"t": n * 1_000_000, "shot": 0, "frame": 20 + n} for n in range(10)])
    take.end(first, 10_000_000)
    second = take.record(4_500_000, "audio/webm")
    take.put_picture(second, 0, [{"t": 0, "shot": 1, "frame": 7}, {"t": 100_000, "sentence": 2}])
    take.end(second, 2_000_000)
    read = take.take()
    assert read.us == 6_500_000
    assert [(s.t, s.shot, s.frame) for s in read.samples[-2:]] == [(4_000_000, 0, 24), (4_500_000, 1, 7)]
    assert read.taps == ((4_600_000, 2),)
    # What was before is kept on the disk, and what came after it too.
    assert len(take.lines(first)) == 10
    third = take.record(1_000_000, "audio/webm")
    take.put_picture(third, 0, [{"t": 0, "shot": 0, "frame": 99}, {"t": 40_000, "sentence": 1}])
    assert [s.frame for s in take.take().samples] == [20, 99]


def test_sent_twice_and_too_early(tmp_path: Path) -> None:
    take = begun(tmp_path)
    number = take.record(0, "audio/webm;codecs=opus")
    assert take.put_sound(number, 0, 1_000_000, b"one") == 1
    assert take.put_sound(number, 0, 1_000_000, b"one") == 1
    with pytest.raises(InputError, match="came before piece 1"):
        take.put_sound(number, 2, 3_000_000, b"three")
    lines = [{"t": n, "shot": 0, "frame": n} for n in range(5)]
    assert take.put_picture(number, 0, lines[:3]) == 3
    assert take.put_picture(number, 1, lines[1:]) == 5
    with pytest.raises(InputError, match="came before line 5"):
        take.put_picture(number, 9, lines)
    assert [s.frame for s in take.take().samples] == [0, 1, 2, 3, 4]


@pytest.mark.parametrize(
    "line",
    [
        {"t": -1, "shot": 0, "frame": 0},
        {"t": 1, "shot": 2, "frame": 0},
        {"t": 1, "shot": 0, "frame": -4},
        {"t": float("nan"), "shot": 0, "frame": 0},
        {"t": 1, "shot": 0, "frame": 0, "speed": -1},
        {"t": 1, "shot": 0, "frame": 0, "speed": True},
        {"t": 1, "shot": 0, "frame": 0, "mirror": "left"},
        {"t": 1, "shot": 0, "frame": 0, "region": [0, 0, 2, 1]},
        {"t": 1, "shot": 0, "frame": 0, "region": "all"},
        {"t": 1, "drawing": "a", "values": {"kind": "star", "points": [[0, 0]]}},
        {"t": 1, "drawing": "", "values": {"kind": "text", "points": [[0, 0]], "text": "x"}},
        {"t": 1, "shot": 0},
        ["t", 1],
        "text",
    ],
)
def test_hostile_lines(tmp_path: Path, line: object) -> None:
    take = begun(tmp_path)
    number = take.record(0, "audio/webm")
    with pytest.raises(InputError):
        take.put_picture(number, 0, [{"t": 0, "shot": 0, "frame": 1}, line])  # type: ignore[list-item]
    assert take.lines(number) == []


def test_time_never_goes_back(tmp_path: Path) -> None:
    take = begun(tmp_path)
    number = take.record(0, "audio/webm")
    take.put_picture(number, 0, [{"t": 500, "shot": 0, "frame": 1}])
    with pytest.raises(InputError, match="goes back"):
        take.put_picture(number, 1, [{"t": 499, "shot": 0, "frame": 1}])


@pytest.mark.parametrize("name", ["../1", "1/../../x", "", "a" * 80, "2"])
def test_names_lead_nowhere_else(tmp_path: Path, name: str) -> None:
    take = begun(tmp_path)
    with pytest.raises(NotFoundError):
        take_named(take.folder.parent, name)


def test_a_power_cut_in_the_middle_of_a_line(tmp_path: Path) -> None:
    """At twenty random places a write stops: what was acknowledged before it is there, and it goes on."""
    rng = random.Random(8)
    for turn in range(20):
        take = begun(tmp_path / str(turn))
        number = take.record(0, "audio/webm")
        lines = [{"t": n * 1000, "shot": 0, "frame": n} for n in range(rng.randrange(1, 30))]
        take.put_picture(number, 0, lines)
        take.put_sound(number, 0, 1_000_000, b"piece")
        place = take.folder / str(number)
        for file in (place / "picture.jsonl", place / "sound.jsonl"):
            more = json.dumps({"t": 10**6, "shot": 0, "frame": 0})[: rng.randrange(1, 20)]
            file.write_bytes(file.read_bytes() + more.encode())
        read = take.take()
        assert [s.frame for s in read.samples] == list(range(len(lines)))
        assert len(read.recordings[0].pieces) == 1
        assert (
            take.put_picture(number, len(lines), [{"t": 1_500_000, "shot": 1, "frame": 3}]) == len(lines) + 1
        )
        assert take.put_sound(number, 1, 2_000_000, b"more") == 2
        assert take.take().samples[-1].frame == 3
        # A tab that was closed goes on with another recording, from where the last one ended.
        again = take.record(read.us, "audio/webm")
        assert again == 1


def test_a_piece_costs_the_same_however_many_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is stored with a piece, the lines before it are not read again, but for the last one."""
    take = begun(tmp_path)
    number = take.record(0, "audio/webm")
    for n in range(300):
        assert take.put_sound(number, n, n * 1_000_000, b"12345") == n + 1
    read: list[object] = []
    loads = json.loads
    monkeypatch.setattr("cliplib.breakdowns.take.json.loads", lambda text: read.append(text) or loads(text))
    assert take.put_sound(number, 300, 300_000_000, b"123") == 301
    assert len(read) == 1
    path = take.folder / str(number) / "sound.jsonl"
    assert loads(path.read_text().splitlines()[-1])["all"] == 1503


def test_a_take_begun_before_lines_said_how_much_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = begun(tmp_path)
    number = take.record(0, "audio/webm")
    path = take.folder / str(number) / "sound.jsonl"
    for n in range(2):
        take.put_sound(number, n, n, b"1234")
        path.write_text(path.read_text().replace(f',"all":{4 * n + 4}', ""))
    assert "all" not in path.read_text()
    monkeypatch.setattr("cliplib.breakdowns.take.MOST_SOUND", 11)
    assert take.put_sound(number, 2, 3, b"123") == 3
    with pytest.raises(InputError, match="more sound than a take can hold"):
        take.put_sound(number, 3, 4, b"1")
    assert [piece.bytes for piece in take.take().recordings[0].pieces] == [4, 4, 3]


def test_an_hour_and_five_thousand_scrubs(tmp_path: Path) -> None:
    """Data only. A take of an hour with 5,000 moves of the slider is planned frame by frame in seconds."""
    player = sessions.Player(SHOTS)
    rng = random.Random(2)
    for _ in range(5000):
        player.scrub(player.frame + rng.randrange(-20, 21))
        player.wait(720_000)
    session = player.end()
    take = sessions.store(session, tmp_path / "takes").take()
    assert take.us == 3600 * 1_000_000
    begun_at = time.process_time()
    plan = plan_take(take, sessions.film_shots(session), Fraction(25))
    assert len(plan) == 90_000
    for k in rng.sample(range(90_000), 200):
        assert plan.frame[k] == session.at(k * 40_000 + 20_000)[1]
    assert time.process_time() - begun_at < 120  # a bound against endless work, not a measurement
    assert [one.folder.name for one in takes_in(tmp_path / "takes")] == ["1"]


# --- sound ------------------------------------------------------------------------------------------------


def voice(tmp_path: Path, data: bytes, pieces: list[tuple[int, bytes]], us: int) -> Voice:
    take = begun(tmp_path)
    number = take.record(0, "audio/webm;codecs=opus")
    take.put_picture(number, 0, [{"t": 0, "shot": 0, "frame": 20}])
    for n, (clock, piece) in enumerate(pieces):
        take.put_sound(number, n, clock, piece)
    take.end(number, us)
    return voice_of(take.take(), tmp_path)


def heard(samples: np.ndarray) -> list[float]:
    loud = np.abs(samples[0])
    at = np.flatnonzero(loud > 0.3 * loud.max()) / sessions.RATE
    return [float(t) for t in at[np.concatenate(([True], np.diff(at) > 0.1))]]


def test_pieces_of_any_length(tmp_path: Path) -> None:
    """One large piece after a sleep that lost nothing, and pieces as they come, are the same sound."""
    clicks = [1.0, 4.0, 9.0]
    data = sessions.webm(sessions.clicks(12, clicks))
    whole = voice(tmp_path / "a", data, [(12_080_000, data)], 12_100_000)
    pieces = sessions.pieces_of(data, random.Random(1))
    parts = voice(tmp_path / "b", data, pieces, 12_100_000)
    assert not whole.notes
    assert not parts.notes
    for one in (whole, parts):
        assert heard(one.samples) == pytest.approx(clicks, abs=0.02)
        assert one.samples.shape[1] == 12_100_000 * 48 // 1000


def test_lost_sound_is_silence_of_its_length(tmp_path: Path) -> None:
    """The microphone was away from 5 s to 8 s of the clock: what follows comes 3 s later than its own count."""
    data = sessions.webm(sessions.clicks(10, [1.0, 4.0, 6.0, 9.0]))
    pieces = [(clock if clock < 5_200_000 else clock + 3_000_000, piece)
              for clock, piece in sessions.pieces_of(data, random.Random(1))]  # fmt: skip
    made = voice(tmp_path, data, pieces, 13_050_000)
    assert len(made.notes) == 1
    assert "3.0 s of sound were lost" in made.notes[0]
    assert heard(made.samples) == pytest.approx([1.0, 4.0, 9.0, 12.0], abs=0.07)


def test_late_is_not_lost() -> None:
    lags = [(n * 1_000_000, 50_000 + (n % 5 == 3) * 900_000) for n in range(40)]
    assert gaps_in(lags) == []
    assert drift_of(lags) == 0
    assert drift_of([(n * 1_000_000, 30_000 + n * 2_000) for n in range(61)]) == pytest.approx(
        120_000, rel=0.1
    )


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_sound_files_of_every_kind(tmp_path: Path, rate: int, channels: int) -> None:
    sound = sessions.clicks(3, [0.5, 2.0], rate=rate, channels=channels)
    take = begun(tmp_path)
    number = take.record(0, "audio/wav", given=True)
    take.put_sound(number, 0, 0, sessions.wav(sound, rate))
    made = voice_of(take.take(), tmp_path)
    assert made.us == pytest.approx(3_000_000, abs=2000)
    assert heard(made.samples) == pytest.approx([0.5, 2.0], abs=0.002)


def test_sound_that_is_none(tmp_path: Path) -> None:
    made = voice(tmp_path, b"", [(1_000_000, b"this is no sound at all")], 2_000_000)
    assert "cannot be used" in made.notes[0]
    assert not made.samples.any()
    assert made.us == 2_000_000
