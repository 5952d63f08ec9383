"""What is written beside a finished film, and a folder that plays in a browser without the library, packed or
not."""

from __future__ import annotations

import hashlib
import html
import io
import json
import os
import shutil
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import BinaryIO

from cliplib.breakdowns import papers
from cliplib.breakdowns.counts import Recounts
from cliplib.breakdowns.document import Breakdown, Point
from cliplib.breakdowns.film import FilmPlan
from cliplib.breakdowns.sheet import write_script
from cliplib.breakdowns.timeline import edl_text, timeline_text
from cliplib.breakdowns.voice import voice_of
from cliplib.core.errors import InputError
from cliplib.core.progress import Progress, silent
from cliplib.core.version import __version__
from cliplib.media.files import replacing
from cliplib.media.joining import write_wave
from cliplib.reels.plan import CAUTIONS

MANIFEST = "manifest.json"
VOICES = "voice"
_PIECE = 1_000_000


def write_beside(
    document: Breakdown,
    plan: FilmPlan,
    recounts: Recounts,
    folder: Path,
    work: Path,
    progress: Progress = silent,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Description, captions, sources, script, voices and timelines; (files, what is not as one might
    expect)."""
    voices = _voices(plan, folder, work, progress)
    texts = {
        "description.txt": papers.description(plan, [p.text for p in document.about], recounts),
        "captions.vtt": papers.captions(plan),
        "sources.csv": papers.sources_csv(plan),
        "sources.txt": papers.sources_text(plan),
    }
    notes: list[str] = []
    try:
        texts |= {"timeline.otio": timeline_text(plan, voices), "timeline.edl": edl_text(plan)}
    except InputError as problem:  # an extra that isn't installed is no reason to go without the film
        notes.append(str(problem))
    for name, text in texts.items():
        with replacing(folder / name) as temporary:
            temporary.write_text(text, encoding="utf-8", newline="")
    files = [folder / name for name in texts]
    try:
        with replacing(folder / "script.pdf") as temporary:
            notes += [f"script.pdf: {said}" for said in [write_script(document, temporary)] if said]
        files.append(folder / "script.pdf")
    except InputError as problem:
        notes.append(str(problem))
    return (*files, *voices.values()), tuple(notes)


def _voices(plan: FilmPlan, folder: Path, work: Path, progress: Progress) -> dict[str, Path]:
    """The voice of each point as a WAV file on the point's clock; those that are no longer used are
    removed."""
    found: dict[str, Path] = {}
    for _, part, point in plan.placed():
        if point.take is None or not part.voice_digest or part.plan is None or not part.plan.spoken:
            continue
        out = folder / VOICES / f"{point.key}-{part.voice_digest[:8]}.wav"
        if not out.is_file():
            progress("writing the voice", 0, 0)
            voice = voice_of(point.take, work, progress)
            out.parent.mkdir(parents=True, exist_ok=True)
            with replacing(out) as temporary:
                write_wave(temporary, voice.samples)
        found[point.key] = out
    for old in (folder / VOICES).glob("*.wav") if (folder / VOICES).is_dir() else ():
        if old not in found.values():
            old.unlink(missing_ok=True)
    return found


def write_folder(
    document: Breakdown,
    plan: FilmPlan,
    film: Path,
    beside: Sequence[Path],
    folder: Path,
    progress: Progress = silent,
) -> tuple[str, ...]:
    """A folder with a page, the film and all that lies beside it; the names in it. One that was there is
    replaced when the new one is whole; any other folder or file is refused."""
    if folder.exists() and not _ours(folder):
        raise InputError(f"{folder} is there and is no bundle of ours; give the name of a new folder")
    building = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    shutil.rmtree(building, ignore_errors=True)
    contents = _contents(document, plan, film, beside)
    try:
        building.mkdir(parents=True)
        for name, chunks in _read(contents, progress):
            (building / name).parent.mkdir(exist_ok=True)
            with (building / name).open("wb") as file:
                file.writelines(chunks)
        if folder.exists():
            shutil.rmtree(folder)
        os.replace(building, folder)
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return tuple(contents)


def pack_folder(
    document: Breakdown,
    plan: FilmPlan,
    film: Path,
    beside: Sequence[Path],
    out: Path,
    title: str,
    progress: Progress = silent,
) -> None:
    """The same in one ZIP file, as a folder called `title`; not made smaller, as film cannot be."""
    contents = _contents(document, plan, film, beside)
    with replacing(out) as temporary, zipfile.ZipFile(temporary, "w", zipfile.ZIP_STORED) as packed:
        for name, chunks in _read(contents, progress):
            with packed.open(f"{title}/{name}", "w", force_zip64=True) as file:
                for chunk in chunks:
                    file.write(chunk)


def _contents(
    document: Breakdown, plan: FilmPlan, film: Path, beside: Sequence[Path]
) -> dict[str, Path | bytes]:
    """What is in the folder, by name: where each file is, or what it says. The manifest comes last."""
    found: dict[str, Path | bytes] = {
        path.name if path.parent.name != VOICES else f"{VOICES}/{path.name}": path for path in (film, *beside)
    }
    found["breakdown.md"] = document.text.encode("utf-8", "surrogatepass")
    found["index.html"] = page(document, plan, film.name).encode()
    found = dict(sorted(found.items()))
    return {**found, MANIFEST: _manifest(plan, found).encode()}


def _read(contents: Mapping[str, Path | bytes], progress: Progress) -> Iterator[tuple[str, Iterator[bytes]]]:
    """Each name with its bytes, in pieces; `progress` counts megabytes."""
    total, done = sum(map(_size, contents.values())), 0

    def pieces(source: Path | bytes) -> Iterator[bytes]:
        nonlocal done
        with _opened(source) as file:
            while piece := file.read(_PIECE):
                progress("writing the folder", done // _PIECE, -(-total // _PIECE))
                yield piece
                done += len(piece)

    for name, source in contents.items():
        yield name, pieces(source)


def _opened(source: Path | bytes) -> BinaryIO:
    return io.BytesIO(source) if isinstance(source, bytes) else source.open("rb")


def _size(source: Path | bytes) -> int:
    return len(source) if isinstance(source, bytes) else source.stat().st_size


def _ours(folder: Path) -> bool:
    try:
        made = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        return str(made["made_by"]).startswith("cliplib") and "points" in made
    except (OSError, ValueError, LookupError, TypeError):
        return False


def _manifest(plan: FilmPlan, contents: Mapping[str, Path | bytes]) -> str:
    listed = []
    for name, source in contents.items():
        with _opened(source) as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
        listed.append({"file": name, "bytes": _size(source), "sha256": digest})
    said = {
        "made_by": f"cliplib {__version__}",
        "title": plan.title,
        "points": [point.heading for point in plan.points],
        "frames": plan.frames,
        "rate": str(plan.encoding.rate),
        "please_note": list(CAUTIONS[1:]),
        "files": listed,
    }
    return json.dumps(said, indent=2, ensure_ascii=False)


def page(document: Breakdown, plan: FilmPlan, film: str) -> str:
    """One HTML page that needs nothing but the film beside it: captions are in it, as browsers read no
    caption file from a folder."""
    cues = [
        [round(float(cue.start), 3), round(float(cue.end), 3), "\n".join(cue.lines)]
        for point in papers.cues_of(plan)
        for cue in point.cues
    ]
    data = json.dumps({"cues": cues}, ensure_ascii=False).replace("<", "\\u003c")
    chapters = plan.chapters()
    said = "".join(
        f'<section><h2><button type="button" data-at="{float(at):.3f}">{_time(float(at))}</button> '
        f"{html.escape(heading)}</h2>"
        + "".join(f"<p>{html.escape(paragraph.text)}</p>" for paragraph in point.script)
        + "</section>"
        for (at, heading), point in zip(chapters, _shown(document, plan), strict=False)
    )
    about = "".join(f"<p>{html.escape(paragraph.text)}</p>" for paragraph in document.about)
    notes = "".join(f"<li>{html.escape(line)}</li>" for line in CAUTIONS[1:])
    return _PAGE.format(
        title=html.escape(plan.title or "Breakdown"), film=html.escape(film), about=about, said=said,
        notes=notes, data=data,
    )  # fmt: skip


def _shown(document: Breakdown, plan: FilmPlan) -> list[Point]:
    return [point for one in plan.points if (point := document.point(one.key))]


def _time(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; media-src 'self' file:; style-src 'unsafe-inline'; script-src 'unsafe-inline'">
<title>{title}</title>
<style>
body {{ margin: 0 auto; max-width: 72rem; padding: 1rem; font: 1.1rem/1.6 system-ui, sans-serif; color: #111;
 background: #fff; }}
video {{ width: 100%; max-height: 80vh; background: #000; }}
button {{ font: inherit; min-height: 2.75rem; min-width: 4.5rem; }}
h2 {{ font-size: 1.25rem; }}
section, p {{ max-width: 46rem; }}
footer {{ margin-top: 2rem; font-size: .95rem; }}
</style>
</head>
<body>
<h1>{title}</h1>
<video id="film" controls preload="metadata" src="{film}"></video>
{about}
{said}
<footer>
<p><a href="description.txt">Description with counts</a> · <a href="sources.txt">Sources</a> ·
<a href="script.pdf">Script to print</a> · <a href="captions.vtt">Captions</a></p>
<ul>{notes}</ul>
</footer>
<script type="application/json" id="data">{data}</script>
<script>
const film = document.getElementById("film");
const cues = JSON.parse(document.getElementById("data").textContent).cues;
const track = film.addTextTrack("captions", "Captions", document.documentElement.lang);
const plain = (text) => text.replace(/&/g, "&amp;").replace(/</g, "&lt;");
for (const [start, end, text] of cues) track.addCue(new VTTCue(start, end, plain(text)));
for (const button of document.querySelectorAll("button[data-at]")) {{
  button.addEventListener("click", () => {{ film.currentTime = Number(button.dataset.at); film.play(); }});
}}
</script>
</body>
</html>
"""
