"""Footage from anywhere: lists dressed as film, files that name other files or addresses.

That nothing else is read is seen from outside: the kernel reports every opening of a file that is watched
(inotify(7)), whichever process opens it, and a socket that listens would see any connection.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import socket
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cliplib import Library
from cliplib.media import ffmpeg
from tests.libraries import make_fight, toml
from tests.media import footage
from tests.trust.harmful import passed_for, tried, ways

_OPENED = 0x20  # IN_OPEN


@contextmanager
def watched(*paths: Path) -> Iterator[Callable[[], bool]]:
    """Whether any of the files was opened by anybody meanwhile."""
    libc = ctypes.CDLL(None, use_errno=True)
    fd = libc.inotify_init1(os.O_NONBLOCK)
    assert fd >= 0
    try:
        for path in paths:
            assert libc.inotify_add_watch(fd, os.fsencode(path), _OPENED) >= 0

        def opened() -> bool:
            try:
                return bool(os.read(fd, 1 << 16))
            except BlockingIOError:
                return False

        yield opened
    finally:
        os.close(fd)


@contextmanager
def listening() -> Iterator[tuple[int, Callable[[], bool]]]:
    """A port, and whether anybody connected to it."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)

        def connected() -> bool:
            try:
                server.accept()[0].close()
            except BlockingIOError:
                return False
            return True

        yield server.getsockname()[1], connected


linux = pytest.mark.skipif(sys.platform != "linux", reason="inotify is Linux's")


