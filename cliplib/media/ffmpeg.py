"""The one place that starts ffmpeg: which binary, what it may read, how it reports and how it is stopped.

Graphs are ffmpeg-python specs: `inputs(path)` opens footage, `output(...)` ends a graph, `run(spec)` runs it.
Footage comes from strangers, so a child reads local files only, takes containers of moving pictures only (a
playlist or concat file dressed as video is refused), gets no standard input, may use `MEMORY_LIMIT` bytes of
address space and `STALL_S` seconds of processor time without getting further, may write no longer file than
was allowed, and dies with its parent where the system can arrange that.
"""

from __future__ import annotations

import contextlib
import functools
import os
import queue
import re
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import ffmpeg

from cliplib.core.errors import MediaError, StorageError
from cliplib.core.progress import Progress, silent
from cliplib.media.surroundings import environment

FORMATS = (
    "mov,mp4,matroska,webm,mpegts,mpeg,avi,asf,flv,mxf,mxf_opatom,gxf,ogg,dv,nut,wtv,rm,ivf,h264,hevc,m4v,"
    "mpegvideo,vc1,av1,obu,yuv4mpegpipe,gif"
)
"""Demuxers that read one file and nothing beside it: no playlists, no concat, no image sequences."""

SOUND_FORMATS = FORMATS + ",wav,w64,mp3,flac,aac,aiff,caf,amr"
"""The same, and those of sound alone."""

PROTOCOLS = "file"
MEMORY_LIMIT = 8 << 30
"""Address space of a child in bytes: ample for decoding and encoding 4K, and an end to a runaway."""

STALL_S = 300.0
"""Seconds of processor time that a child may use between two signs of progress. Not of the clock: a slow disk
or a busy machine is no fault of the footage."""

NEEDED_ENCODERS = ("libx264", "aac")
NEEDED_FILTERS = ("bwdif", "scale", "format", "aresample", "setpts")

_LONG, _TOO_LONG = ("File too large",), getattr(signal, "SIGXFSZ", 25)
_DISK = ("No space left on device", "Disk quota exceeded", "Read-only file system")


@functools.cache
def _find(configured: str | None, search_path: str | None) -> Path:
    if configured:
        found = shutil.which(configured, path=search_path)
        if found is None:
            raise MediaError(
                f"CLIPLIB_FFMPEG names “{configured}”, which is not a program that can be run; "
                "correct it, or unset it to use the ffmpeg on PATH or the one that was installed along"
            )
        return Path(found)
    on_path = shutil.which("ffmpeg", path=search_path)
    if on_path is not None:
        return Path(on_path)
    try:
        import imageio_ffmpeg

        return Path(imageio_ffmpeg.get_ffmpeg_exe())
    except (ImportError, RuntimeError) as problem:
        raise MediaError(
            "no ffmpeg was found: put one on PATH, name one in CLIPLIB_FFMPEG, "
            "or `pip install imageio-ffmpeg`"
        ) from problem


