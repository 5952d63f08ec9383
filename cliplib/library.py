"""The one door: what the command line and the pages ask of a library, and nothing behind it.

    library = Library(Path("our-library"))
    found = library.find("counter to the body after a missed jab")
    library.reel("counter to the body after a missed jab", Path("counters.mp4"))

Reading never waits for an ingest. One Library serves any number of threads.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

from cliplib import library_reels, logs, phrases
from cliplib.catalogue import Catalogue
from cliplib.catalogue_rows import FighterRow
from cliplib.catalogue_rows import FightRow as FightRow
from cliplib.errors import (
    FootageError,
    InputError,
    NotFoundError,
    PhraseError,
    StorageError,
)
from cliplib.ingest import LOCK, Ingest
from cliplib.ingest_cut import WORKING, sweep_fight
from cliplib.ingest_lock import only_one
from cliplib.ingest_report import FightReport as FightReport
from cliplib.ingest_report import IngestReport as IngestReport
from cliplib.library_json import clip_json as clip_json
from cliplib.library_json import found_json as found_json
from cliplib.library_reels import MadeReel
from cliplib.media import ffmpeg
from cliplib.media.cut import CutResult, export_portable
from cliplib.media.probe import Probe
from cliplib.media.working import Prepared, prepare
from cliplib.models import ClipRow, Found, Reading, Settings, Where
from cliplib.phrases import reading_json as reading_json
from cliplib.progress import Progress, silent
from cliplib.reels.build import build
from cliplib.reels.captions import part_for
from cliplib.reels.captions import what_happens as what_happens
from cliplib.reels.parts import ReelReport as ReelReport
from cliplib.reels.parts import ReelSettings as ReelSettings
from cliplib.reels.select import select
from cliplib.reels.theme import Theme
from cliplib.reels.theme import read_theme as read_theme
from cliplib.search import Search
from cliplib.settings import NAME as SETTINGS_FILE
from cliplib.settings import read_settings
from cliplib.similar import Similar
from cliplib.textindex import WordHits
from cliplib.vocabulary import Vocabulary, load_vocabulary

CATALOGUE = "catalogue.db"
LogFormat = Literal["csv", "vtt", "jsonl"]
Source = str | Sequence[int] | Theme
"""What a reel shows: a phrase, clips by number in that order, or a theme."""


class Library:
    """A folder with everything in it. `create`: make it if it is not there, else NotFoundError.

    Raises SettingsError for a wrong settings.toml or terms.toml, StorageError for a damaged catalogue.
    """

    def __init__(self, folder: Path, *, create: bool = False):
        self.folder = Path(folder).absolute()
        if create:
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise StorageError(f"cannot make a library at {folder}: {error.strerror}") from error
        elif not (self.folder / CATALOGUE).is_file():
            raise NotFoundError(
                f"there is no library at {folder}; name one with --library, or make one with “ingest”"
            )
        self.settings: Settings = read_settings(self.folder / SETTINGS_FILE)
        self.vocabulary: Vocabulary = load_vocabulary(self.folder, self.settings.number_profile)
        self._catalogue = Catalogue(self.folder / CATALOGUE, create=create)
        self._search = Search(self._catalogue, self.vocabulary, self.folder, self.settings)
        self._names_lock = threading.Lock()
        self._names: tuple[int, tuple[str, ...], tuple[str, ...]] | None = None

    def close(self) -> None:
        """Let go of the calling thread's connection."""
        self._catalogue.close()

    # --- fights in ----------------------------------------------------------------------------------------

    def ingest(
        self,
        paths: Sequence[Path],
        *,
        progress: Progress = silent,
        cut: bool = True,
        skip_bad_rows: bool = False,
    ) -> IngestReport:
        """Bring fight folders, or folders of them, into the library; see `ingest.Ingest.run` for errors."""
        run = Ingest(self.folder, self._catalogue, self.settings, self.vocabulary, progress)
        report = run.run(paths, cut=cut, skip_bad_rows=skip_bad_rows)
        self._search.refresh(progress)
        return report

    def forget(self, fight_id: int) -> FightRow:
        """Take a fight with its clips out of the library. Its fight folder and footage stay untouched."""
        with only_one(self.folder / LOCK):
            fight = self._catalogue.fight(fight_id)
            self._catalogue.remove_fight(fight_id)
            sweep_fight(self.folder, fight_id, {})
        self._search.refresh()
        return fight

    # --- finding ------------------------------------------------------------------------------------------

    def explain(self, phrase: str, *, strict: bool = False) -> Reading:
        """How a phrase is read. `strict`: PhraseError for words that are not understood."""
        fighters, fights = self._known_names()
        reading = phrases.read_search(
            phrase, self.vocabulary, fighters=fighters, fights=fights, settings=self.settings
        )
        if strict and reading.unread:
            raise PhraseError(
                "\n".join(_unread_line(phrase, u.text, u.start, u.meant) for u in reading.unread)
            )
        return reading

    def find(
        self,
        phrase: str,
        *,
        where: Where | None = None,
        order: str = "fit",
        offset: int = 0,
        limit: int = 20,
        strict: bool = False,
        second_opinions: bool = False,
    ) -> Found:
        """A page of the exchanges that a phrase describes, with counts of all of them.

        `where` narrows further than the phrase does. Orders: fit, date, round, fighter. An exchange that two
        people logged counts once, as the first of them told it, unless `second_opinions` are asked for.
        """
        reading = self.explain(phrase, strict=strict)
        return self._search.find(
            reading, where=where, order=order, offset=offset, limit=limit, second_opinions=second_opinions
        )

    def similar(self, clip_id: int, limit: int = 10) -> list[Similar]:
        """Exchanges with a like course of actions, the nearest first; NotFoundError for no such clip."""
        return self._search.similar(clip_id, limit)

    def words(self, query: str, *, limit: int = 20) -> WordHits:
        """Notes and titles with all the words of a query, the best first."""
        return self._search.words(query, limit=limit)

    def clip(self, clip_id: int) -> ClipRow:
        """One exchange by number; NotFoundError if there is none."""
        rows = self._catalogue.clip_rows([clip_id])
        if not rows:
            raise NotFoundError(f"there is no clip {clip_id} in this library")
        return rows[0]

    def clips(self, clip_ids: Sequence[int]) -> list[ClipRow]:
        """Exchanges by number, in that order, without those that are gone."""
        return self._catalogue.clip_rows(clip_ids)

    def fights(self) -> tuple[FightRow, ...]:
        """Every fight, by date and title."""
        return self._catalogue.fights()

    def fight(self, which: int | str) -> FightRow:
        """A fight by number, or by any part of its title that only one fight has; NotFoundError otherwise."""
        if isinstance(which, int):
            return self._catalogue.fight(which)
        if which.isdecimal() and len(which) < 10:
            return self._catalogue.fight(int(which))
        fights = self._catalogue.fights()
        wanted = which.casefold()
        found = [f for f in fights if f.title.casefold() == wanted]
        found = found or [f for f in fights if wanted in f.title.casefold()]
        if len(found) == 1:
            return found[0]
        if not found:
            raise NotFoundError(f"there is no fight “{which}” in this library; “fights” lists them")
        named = ", ".join(f"{f.id} ({f.title}{f', {f.info.date}' if f.info.date else ''})" for f in found[:8])
        raise NotFoundError(f"“{which}” may be any of {len(found)} fights: {named}; give the number")

    def fighters(self) -> tuple[FighterRow, ...]:
        """Everybody who has a fight, by name."""
        return self._catalogue.fighters()

    def fighter_named(self, text: str) -> str:
        """The full name of the one fighter whose name holds `text`; NotFoundError if none or several do."""
        names = self._known_names()[0]
        wanted = " ".join(text.split()).casefold()
        found = [name for name in names if name.casefold() == wanted]
        found = found or [name for name in names if wanted in name.casefold()]
        if len(found) == 1:
            return found[0]
        if not found:
            raise NotFoundError(f"nobody called “{text}” has a fight in this library; see “fights”")
        raise NotFoundError(f"“{text}” may be {', '.join(found[:8])}; give more of the name")

    def complete(self, prefix: str) -> list[str]:
        """Phrases that begin with what was typed so far."""
        return phrases.complete(prefix, self.vocabulary, self._known_names()[0], ())

    def _known_names(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        revision = self._catalogue.revision()
        with self._names_lock:
            if self._names is None or self._names[0] != revision:
                fighters = tuple(fighter.name for fighter in self._catalogue.fighters())
                titles = tuple(dict.fromkeys(title for _, title, _, _, _ in self._catalogue.fight_keys()))
                self._names = revision, fighters, titles
            return self._names[1], self._names[2]

    # --- reels and copies out -----------------------------------------------------------------------------

    def reel(
        self,
        source: Source,
        out: Path,
        *,
        settings: ReelSettings | None = None,
        progress: Progress = silent,
        only_if_changed: bool = False,
    ) -> ReelReport:
        """Make one video of a phrase's clips, of clips by number, or of a theme.

        Raises InputError when there is nothing to show, FootageError when footage is not where it was.
        """
        theme, clips, _ = self._reel_source(source, settings)
        self.check_out(out)
        prepared: dict[int, Prepared] = {}
        parts = []
        for clip in clips:
            if clip.fight_id not in prepared:
                prepared[clip.fight_id] = self._prepared(clip.fight_id, clip.fight, progress)
            parts.append(part_for(clip, prepared[clip.fight_id], theme))
        cache = self.folder / "cache"
        return build(parts, out, theme.settings, cache, progress, only_if_changed=only_if_changed)

    def make_reel(
        self,
        source: Source,
        *,
        title: str = "",
        settings: ReelSettings | None = None,
        progress: Progress = silent,
    ) -> str:
        """The same, kept in the library: the reel's name, for `made_reel`."""
        theme, _, said = self._reel_source(source, settings)
        title = title or theme.settings.title or "Reel"
        settings = replace(theme.settings, title=title)
        folder = self.folder / "reels"
        return library_reels.keep_reel(
            folder, title, said, lambda out: self.reel(source, out, settings=settings, progress=progress)
        )

    def reels(self) -> list[MadeReel]:
        """The reels kept in the library, newest first."""
        return library_reels.made_reels(self.folder / "reels")

    def made_reel(self, name: str) -> MadeReel:
        """One of them; NotFoundError if there is none of that name."""
        return library_reels.made_reel(self.folder / "reels", name)

    def _reel_source(
        self, source: Source, settings: ReelSettings | None
    ) -> tuple[Theme, Sequence[ClipRow], str]:
        """(theme, the clips in order, what they were searched by)."""
        if isinstance(source, str | Theme):
            # Exchanges close to each other share lead-in and follow-through; each is an example all the same.
            plain = Theme(str(source), ReelSettings(title=str(source)), overlap=True)
            theme = source if isinstance(source, Theme) else plain
            if settings is not None:
                theme = replace(theme, settings=settings)
            found = self.find(theme.phrase, order="fit", limit=1_000_000, strict=theme.strict)
            clips = select(found.clips, theme)
            if not clips:
                raise InputError(
                    f"no clip to show was found for “{theme.phrase}”, read as “{found.reading.said}”"
                    + (f"; {found.total} are waiting for their footage" if found.total else "")
                )
            return theme, clips, found.reading.said
        picked = self._catalogue.clip_rows(source)
        missing = sorted(set(source) - {clip.id for clip in picked})
        if missing:
            raise NotFoundError(f"there is no clip {', '.join(map(str, missing))} in this library")
        if not picked:
            raise InputError("a reel needs at least one clip")
        theme = Theme("", settings or ReelSettings(title="Picked clips"), order="fit", overlap=True)
        return theme, picked, ""

    def export_clip(self, clip_id: int, out: Path, *, progress: Progress = silent) -> CutResult:
        """Write a clip as a file that is exact in any player and hides nothing, to hand to somebody.

        Raises InputError for a clip without footage, FootageError when the footage is not where it was.
        """
        clip = self.clip(clip_id)
        if clip.start_frame is None or clip.end_frame is None:
            raise InputError(f"clip {clip_id} has no footage yet; ingest its fight again when it has")
        self.check_out(out)
        prepared = self._prepared(clip.fight_id, clip.fight, progress)
        return export_portable(prepared, clip.start_frame, clip.end_frame, out, progress)

    def export_log(self, fight_id: int, form: LogFormat, *, log: str | None = None) -> str:
        """A fight's log in one of the three forms. `log`: the name of one of its logs; None is all of them
        without second opinions, so that nothing is told twice."""
        info = self._catalogue.fight(fight_id).info
        names = [source.file for source in info.logs]
        if log is not None and log not in names:
            raise NotFoundError(f"“{info.title}” has no log “{log}”; there are {', '.join(names)}")
        items = [
            item
            for item in self._catalogue.exchanges(fight_id)
            if (item.log_file == log if log is not None else not item.second_opinion)
        ]
        spans = [
            None if item.in_us is None or item.out_us is None else (item.in_us, item.out_us) for item in items
        ]
        chosen = [item.exchange for item in items]
        return logs.write_log(chosen, info, form, vocabulary=self.vocabulary, spans=spans)

    def _prepared(self, fight_id: int, title: str, progress: Progress) -> Prepared:
        row = self._catalogue.footage(fight_id)
        if row is None:
            raise FootageError(f"“{title}” has no footage yet; ingest it again when it has")
        if not row.path.is_file():
            raise FootageError(
                f"the footage of “{title}” is not at {row.path} any more; ingest the fight again, "
                "and name the folder where the footage is now"
            )
        return prepare(Probe(row.path, row.info, row.timeline), self.folder / WORKING, progress)

    def check_out(self, out: Path) -> None:
        """Raise InputError for an output that would land on what a library is made of, or nowhere."""
        target = out.absolute()
        if target.is_dir():
            raise InputError(f"{out} is a folder; give a file name, such as {out / 'reel.mp4'}")
        if not target.parent.is_dir():
            raise InputError(f"{target.parent} does not exist; make that folder first")
        real = target.resolve()
        root = self.folder.resolve()
        inside = real.is_relative_to(root) and real.relative_to(root).parts[0] != "reels"
        if inside or any(f.footage and f.footage.resolve() == real for f in self._catalogue.fights()):
            raise InputError(f"{out} belongs to the library or its footage; choose another place")

    # --- upkeep -------------------------------------------------------------------------------------------

    def reindex(self, progress: Progress = silent) -> None:
        """Make everything that is derived from the catalogue anew."""
        self._search.rebuild(progress)

    def check(self) -> list[str]:
        """What is wrong with the library or this machine, a sentence each; empty if all is well."""
        problems = self._catalogue.check()
        for fight in self._catalogue.fights():
            if not fight.folder.is_dir():
                problems.append(
                    f"“{fight.title}”: its folder {fight.folder} is gone; the library keeps the fight"
                )
            if fight.footage is not None and not fight.footage.is_file():
                problems.append(f"“{fight.title}”: its footage is not at {fight.footage}; ingest it again")
            lost = sum(
                not (self.folder / name).is_file()
                for clip in self._catalogue.clips(fight.id).values()
                for name in (clip.file, clip.poster)
                if name is not None
            )
            if lost:
                problems.append(f"“{fight.title}”: {lost} clips or posters are missing; ingest it again")
        missing = ffmpeg.capabilities().missing
        if missing:
            problems.append(f"{ffmpeg.binary()} lacks {', '.join(missing)}; some footage cannot be prepared")
        free = shutil.disk_usage(self.folder).free
        if free < 1 << 30:
            problems.append(f"only {free >> 20} MB are free where the library is")
        return problems


def _unread_line(phrase: str, text: str, start: int, meant: Sequence[str]) -> str:
    hint = f"; did you mean {' or '.join(f'“{m}”' for m in meant[:3])}?" if meant else ""
    return f"“{text}” is not understood{hint}\n    {phrase}\n    {' ' * start}{'^' * max(1, len(text))}"