@linux
def test_the_watch_sees_an_opening(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("x")
    with watched(secret) as opened, listening() as (port, connected):
        assert not opened()
        assert not connected()
        subprocess.run(["cat", secret], check=True, capture_output=True)
        socket.create_connection(("127.0.0.1", port)).close()
        assert opened()
        assert connected()


# --- files that name other files --------------------------------------------------------------------------


def _with_reference(kind: bytes, content: bytes) -> bytes:
    """A QuickTime movie whose data reference (ISO/IEC 14496-12, 8.7.2) is another one."""
    data = footage.make("quicktime").path.read_bytes()
    at = data.index(b"url \0\0\0\1") - 4
    reference = struct.pack(">I4sI", 12 + len(content), kind, 0) + content
    moved = bytearray(data[:at] + reference + data[at + 12 :])
    for name in (b"dref", b"dinf", b"minf", b"mdia", b"trak", b"moov"):
        where = data.rindex(name, 0, at) - 4
        (size,) = struct.unpack(">I", moved[where : where + 4])
        moved[where : where + 4] = struct.pack(">I", size + len(reference) - 12)
    return bytes(moved)


def _alias(path: Path) -> bytes:
    """A Macintosh alias record, version 2, with the absolute path as item 2 and as item 18."""
    head = struct.pack(">4sHHH28sIH64s", b"", 0, 2, 0, b"\4disk", 0, 0, b"\6secret")
    head = head.ljust(150, b"\0")
    name = os.fsencode(path)
    items = b"".join(
        struct.pack(">HH", which, len(name)) + name + b"\0" * (len(name) % 2) for which in (2, 18)
    )
    record = head + items + struct.pack(">HH", 0xFFFF, 0)
    return record[:4] + struct.pack(">H", len(record)) + record[6:]


def _reference_movie(address: str) -> bytes:
    """A QuickTime movie that only says where the movie is (rmra, QuickTime File Format, "Reference Movies")."""

    def box(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I4s", 8 + len(content), name) + content

    target = os.fsencode(address) + b"\0"
    rdrf = box(b"rdrf", struct.pack(">I4sI", 0, b"url ", len(target)) + target)
    return box(b"ftyp", b"qt  \0\0\0\0qt  ") + box(b"moov", box(b"rmra", box(b"rmda", rdrf)))


def _linked_matroska(name: bytes) -> bytes:
    """Matroska that names the file that follows it (NextFilename, RFC 9559, 5.1.2.6), in the place of the
    name of the program that wrote it (WritingApp)."""
    data = footage.make("matroska").path.read_bytes()
    at = data.index(b"\x57\x41", data.index(b"\x15\x49\xa9\x66"))
    length = data[at + 2] & 0x7F
    assert len(name) <= length - 1, (length, name)
    named = b"\x3e\x83\xbb" + bytes([0x80 | (length - 1)]) + name.ljust(length - 1, b"\0")
    return data[:at] + named + data[at + 3 + length :]


def _mxf_elsewhere(address: str) -> bytes:
    """MXF whose header says that the essence lies elsewhere: a Network Locator (SMPTE ST 377-1, annex B) in
    the place of a fill item. The keys are from memory."""
    film = footage.cache() / "locator.mxf"
    if not film.exists():
        source = ffmpeg.inputs(footage.make("closed gop").path)
        made = film.with_suffix(f".{os.getpid()}.mxf")
        streams = (source["V:0"].filter("scale", 720, 576), source["a:0"])
        ffmpeg.run(ffmpeg.output(*streams, path=made, vcodec="mpeg2video", acodec="pcm_s16le"))
        made.replace(film)
    data = film.read_bytes()
    fill = bytes.fromhex("060e2b34 01010102 03010210 01000000")
    at = data.index(fill)
    length = int.from_bytes(data[at + 17 : at + 17 + (data[at + 16] & 0x7F)])
    whole = 17 + (data[at + 16] & 0x7F) + length
    text = address.encode("utf-16-be") + b"\0\0"
    items = struct.pack(">HH", 0x3C0A, 16) + bytes(range(16)) + struct.pack(">HH", 0x4001, len(text)) + text
    locator = bytes.fromhex("060e2b34 02530101 0d010101 01013200") + b"\x83" + len(items).to_bytes(3) + items
    left = whole - len(locator) - 20
    assert left >= 0, (whole, len(locator))
    return data[:at] + locator + fill + b"\x83" + left.to_bytes(3) + bytes(left) + data[at + whole :]


def _avi_elsewhere(secret: Path) -> bytes:
    """AVI in the form of old capture programs whose pictures were to lie in other files: the name where the
    pictures should be (a chunk of a kind for file names, in the list `movi`)."""
    data = footage.make("mpeg4 avi").path.read_bytes()
    at = data.index(b"movi") + 4
    name = os.fsencode(f"file:{secret}") + b"\0"
    name += b"\0" * (len(name) % 2)
    chunk = b"00fn" + struct.pack("<I", len(name)) + name
    return data[:at] + chunk + data[at + len(chunk) :]


def _cases(secret: Path, port: int) -> dict[str, bytes]:
    far = f"http://127.0.0.1:{port}/film.mp4"
    ts = footage.make("mpegts").path.read_bytes()
    list_of = "#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:9\n#EXTINF:8,\n{}\n#EXT-X-ENDLIST\n"
    return {
        "dref path": _with_reference(b"url ", os.fsencode(f"file://{secret}") + b"\0"),
        "dref name": _with_reference(b"url ", b"secret.mp4\0"),
        "dref address": _with_reference(b"url ", far.encode() + b"\0"),
        "dref alias": _with_reference(b"alis", _alias(secret)),
        "reference movie": _reference_movie(f"file://{secret}"),
        "reference movie far": _reference_movie(far),
        "matroska link": _linked_matroska(b"secret.mkv"),
        "playlist": list_of.format(f"file:{secret}").encode(),
        "playlist far": list_of.format(far).encode(),
        "playlist with a mark": b"\xef\xbb\xbf" + list_of.format(secret).encode(),
        "playlist after blanks": b"\r\n\n  " + list_of.format(secret).encode(),
        "playlist with bytes": list_of.format(secret).encode() + bytes(range(128, 256)) * 40,
        "playlist of keys": list_of.format(secret)
        .replace("#EXTINF", f'#EXT-X-KEY:METHOD=AES-128,URI="{far}"\n#EXTINF')
        .encode(),
        "playlist in a stream": ts[: 188 * 40] + list_of.format(secret).encode(),
        "concat": f"ffconcat version 1.0\nfile '{secret}'\n".encode(),
        "concat without its name": f"file '{secret}'\nfile '{far}'\n".encode(),
        "dash": f"<?xml version='1.0'?><MPD><Period><BaseURL>{far}</BaseURL></Period></MPD>".encode(),
        "smil": f"<smil><body><video src='{far}'/></body></smil>".encode(),
        "asx": f"<asx version='3.0'><entry><ref href='{far}'/></entry></asx>".encode(),
        "sdp": b"v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\n"
        b"m=video %d RTP/AVP 96\na=rtpmap:96 H264/90000\n" % port,
        "frameserver script": f'FFVideoSource("{secret}")\n'.encode(),
        "lavf address list": f"[playlist]\nFile1={far}\n".encode(),
        "mxf locator": _mxf_elsewhere(f"file://{secret}"),
        "mxf locator far": _mxf_elsewhere(far),
        "avi index elsewhere": _avi_elsewhere(secret),
    }


FILM = ("dref", "matroska", "mxf", "avi")
"""What these hold themselves may be shown."""
CASES = tuple(_cases(Path("/secret"), 1))


def _try_all(path: Path, folder: Path) -> list[str]:
    """Read it in every way that footage is read, as if it had passed for film before; what was said."""
    footing = passed_for(path)
    return [tried(path, way, folder) for way in ways(footing, folder)]


@linux
@pytest.mark.parametrize("case", CASES)
def test_nothing_else_is_read_on_a_files_account(tmp_path: Path, case: str) -> None:
    secret = tmp_path / "secret.mp4"
    shutil.copy(footage.make("closed gop").path, secret)
    linked = tmp_path / "secret.mkv"
    shutil.copy(footage.make("matroska").path, linked)
    with watched(secret, linked) as opened, listening() as (port, connected):
        path = tmp_path / "fight.mp4"
        path.write_bytes(_cases(secret, port)[case])
        said = _try_all(path, tmp_path)
        assert any(said) or case.startswith(FILM), "a list is no film"
        assert not opened(), "another file was opened"
        assert not connected(), "somebody was called"


@linux
@pytest.mark.parametrize("name", ["fight%03d.mp4", "fight%d.png", "fight*.png", "fight[0-9].png"])
def test_a_name_is_no_pattern(tmp_path: Path, name: str) -> None:
    """Of pictures in a row, one file each (ffmpeg's own way of naming them, and the shell's)."""
    others = [
        tmp_path / name.replace("%03d", "001").replace("%d", "1").replace("*", "7").replace("[0-9]", "7")
    ]
    shutil.copy(footage.make("closed gop").path, others[0])
    path = tmp_path / name
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(4000))
    with watched(*others) as opened:
        said = _try_all(path, tmp_path)
        assert any(said)
        assert not opened()


@linux
@pytest.mark.parametrize("case", ["playlist", "concat"])
def test_without_our_limits_it_would_be(tmp_path: Path, case: str) -> None:
    """The same files, and an ffmpeg that was told nothing: so it is the limits that hold."""
    secret = tmp_path / "secret.ts"
    shutil.copy(footage.make("mpegts").path, secret)
    with watched(secret) as opened, listening() as (port, _):
        path = tmp_path / "fight.mp4"
        path.write_bytes(_cases(secret, port)[case])
        told = (
            ["-f", "concat", "-safe", "0"]
            if case == "concat"
            else ["-f", "hls", "-allowed_extensions", "ALL"]
        )
        command = [ffmpeg.binary(), "-nostdin", *told, "-i", path, "-c", "copy", "-f", "null", "-"]
        subprocess.run(command, capture_output=True, check=False, timeout=60)
        assert opened()


# --- fight folders that lead elsewhere --------------------------------------------------------------------


def _ingested(fight: Path, root: Path, **settings: str) -> Library:
    root.mkdir(exist_ok=True)
    (root / "settings.toml").write_text("".join(f"{k} = {v}\n" for k, v in settings.items()))
    library = Library(root, create=True)
    library.logging.ingest([fight])
    return library


@linux
@pytest.mark.parametrize(
    "named",
    [
        "../secret.mp4", "{secret}", "link.mp4", "inner/secret.mp4", "file:{secret}", "concat:{secret}|{secret}",
        "subfile,,start,0,end,0,,:{secret}", "http://127.0.0.1:{port}/secret.mp4", "tcp://127.0.0.1:{port}",
        "|cat {secret}", "pipe:0", "fight.mp4/../../secret.mp4", "sub/fight.mp4", "nowhere.mp4",
    ],
)  # fmt: skip
@pytest.mark.parametrize("rooted", [False, True])
def test_a_fight_folder_reads_nothing_outside(tmp_path: Path, named: str, rooted: bool) -> None:
    """Also where the owner listed a folder of footage: a link in it leads no further than it."""
    secret = tmp_path / "secret.mp4"
    shutil.copy(footage.make("closed gop").path, secret)
    fight, films = tmp_path / "fights" / "one", tmp_path / "films"
    make_fight(fight, kind=None)
    films.mkdir()
    (fight / "sub").mkdir()
    for link in (fight / "link.mp4", fight / "sub" / "nowhere.mp4", films / "nowhere.mp4"):
        link.symlink_to(secret)
    (fight / "inner").symlink_to(tmp_path)
    (fight / "sub" / "fight.mp4").symlink_to(Path("../../../secret.mp4"))
    more = {"footage_roots": f'["{films}"]'} if rooted else {}
    with watched(secret) as opened, listening() as (port, connected):
        (fight / "fight.toml").write_text(toml(file=named.format(secret=secret, port=port)))
        library = _ingested(tmp_path / "fights", tmp_path / "library", **more)
        library.care.check(deep=True, repair=True)
        library.close()
        assert not opened(), "a file outside was opened"
        assert not connected(), "somebody was called"
    assert not list((tmp_path / "library" / "clips").rglob("*.mp4"))


@linux
def test_footage_that_moved_is_not_sought_through_links(tmp_path: Path) -> None:
    """The same film lies outside, and a link of the fight folder leads to it."""
    fight = make_fight(tmp_path / "fights" / "one")
    root = tmp_path / "library"
    _ingested(fight, root).close()
    outside = tmp_path / "outside.mp4"
    (fight / "fight.mp4").rename(outside)
    (fight / "other.mp4").symlink_to(outside)
    with watched(outside) as opened:
        library = _ingested(fight, root)
        library.care.check(deep=True, repair=True)
        assert not opened()
    (fight / "other.mp4").unlink()
    shutil.copy(outside, fight / "other.mp4")
    library.care.check(repair=True)
    footage_now = library.desk.catalogue.footage(1)
    assert footage_now is not None
    assert footage_now.path == fight / "other.mp4"


@linux
@pytest.mark.parametrize("name", ["fight.toml", "log.csv"])
def test_logs_and_fight_toml_are_in_the_folder_itself(tmp_path: Path, name: str) -> None:
    """What is wrong with a file is shown with its line, which must not be a line of somebody's letters."""
    fight = make_fight(tmp_path / "fights" / "one", kind=None)
    secret = tmp_path / "letters.txt"
    secret.write_text("dear diary = \n")
    (fight / name).unlink()
    (fight / name).symlink_to(secret)
    library = Library(tmp_path / "library", create=True)
    with watched(secret) as opened:
        report = library.logging.ingest([tmp_path / "fights"])
        assert not opened()
    assert report.exit_code == 2
    assert "diary" not in "\n".join(report.fights[0].problems)


def test_devices_are_no_footage(tmp_path: Path) -> None:
    """Endless ones too, and even where everything may be read."""
    fight = make_fight(tmp_path / "fights" / "one", kind=None)
    for place in ("/dev/zero", "/dev/stdin", "/proc/kmsg"):
        (fight / "fight.toml").write_text(toml(file=place))
        library = _ingested(fight, tmp_path / "library", footage_roots='["/"]')
        assert library.desk.catalogue.footage(1) is None
        library.close()