def binary() -> Path:
    """`CLIPLIB_FFMPEG`, else the ffmpeg on `PATH`, else imageio-ffmpeg's; MediaError if there is none."""
    return _find(os.environ.get("CLIPLIB_FFMPEG") or None, os.environ.get("PATH"))


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What a binary can do. `missing`: what cliplib needs and it lacks (`encoder libx264`, ...)."""

    path: Path
    version: str
    encoders: frozenset[str]
    filters: frozenset[str]
    missing: tuple[str, ...]


def capabilities() -> Capabilities:
    """Asked of the binary once a process."""
    return _capabilities(binary())


def version() -> str:
    """What the binary calls its version; of one that somebody built, it can be anything. Asked once."""
    return _version(binary())


@functools.cache
def _capabilities(path: Path) -> Capabilities:
    encoders = frozenset(re.findall(r"^ [VAS][.\w]{5} (\S+)", _ask(path, "-encoders"), re.MULTILINE))
    filters = frozenset(re.findall(r"^ [.\w]{2,3} (\S+) +\S+->", _ask(path, "-filters"), re.MULTILINE))
    missing = [f"encoder {name}" for name in NEEDED_ENCODERS if name not in encoders]
    missing += [f"filter {name}" for name in NEEDED_FILTERS if name not in filters]
    return Capabilities(path, _version(path), encoders, filters, tuple(missing))


@functools.cache
def _version(path: Path) -> str:
    said = re.search(r"ffmpeg version (\S+)", _ask(path, "-version"))
    return said[1] if said else "unknown"


def _ask(path: Path, question: str) -> str:
    try:
        done = subprocess.run(
            [path, "-hide_banner", "-nostdin", question],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=30,
            check=True,
            env=environment(),
        )
    except (OSError, subprocess.SubprocessError) as problem:
        raise MediaError(f"{path} does not run as ffmpeg: {problem}") from problem
    return done.stdout.decode("utf-8", "replace")


def local(path: Path) -> str:
    """`path` as ffmpeg should be given it: absolute, and never taken for a protocol or an option."""
    return "file:" + os.path.abspath(path)


def inputs(path: Path, **options: Any) -> Any:
    """An ffmpeg-python input of footage. `options` are input options (`ss`, `r`, ...)."""
    return ffmpeg.input(local(path), protocol_whitelist=PROTOCOLS, format_whitelist=FORMATS, **options)


def output(*streams: Any, path: Path, **options: Any) -> Any:
    """An ffmpeg-python output to a local file; `options` are output options (`vcodec`, `crf`, ...)."""
    return ffmpeg.output(*streams, local(path), **options)


def run(
    spec: Any,
    *,
    progress: Progress = silent,
    stage: str = "encoding",
    total_us: int | None = None,
    total_frames: int | None = None,
    timeout: float | None = None,
    most_bytes: int | None = None,
) -> str:
    """Run an ffmpeg-python spec to its end; returns what ffmpeg said (its standard error).

    An existing output is overwritten: give a temporary name and `os.replace` it. `progress` is called several
    times a second with frames done of `total_frames`, or else microseconds of `total_us`; whatever it raises
    (`Cancelled`) stops ffmpeg first. `timeout` is in seconds. `most_bytes`: no file may become longer.

    Raises MediaError with the tail of ffmpeg's own words, StorageError when the disk is full or read-only.
    """
    command = [str(binary()), "-hide_banner", "-nostdin", "-nostats", "-loglevel", "warning"]
    command += ["-progress", "pipe:1", "-stats_period", "0.2", *ffmpeg.get_args(spec, overwrite_output=True)]
    return run_command(
        command,
        progress=progress,
        stage=stage,
        total_us=total_us,
        total_frames=total_frames,
        timeout=timeout,
        most_bytes=most_bytes,
    )


def run_command(
    command: list[str],
    *,
    progress: Progress = silent,
    stage: str = "encoding",
    total_us: int | None = None,
    total_frames: int | None = None,
    timeout: float | None = None,
    most_bytes: int | None = None,
) -> str:
    """`run` for a finished command line that writes ffmpeg's `-progress` to its standard output."""
    key, total = ("frame", total_frames) if total_frames else ("out_time_us", total_us or 0)
    deadline = None if timeout is None else time.monotonic() + timeout
    done, reached, allowed = 0, 0, STALL_S
    # Standard error goes to a file: a pipe that nobody empties stops the child once it is full.
    with tempfile.TemporaryFile() as words:
        with _child(command, words, most_bytes) as child:
            assert child.stdout is not None
            for line in _lines(child.stdout):
                name, _, value = line.partition("=")
                if name == key and value.strip().isdigit() and int(value) > reached:
                    reached = int(value)
                    done = min(reached, total or reached)
                    allowed = _processor_time(child.pid) + STALL_S
                progress(stage, done, total or 0)
                if name in ("", "progress") and _processor_time(child.pid) > allowed:
                    raise MediaError(
                        f"ffmpeg was stopped: it worked for {STALL_S:g} s without getting any further, so "
                        "the file is damaged or made to do so; convert it elsewhere first"
                    )
                if deadline is not None and time.monotonic() > deadline:
                    raise MediaError(f"ffmpeg was stopped after {timeout:g} s without coming to an end")
            code = child.wait()
        words.seek(0)
        said = words.read().decode("utf-8", "replace")
    if code:
        raise _failure(code, said)
    return said


