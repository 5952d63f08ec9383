"""The one door: what the command line and the pages ask of a library, and nothing behind it.

    library = Library(Path("our-library"))
    found = library.find("counter to the body after a missed jab")
    library.reel("counter to the body after a missed jab", Path("counters.mp4"))

Reading never waits for an ingest. One Library serves any number of threads.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from cliplib import logs, phrases
from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.rows import FighterRow
from cliplib.catalogue.rows import FightRow as FightRow
from cliplib.core.errors import InputError, NotFoundError, PhraseError, StorageError
from cliplib.core.models import Action, ClipRow, Found, Reading, Settings, Where
from cliplib.core.progress import Progress, silent
from cliplib.core.settings import NAME as SETTINGS_FILE
from cliplib.core.settings import read_settings
from cliplib.ingest.correct import Line as Line
from cliplib.ingest.correct import with_exact_span
from cliplib.ingest.ingest import Ingest
from cliplib.ingest.report import FightReport as FightReport
from cliplib.ingest.report import IngestReport as IngestReport
from cliplib.library.care.check import Check
from cliplib.library.care.check import Finding as Finding
from cliplib.library.care.forget import Forgotten as Forgotten
from cliplib.library.care.forget import Going, forget_fights, what_goes
from cliplib.library.care.passphrases import Passphrases
from cliplib.library.care.signedin import SignedIn
from cliplib.library.evidence.evidence import Evidence
from cliplib.library.finding import fightview as library_fight
from cliplib.library.finding import names as library_names
from cliplib.library.finding.fightview import FightView as FightView
from cliplib.library.finding.fightview import Frames as Frames
from cliplib.library.finding.fightview import Lane as Lane
from cliplib.library.finding.history import PastPhrases, with_meant, with_why
from cliplib.library.finding.jsonform import clip_json as clip_json
from cliplib.library.finding.jsonform import found_json as found_json
from cliplib.library.finding.jsonform import words_json as words_json
from cliplib.library.finding.private import Hiding
from cliplib.library.finding.saying import say_action
from cliplib.library.logging.corrections import Corrections
from cliplib.library.logging.fights import NewFight as NewFight
from cliplib.library.logging.fights import NewFights
from cliplib.library.logging.fights import Upload as Upload
from cliplib.library.logging.live import Logging
from cliplib.library.logging.live import LogLine as LogLine
from cliplib.library.logging.offers import NextLines
from cliplib.library.logging.offers import Offer as Offer
from cliplib.library.logging.offers import Offers as Offers
from cliplib.library.making import media as library_media
from cliplib.library.making import reels as library_reels
from cliplib.library.making import targets
from cliplib.library.making.drawings import Drawings
from cliplib.library.making.filmlock import showing
from cliplib.library.making.handover import HandOver, parts_of
from cliplib.library.making.reels import MadeReel as MadeReel
from cliplib.library.making.reels import Shown
from cliplib.library.making.reels import Source as Source
from cliplib.library.making.themes import ThemeFile as ThemeFile
from cliplib.library.making.themes import Themes
from cliplib.library.making.themes import text_of_fields as text_of_fields
from cliplib.logs import forms
from cliplib.media.cut import CutResult
from cliplib.media.working import Prepared
from cliplib.phrases import reading_json as reading_json
from cliplib.reels.build import build
from cliplib.reels.captions import what_happens as what_happens
from cliplib.reels.parts import ReelReport as ReelReport
from cliplib.reels.parts import ReelSettings as ReelSettings
from cliplib.reels.theme import ClipChange as ClipChange
from cliplib.reels.theme import Theme as Theme
from cliplib.reels.theme import read_theme as read_theme
from cliplib.search.engine import Search
from cliplib.search.similar import Similar
from cliplib.search.textindex import WordHits as WordHits
from cliplib.vocabulary import Vocabulary, load_vocabulary

CATALOGUE = "catalogue.db"
log_forms = forms


class Library:
    """A folder with everything in it. `create`: make it if it is not there, else NotFoundError.
    `hide_private`: as if private fights were not there, for those who only look; nothing can be written then.

    Raises SettingsError for a wrong settings.toml or terms.toml, StorageError for a damaged catalogue.
    """

    def __init__(self, folder: Path, *, create: bool = False, hide_private: bool = False):
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
        self._catalogue = Catalogue(self.folder / CATALOGUE, create=create, hide_private=hide_private)
        self._hides = hide_private
        # What is derived from fewer fights is kept apart.
        derived = self.folder / "looking" if hide_private else self.folder
        self._search = Search(self._catalogue, self.vocabulary, derived, self.settings)
        self.evidence = Evidence(self, self._catalogue, self._search, self.vocabulary, self.settings)
        self.corrections = Corrections(self)
        self.drawings = Drawings(self)
        self.themes = Themes(self)
        self.past = PastPhrases(self.folder)
        self.handover = HandOver(self)
        self.logging = Logging(self)
        self.next_lines = NextLines(self)
        self.passphrases = Passphrases(self.folder)
        self.signed_in = SignedIn(self.folder, self.passphrases)
        self.new_fights = NewFights(self)
        self._hiding = Hiding(self)
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

    def what_goes(self, fight_id: int) -> Going:
        """What forgetting a fight would take along: logs that are nowhere else, and reels."""
        return what_goes(self, [fight_id])

    def forget(self, fight_id: int, progress: Progress = silent) -> Forgotten:
        """Take a fight out for good, with all that shows it; see `library_forget`. Its fight folder and
        footage stay untouched."""
        return forget_fights(self, [fight_id], progress)

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
        found = self._search.find(
            reading, where=where, order=order, offset=offset, limit=limit, second_opinions=second_opinions
        )
        if found.total and not self._hides:
            self.past.add(reading)
        if found.total:
            return found
        if reading.unread:
            found = with_meant(found, self.words(" ".join(u.text for u in reading.unread), limit=0))
        return with_why(found, where, self._search.columns())

    def similar(self, clip_id: int, limit: int = 10) -> list[Similar]:
        """Exchanges with a like course of actions, the nearest first; NotFoundError for no such clip."""
        return self._search.similar(clip_id, limit)

    def words(self, query: str, *, limit: int = 20) -> WordHits:
        """Notes and titles with all the words of a query, the best first."""
        return self._search.words(query, limit=limit)

    def clip(self, clip_id: int, phrase: str = "") -> ClipRow:
        """One exchange by number, with what `phrase` matches in it; NotFoundError if there is none."""
        rows = self._catalogue.clip_rows([clip_id])
        if not rows:
            raise NotFoundError(f"there is no clip {clip_id} in this library")
        return self._matched(rows, phrase)[0] if phrase else rows[0]

    def _matched(self, clips: Sequence[ClipRow], phrase: str) -> list[ClipRow]:
        """The same clips, each with what `phrase` matches in it."""
        found: dict[int, ClipRow] = {}
        for title in dict.fromkeys(clip.fight for clip in clips):
            within = Where(fight=title)
            page = self.find(phrase, where=within, limit=1_000_000, second_opinions=True)
            found |= {clip.id: clip for clip in page.clips}
        return [found.get(clip.id, clip) for clip in clips]

    def clips(self, clip_ids: Sequence[int]) -> list[ClipRow]:
        """Exchanges by number, in that order, without those that are gone."""
        return self._catalogue.clip_rows(clip_ids)

    def say(self, action: Action) -> str:
        """What one fighter did, in trade language, without their name and the outcome."""
        return say_action(action, self.vocabulary)

    def frames(self, clip_id: int) -> Frames:
        """A clip's frames with their times and the round clock; InputError if it has not been cut."""
        return library_fight.frames_of(self._catalogue, self.clip(clip_id))

    def neighbours(self, clip_id: int) -> tuple[int | None, int | None]:
        """The exchanges of its fight just before and just after it."""
        return library_fight.neighbours(self._catalogue, self.clip(clip_id))

    def fight_view(self, which: int | str) -> FightView:
        """A fight's rounds with every exchange in place, who did what how often, where its log has gaps."""
        return library_fight.view(self._catalogue, self.fight(which))

    def fights(self) -> tuple[FightRow, ...]:
        """Every fight, by date and title."""
        return self._catalogue.fights()

    def fight(self, which: int | str) -> FightRow:
        """A fight by number, or by any part of its title that only one fight has; NotFoundError otherwise."""
        if isinstance(which, int):
            return self._catalogue.fight(which)
        if which.isdecimal() and len(which) < 10:
            return self._catalogue.fight(int(which))
        return library_names.fight_named(which, self._catalogue.fights())

    def fighters(self) -> tuple[FighterRow, ...]:
        """Everybody who has a fight, by name."""
        return self._catalogue.fighters()

    def fighter_named(self, text: str) -> str:
        """The full name of the one fighter whose name holds `text`; NotFoundError if none or several do."""
        return library_names.fighter_named(text, self._known_names()[0])

    def checked(self, where: Where) -> Where:
        """Filters with names as the library has them; InputError for a value that nothing can have, with the
        nearest ones."""
        return library_names.checked(where, *self._known_names(), self.vocabulary)

    def complete(self, prefix: str) -> list[str]:
        """Phrases that begin with what was typed so far: those searched before and those of themes first."""
        fighters, titles = self._known_names()
        past = [*self.past.phrases({*fighters, *titles}), *self.themes.phrases()] if prefix.strip() else []
        return phrases.complete(prefix, self.vocabulary, fighters, past, titles)

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
        where: Where | None = None,
        changes: Sequence[ClipChange] = (),
        matching: str = "",
        settings: ReelSettings | None = None,
        progress: Progress = silent,
        only_if_changed: bool = False,
    ) -> ReelReport:
        """Make one video of a phrase's clips, of clips by number, or of a theme.

        `where` narrows a phrase; `changes` are made to single clips; `matching`: what clips by number were
        picked from, so that captions tell what it matched. Raises InputError when there is nothing to show,
        FootageError when footage is not where it was.
        """
        with showing(self.folder):
            shown = self._shown(source, settings, where, changes, matching)
            self.check_out(out)
            return self._build(shown, shown.theme.settings, out, progress, only_if_changed)

    def make_reel(
        self,
        source: Source,
        *,
        title: str = "",
        where: Where | None = None,
        changes: Sequence[ClipChange] = (),
        matching: str = "",
        settings: ReelSettings | None = None,
        progress: Progress = silent,
        again: str | None = None,
    ) -> str:
        """The same, kept in the library: its name, for `made_reel`. `again`: take that reel's place."""
        with showing(self.folder):
            shown = self._shown(source, settings, where, changes, matching)
            title = title or shown.theme.settings.title or "Reel"
            settings = replace(shown.theme.settings, title=title)
            told = None if isinstance(source, Theme) else (source, where, changes, matching, settings)
            return library_reels.keep_reel(
                self.folder / "reels",
                title,
                shown.said,
                lambda out: self._build(shown, settings, out, progress, False),
                recipe=library_reels.recipe_json(*told) if told else None,
                again=again,
                shows=[clip.id for clip in shown.clips],
            )

    def remake_reel(self, name: str, progress: Progress = silent) -> str:
        """Make a kept reel again from what it was made of, with what is in the library now; its name."""
        return self.make_reel(**self.made_reel(name).ingredients(), progress=progress, again=name)

    def reels(self) -> list[MadeReel]:
        """The reels kept in the library, newest first."""
        return [
            reel for reel in library_reels.made_reels(self.folder / "reels") if self._hiding.may_show(reel)
        ]

    def made_reel(self, name: str) -> MadeReel:
        """One of them; NotFoundError if there is none of that name."""
        reel = library_reels.made_reel(self.folder / "reels", name)
        if not self._hiding.may_show(reel):
            raise NotFoundError(f"there is no reel called “{name}” in this library")
        return reel

    def remove_reel(self, name: str) -> None:
        """Throw a kept reel away; its clips stay."""
        library_reels.remove(self.made_reel(name))

    def _build(
        self, shown: Shown, settings: ReelSettings, out: Path, progress: Progress, only_if_changed: bool
    ) -> ReelReport:
        parts = parts_of(self, shown, progress)
        cache = self.folder / "cache"
        return build(parts, out, settings, cache, progress, only_if_changed=only_if_changed)

    def _shown(
        self,
        source: Source,
        settings: ReelSettings | None,
        where: Where | None,
        changes: Sequence[ClipChange],
        matching: str,
    ) -> Shown:
        if isinstance(source, str | Theme):
            theme = library_reels.theme_of(source, settings, changes)
            found = self.find(theme.phrase, where=where, order="fit", limit=1_000_000, strict=theme.strict)
            return library_reels.chosen(found, theme)
        picked = self._catalogue.clip_rows(source)
        missing = sorted(set(source) - {clip.id for clip in picked})
        if missing:
            raise NotFoundError(f"there is no clip {', '.join(map(str, missing))} in this library")
        if not picked:
            raise InputError("a reel needs at least one clip")
        if matching:
            picked = self._matched(picked, matching)
        return library_reels.Shown(library_reels.theme_of(None, settings, changes), tuple(picked), "")

    def export_clip(self, clip_id: int, out: Path, *, progress: Progress = silent) -> CutResult:
        """Write a clip as a file that is exact in any player and hides nothing, to hand to somebody.

        Raises InputError for a clip without footage, FootageError when the footage is not where it was.
        """
        clip = self.clip(clip_id)
        self.check_out(out)
        source = self._prepared(clip.fight_id, clip.fight, progress)
        return library_media.export_clip(clip, source, out, progress)

    def portable(self, clip_id: int, progress: Progress = silent) -> Path:
        """The same as a file kept in the library's cache, made once."""
        with showing(self.folder):
            clip = self.clip(clip_id)
            source = self._prepared(clip.fight_id, clip.fight, progress)
            return library_media.kept_copy(clip, source, self.folder / "cache", progress)

    def still(self, fight_id: int, frame: int) -> Path:
        """One frame of a fight's footage as a JPEG; InputError if there is no such frame."""
        with showing(self.folder):
            source = self._prepared(fight_id, self._catalogue.fight(fight_id).title, silent)
            return library_media.still(source, frame, self.folder / "cache")

    def export_log(self, fight_id: int, form: str, *, log: str | None = None) -> str:
        """A fight's log in one of three forms. `log`: one of its logs; None: all, without second ones."""
        info = self._catalogue.fight(fight_id).info
        names = [source.file for source in info.logs]
        if log is not None and log not in names:
            raise NotFoundError(f"“{info.title}” has no log “{log}”; there are {', '.join(names)}")
        recut = {c.exchange_id for c in self._catalogue.corrections(fight_id) if c.in_us is not None}
        items = [
            item
            for item in self._catalogue.exchanges(fight_id)
            if (item.log_file == log if log is not None else not item.second_opinion)
        ]
        chosen = [with_exact_span(item) if item.id in recut else item.exchange for item in items]
        spans = [
            None if item.in_us is None or item.out_us is None else (item.in_us, item.out_us) for item in items
        ]
        marks = [
            item.mark for item in self._catalogue.marks_of(fight_id) if log is None or item.log_file == log
        ]
        return logs.write_log(chosen, info, form, vocabulary=self.vocabulary, spans=spans, marks=marks)

    def _prepared(self, fight_id: int, title: str, progress: Progress) -> Prepared:
        return library_media.prepared(self._catalogue, self.folder, fight_id, title, progress)

    def check_out(self, out: Path) -> None:
        """Raise InputError for an output that would land on what a library is made of, or nowhere."""
        targets.check_out(out, self.folder, self._catalogue.fights())

    def check_reel(self, out: Path, *, over: bool = False) -> None:
        """The same for a reel; `over`: it may take the place of a file that is no reel of ours."""
        self.check_out(out)
        targets.check_film(out, over=over)

    # --- upkeep -------------------------------------------------------------------------------------------

    def reindex(self, progress: Progress = silent) -> None:
        """Make everything that is derived from the catalogue anew."""
        self._search.rebuild(progress)

    def check(
        self, *, repair: bool = False, deep: bool = False, progress: Progress = silent
    ) -> list[Finding]:
        """What is wrong with the library or this machine, and what was done about it; empty for nothing."""
        return Check(self, repair, deep, progress).run()


def _unread_line(phrase: str, text: str, start: int, meant: Sequence[str]) -> str:
    hint = f"; did you mean {' or '.join(f'“{m}”' for m in meant[:3])}?" if meant else ""
    return f"“{text}” is not understood{hint}\n    {phrase}\n    {' ' * start}{'^' * max(1, len(text))}"
