"""Starting ffmpeg: which one, what it may read, how it ends."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import ffmpeg as graphs
import pytest

from cliplib.core.errors import Cancelled, MediaError, StorageError
from cliplib.media import ffmpeg
from tests.media import footage


def pretend(folder: Path, script: str, name: str = "ffmpeg") -> Path:
    """A program of that name that runs `script` in a shell."""
    path = folder / name
    path.write_text("#!/bin/sh\n" + script)
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def pattern(seconds: int = 2, size: str = "160x90") -> Any:
    return graphs.input(f"testsrc2=size={size}:rate=25:duration={seconds}", format="lavfi")


# --- which --------------------------------------------------------------------------------------------


def test_a_configured_binary_comes_before_the_one_on_path(tmp_path, monkeypatch):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    configured, on_path = pretend(tmp_path / "a", "exit 0", "mine"), pretend(tmp_path / "b", "exit 0")
    monkeypatch.setenv("PATH", str(tmp_path / "b"))
    monkeypatch.delenv("CLIPLIB_FFMPEG", raising=False)
    assert ffmpeg.binary() == on_path
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(configured))
    assert ffmpeg.binary() == configured


def test_without_any_on_path_the_installed_one_is_used(tmp_path, monkeypatch):
    import imageio_ffmpeg

    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("CLIPLIB_FFMPEG", raising=False)
    assert ffmpeg.binary() == Path(imageio_ffmpeg.get_ffmpeg_exe())


def test_it_is_told_of_nobody_s_keys(tmp_path, monkeypatch):
    monkeypatch.setenv("SOMEBODYS_SECRET_KEY", "swordfish")
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(pretend(tmp_path, f"env > {tmp_path}/told")))
    ffmpeg.run(ffmpeg.output(pattern(), path=tmp_path / "out.mp4"))
    told = (tmp_path / "told").read_text()
    assert "PATH=" in told
    assert "swordfish" not in told


def test_another_path_is_another_search(tmp_path, monkeypatch):
    monkeypatch.delenv("CLIPLIB_FFMPEG", raising=False)
    usual = ffmpeg.binary()
    with monkeypatch.context() as elsewhere:
        elsewhere.setenv("PATH", str(tmp_path))
        mine = pretend(tmp_path, "exit 0")
        assert ffmpeg.binary() == mine != usual
    assert ffmpeg.binary() == usual


def test_a_configured_binary_that_is_not_there_is_an_error_that_names_the_variable(monkeypatch):
    monkeypatch.setenv("CLIPLIB_FFMPEG", "/nowhere/ffmpeg")
    with pytest.raises(MediaError, match="CLIPLIB_FFMPEG names “/nowhere/ffmpeg”"):
        ffmpeg.binary()


def test_what_a_binary_lacks_is_listed(tmp_path, monkeypatch):
    script = """case "$*" in
      *-version*) echo 'ffmpeg version 7.1-tiny Copyright';;
      *-encoders*) echo ' V....D mpeg4                MPEG-4'; echo ' A....D aac                  AAC';;
      *-filters*) echo ' ... scale             V->V       Scale'; echo ' T.. bwdif             V->V       D';;
    esac"""
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(pretend(tmp_path, script)))
    found = ffmpeg.capabilities()
    assert found.version == "7.1-tiny"
    assert found.encoders == {"mpeg4", "aac"}
    assert "encoder libx264" in found.missing
    assert "encoder aac" not in found.missing
    assert "filter bwdif" not in found.missing
    assert "filter aresample" in found.missing


def test_the_binary_in_use_lacks_nothing():
    assert ffmpeg.capabilities().missing == ()


# --- running ------------------------------------------------------------------------------------------


def test_progress_counts_frames_up_to_the_total(tmp_path):
    seen: list[tuple[str, int, int]] = []
    spec = ffmpeg.output(pattern(), path=tmp_path / "out.mp4", vcodec="libx264", preset="ultrafast")
    ffmpeg.run(spec, progress=lambda *a: seen.append(a), stage="test", total_frames=50)
    done = [d for _, d, _ in seen]
    assert done == sorted(done)
    assert seen[-1] == ("test", 50, 50)
    assert len(footage.numbers(tmp_path / "out.mp4", x=0, y=0, cell=4)) == 50


def test_progress_counts_microseconds_where_frames_are_not_known(tmp_path):
    seen: list[int] = []
    spec = ffmpeg.output(pattern(), path=tmp_path / "out.mp4", vcodec="libx264", preset="ultrafast")
    ffmpeg.run(spec, progress=lambda _, done, __: seen.append(done), total_us=2_000_000)
    assert 1_800_000 <= seen[-1] <= 2_000_000


def test_a_failure_carries_what_ffmpeg_said(tmp_path):
    spec = ffmpeg.output(pattern(), path=tmp_path / "out.mp4", vcodec="libx264", preset="unheard-of")
    with pytest.raises(MediaError, match=r"exit [1-9]\d*\):\n(.*\n)*.*unheard-of"):
        ffmpeg.run(spec)


def test_cancelling_stops_the_child_at_once(tmp_path):
    def stop(stage: str, done: int, total: int) -> None:
        if done:
            raise Cancelled("stopped")

    endless = ffmpeg.output(pattern(36000, "1280x720"), path=tmp_path / "out.mp4", vcodec="libx264")
    start = time.monotonic()
    with pytest.raises(Cancelled):
        ffmpeg.run(endless, progress=stop, total_frames=900_000)
    assert time.monotonic() - start < 20
    size = (tmp_path / "out.mp4").stat().st_size
    time.sleep(0.5)
    assert (tmp_path / "out.mp4").stat().st_size == size  # nobody writes any more


def test_cancelling_works_while_ffmpeg_says_nothing(tmp_path, monkeypatch):
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(pretend(tmp_path, "exec sleep 60")))
    calls = []

    def stop(*call: object) -> None:
        calls.append(call)
        if len(calls) == 3:
            raise Cancelled("stopped")

    start = time.monotonic()
    with pytest.raises(Cancelled):
        ffmpeg.run(ffmpeg.output(pattern(), path=tmp_path / "o.mp4"), progress=stop)
    assert time.monotonic() - start < 10


def test_a_child_that_takes_too_long_is_stopped(tmp_path, monkeypatch):
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(pretend(tmp_path, "exec sleep 60")))
    with pytest.raises(MediaError, match=r"after 0\.5 s"):
        ffmpeg.run(ffmpeg.output(pattern(), path=tmp_path / "o.mp4"), timeout=0.5)


def test_a_child_that_works_without_getting_further_is_stopped(tmp_path, monkeypatch):
    program = pretend(tmp_path, "while :; do :; done")
    monkeypatch.setattr(ffmpeg, "STALL_S", 0.3)
    with pytest.raises(MediaError, match="without getting any further"):
        ffmpeg.run_command([str(program)])
    program = pretend(tmp_path, "sleep 1", "slow")  # waiting is not working
    ffmpeg.run_command([str(program)])


def test_a_talkative_child_does_not_block(tmp_path, monkeypatch):
    # Well over the 64 KiB that a pipe holds, on both of its outputs.
    script = "i=0; while [ $i -lt 4000 ]; do echo 'frame=1 and some more words to fill it' >&2; "
    script += "echo 'frame=1'; i=$((i+1)); done; echo 'the last word' >&2; exit 3"
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(pretend(tmp_path, script)))
    with pytest.raises(MediaError, match="the last word"):
        ffmpeg.run(ffmpeg.output(pattern(), path=tmp_path / "o.mp4"), timeout=60)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, a disk that is always full")
def test_a_full_disk_is_a_storage_error():
    spec = graphs.output(pattern(), "file:/dev/full", format="rawvideo")
    with pytest.raises(StorageError, match="disk is full"):
        ffmpeg.run(spec)


@pytest.mark.skipif(shutil.which("setpriv") is None, reason="the system cannot tie a child to its parent")
def test_the_child_dies_with_a_killed_parent(tmp_path):
    out = tmp_path / "out.mp4"
    program = (
        "import ffmpeg as g; from pathlib import Path; from cliplib.media import ffmpeg\n"
        "s = g.input('testsrc2=size=640x360:rate=25', format='lavfi')\n"
        f"ffmpeg.run(ffmpeg.output(s, path=Path({str(out)!r}), vcodec='libx264'))\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", program], cwd=Path(__file__).parents[2])
    try:
        deadline = time.monotonic() + 30
        while not (out.exists() and out.stat().st_size) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert out.exists()
    finally:
        os.kill(parent.pid, signal.SIGKILL)
        parent.wait()
    time.sleep(0.3)
    size = out.stat().st_size
    time.sleep(1)
    assert out.stat().st_size == size


# --- what it reads ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:8,\nfile:{video}\n#EXT-X-ENDLIST\n",
        "ffconcat version 1.0\nfile '{video}'\n",
    ],
    ids=["playlist", "concat"],
)
def test_a_list_of_files_dressed_as_video_is_not_opened(tmp_path, text):
    dressed = tmp_path / "fight.mp4"
    dressed.write_text(text.format(video=footage.make("fragmented").path))
    spec = ffmpeg.output(ffmpeg.inputs(dressed), path=tmp_path / "out.mp4", vcodec="copy")
    with pytest.raises(MediaError, match=r"(?i)whitelist|invalid"):
        ffmpeg.run(spec)
    # An ffmpeg that was not told otherwise follows the same file, so it is the whitelist that bites.
    told = ["-f", "concat", "-safe", "0"] if "concat" in text else ["-f", "hls", "-allowed_extensions", "ALL"]
    command = [ffmpeg.binary(), "-nostdin", "-loglevel", "error", *told, "-i", dressed]
    followed = subprocess.run(
        [*command, "-c", "copy", tmp_path / "followed.ts"], capture_output=True, check=False
    )
    assert followed.returncode == 0, followed.stderr


def test_a_network_address_is_not_opened(tmp_path):
    spec = graphs.input("http://127.0.0.1:9/x.mp4", protocol_whitelist=ffmpeg.PROTOCOLS)
    with pytest.raises(MediaError, match="whitelist"):
        ffmpeg.run(ffmpeg.output(spec, path=tmp_path / "out.mp4"))


@pytest.mark.parametrize("name", ["-i.mp4", "a:b.mp4", "100%d [1].mp4", "Бой № 1.mp4", "it's 'quoted'.mp4"])
def test_names_are_names_whatever_they_look_like(tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    shutil.copy(footage.make("all intra").path, Path(name))
    spec = ffmpeg.output(ffmpeg.inputs(Path(name)), path=Path("out " + name), codec="copy")
    ffmpeg.run(spec)
    assert footage.numbers(tmp_path / ("out " + name)) == list(range(60))