@contextlib.contextmanager
def _child(command: list[str], words: IO[bytes], most_bytes: int | None) -> Iterator[subprocess.Popen[str]]:
    try:
        child = subprocess.Popen(
            [*_die_with_parent(), *command],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=words,
            text=True,
            # A terminal's Ctrl-C is for the parent, which stops the child when it has to.
            start_new_session=True,
            env=environment(),
        )
    except OSError as problem:
        raise MediaError(f"ffmpeg could not be started: {problem}") from problem
    try:
        _limit(child.pid, most_bytes)
        yield child
    finally:
        if child.poll() is None:
            child.kill()
        child.wait()
        if child.stdout is not None:
            child.stdout.close()


def _lines(stream: IO[str]) -> Iterator[str]:
    """The lines of a pipe as they come, and an empty one a fifth of a second when none comes."""
    lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()

    def read() -> None:
        # ValueError: the pipe was closed under us after the child was killed.
        with contextlib.suppress(ValueError, OSError):
            for line in stream:
                lines.put(line)
        lines.put(None)

    threading.Thread(target=read, daemon=True).start()
    while True:
        try:
            line = lines.get(timeout=0.2)
        except queue.Empty:
            yield ""
            continue
        if line is None:
            return
        yield line


def _processor_time(pid: int) -> float:
    """Seconds that a process has used so far; 0 where the system does not tell (proc(5))."""
    try:
        with open(f"/proc/{pid}/stat", "rb") as file:
            fields = file.read().rpartition(b") ")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError):
        return 0.0


@functools.cache
def _die_with_parent() -> tuple[str, ...]:
    """A prefix that makes the kernel kill the child when we are killed; empty where there is no such thing.

    Done by a program and not by `preexec_fn`, which is unsafe once there are threads.
    """
    setpriv = shutil.which("setpriv")
    if setpriv is None:
        return ()
    prefix = (setpriv, "--pdeathsig", "KILL", "--")
    try:
        works = subprocess.run([*prefix, "true"], capture_output=True, timeout=10).returncode == 0
    except (OSError, subprocess.SubprocessError):
        return ()
    return prefix if works else ()


def _limit(pid: int, most_bytes: int | None) -> None:
    try:
        import resource
    except ImportError:  # not a Unix
        return
    limits = {resource.RLIMIT_AS: MEMORY_LIMIT, resource.RLIMIT_CORE: 0}
    if most_bytes is not None:
        limits[resource.RLIMIT_FSIZE] = most_bytes
    for which, limit in limits.items() if hasattr(resource, "prlimit") else ():
        # The child may have ended already, or a lower limit be in force: neither is a failure.
        with contextlib.suppress(OSError, ValueError):
            there = resource.prlimit(pid, which)[0]
            least = limit if there == resource.RLIM_INFINITY else min(limit, there)
            resource.prlimit(pid, which, (least, least))


def _failure(code: int, said: str) -> MediaError | StorageError:
    if any(sign in said for sign in _DISK):
        return StorageError(
            "ffmpeg could not write its output: the disk is full or read-only; make room and run it again\n"
            + tail(said, 3)
        )
    if any(sign in said for sign in _LONG) or code == -_TOO_LONG:
        return MediaError(
            "ffmpeg was stopped: it wrote a longer file than the footage can need, so the footage is damaged "
            "or made to do so; convert it elsewhere first"
        )
    how = f"was killed by signal {-code}" if code < 0 else f"failed (exit {code})"
    return MediaError(f"ffmpeg {how}:\n{tail(said)}")


def tail(said: str, lines: int = 8) -> str:
    """ffmpeg's words, indented, without repetitions: the first two lines, where the cause often is, and the
    last ones, `lines` in all."""
    kept: list[str] = []
    for line in said.splitlines():
        text = line.strip()
        if text and (not kept or kept[-1] != text) and not text.startswith("Last message repeated"):
            kept.append(text)
    if len(kept) > lines:
        kept = [*kept[:2], "...", *kept[-(lines - 2) :]]
    return "\n".join("    " + line[:300] for line in kept) or "    (it said nothing)"
