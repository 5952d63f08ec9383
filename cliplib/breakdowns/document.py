"""A breakdown as its document says it: CommonMark, read by markdown-it-py and never written anew.

    # Title            a paragraph under it: what it is about
    ## Point           paragraphs are the script, list items its shots, a ```toml block its settings

A document is kept as it was typed. What nobody here knows (links, HTML, deeper headings, quotations) stays in
it and is named in `Breakdown.notes`; what is wrong is named in `Breakdown.problems`, and all else still
holds. `with_texts` changes the texts of single links and not one byte besides.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from markdown_it import MarkdownIt
from markdown_it.common.utils import unescapeAll
from markdown_it.token import Token

from cliplib.breakdowns.links import asked as asked_for
from cliplib.breakdowns.links import clips_in, kind_of, treatment
from cliplib.core.errors import InputError, Problem

LONGEST = 2_000_000
"""Letters of a document."""


@dataclass(frozen=True, slots=True)
class Link:
    """A link of the document. `kind`: one of links.KINDS, or "" if it means nothing here. `start`, `end`: of
    the letters between its brackets, in the document; both 0 where they cannot be told. `at`: where its text
    begins in its paragraph's text. `line`: from 1."""

    kind: str
    target: str
    text: str
    title: str
    line: int
    start: int = 0
    end: int = 0
    at: int = 0


@dataclass(frozen=True, slots=True)
class Paragraph:
    """What is said, as plain text."""

    text: str
    line: int
    links: tuple[Link, ...] = ()

    def sentences(self) -> list[tuple[str, tuple[Link, ...]]]:
        """Each sentence with the links in it."""
        found, start = [], 0
        for end in [*(m.end() for m in _SENTENCE.finditer(self.text)), len(self.text)]:
            if self.text[start:end].strip():
                links = tuple(link for link in self.links if start <= link.at < end)
                found.append((self.text[start:end].strip(), links))
            start = end
        return found


# Not after a single letter ("J. Brandt").
_SENTENCE = re.compile(r"(?<!\b[^\W\d_])[.!?…۔।]+[\"”’»)\]]*\s+|[。！？]+[」』”]*")


@dataclass(frozen=True, slots=True)
class Settings:
    """A fenced toml block. `line`: of its first line of TOML."""

    text: str
    line: int


@dataclass(frozen=True, slots=True)
class Block:
    """A block that stands in nothing else. `kind`, `markup`: as markdown-it calls them; lines [first, last)
    from 0."""

    kind: str
    markup: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Point:
    """`key`: what takes and files of the point are filed under: made of its heading, unlike all others.
    `lines`: [first, last) of the document, from 0."""

    heading: str
    key: str
    line: int
    script: tuple[Paragraph, ...] = ()
    shots: tuple[Link, ...] = ()
    counts: tuple[Link, ...] = ()
    settings: tuple[Settings, ...] = ()
    lines: tuple[int, int] = (0, 0)

    @property
    def said(self) -> str:
        return "\n\n".join(paragraph.text for paragraph in self.script)


@dataclass(frozen=True, slots=True)
class Breakdown:
    """See the module. `about`: the paragraphs under the title. `links`: all, in order. `notes`: what is kept
    and means nothing here."""

    text: str
    title: str
    about: tuple[Paragraph, ...]
    points: tuple[Point, ...]
    settings: tuple[Settings, ...]
    links: tuple[Link, ...]
    problems: tuple[Problem, ...] = ()
    notes: tuple[Problem, ...] = ()

    def point(self, key: str) -> Point | None:
        return next((point for point in self.points if point.key == key), None)


class _Reader(MarkdownIt):
    """Links as they are written: what may be followed is for whoever shows them to decide."""

    def normalizeLink(self, url: str) -> str:
        return url

    def normalizeLinkText(self, link: str) -> str:
        return link

    def validateLink(self, url: str) -> bool:  # noqa: ARG002
        return True


def read(text: str, name: str = "breakdown.md") -> Breakdown:
    """The breakdown in a text. `name`: what messages call it. InputError only for a text that is too long."""
    if len(text) > LONGEST:
        raise InputError(f"{name} has {len(text)} letters; a breakdown has {LONGEST} at most")
    return _Document(text, name).breakdown()


def blocks(text: str) -> list[Block]:
    """The outermost blocks of a text, in order."""
    return [
        Block(token.type, token.markup, *token.map)
        for token in _Reader("commonmark").parse(text)
        if token.level == 0 and token.map and token.nesting >= 0
    ]


def with_texts(document: Breakdown, texts: Mapping[Link, str], name: str = "breakdown.md") -> str:
    """The document's text with other letters between the brackets of some links, and else byte for byte as it
    was. Raises InputError if that cannot be done so that it reads as wished; nothing is changed then."""
    changed = document.text
    for link in sorted(texts, key=lambda link: -link.start):
        if link.end <= link.start:
            raise InputError(
                f"{name}:{link.line}: the link “{link.text}” cannot be changed; change it by hand"
            )
        changed = changed[: link.start] + texts[link] + changed[link.end :]
    after = read(changed, name)
    wished = [(link.target, texts.get(link, link.text)) for link in document.links]
    if [(link.target, link.text) for link in after.links] != wished:
        raise InputError(f"{name} would not read as wished with those changes; change it by hand")
    return changed


def key_of(heading: str) -> str:
    """A file name out of a heading, in any alphabet: `the-jab-upstairs`."""
    plain = unicodedata.normalize("NFC", heading).casefold()
    stem = re.sub(r"[^\w]+", "-", plain).strip("-_")
    while len(stem.encode()) > 80:
        stem = stem[:-1]
    return stem.strip("-_") or "point"


class _Document:
    def __init__(self, text: str, name: str):
        self._text, self._name = text, name
        self._starts = [0, *(m.end() for m in re.finditer(r"\r\n|\n|\r", text))]
        self._tokens = _Reader("commonmark").parse(text)
        self._problems, self._notes = list[Problem](), list[Problem]()
        self._links: list[Link] = []

    def breakdown(self) -> Breakdown:
        title = ""
        about, settings = list[Paragraph](), list[Settings]()
        points: list[_Growing] = []
        for token, inline, in_list in self._blocks():
            line = (token.map or [0, 0])[0]
            here = points[-1] if points else None
            if token.type == "heading_open" and not in_list:
                paragraph = self._paragraph(inline)
                if token.tag == "h1" and not title and here is None:
                    title = paragraph.text
                elif token.tag == "h2":
                    points.append(self._new_point(paragraph.text, line, points))
                else:
                    self._note(
                        line, f"the heading “{paragraph.text}” is kept, but is neither title nor point"
                    )
            elif token.type == "paragraph_open" and in_list:
                self._item(self._paragraph(inline), here)
            elif token.type == "paragraph_open":
                paragraph = self._paragraph(inline)
                if paragraph.text:
                    (here.script if here else about).append(paragraph)
                if here is not None:
                    here.counts += [link for link in paragraph.links if link.kind == "count"]
            elif token.type == "fence" and token.info.strip() == "toml":
                (here.settings if here else settings).append(Settings(token.content, line + 2))
            elif token.type in ("fence", "code_block", "html_block"):
                what = "HTML" if token.type == "html_block" else "a block of code"
                self._note(line, f"{what} is kept, and not shown in the film")
        self._check(title, points)
        ends = [*(point.line for point in points), len(self._starts)][1:]
        return Breakdown(
            self._text,
            title,
            tuple(about),
            tuple(point.done(end) for point, end in zip(points, ends, strict=True)),
            tuple(settings),
            tuple(self._links),
            tuple(self._problems),
            tuple(self._notes),
        )

    def _blocks(self) -> Iterator[tuple[Token, Token | None, bool]]:
        """Every block that says something, with its inline token, and whether it stands in a list."""
        lists = 0
        for place, token in enumerate(self._tokens):
            if token.type in ("bullet_list_open", "ordered_list_open"):
                lists += 1
            elif token.type in ("bullet_list_close", "ordered_list_close"):
                lists -= 1
            elif token.type in ("heading_open", "paragraph_open"):
                yield token, self._tokens[place + 1], lists > 0
            elif token.type in ("fence", "code_block", "html_block"):
                yield token, None, lists > 0

    def _new_point(self, heading: str, line: int, before: Sequence[_Growing]) -> _Growing:
        key = stem = key_of(heading)
        taken, number = {point.key for point in before}, 1
        while key in taken:
            number += 1
            key = f"{stem}-{number}"
        if key != stem:
            self._note(line, f"the heading “{heading}” is there twice; this one is filed as “{key}”")
        if not heading:
            self._problem(line, "a point has no heading; write what it is about behind the ##")
        return _Growing(heading or "Untitled", key, line)

    def _check(self, title: str, points: Sequence[_Growing]) -> None:
        if not title:
            self._problem(0, "there is no title; write # and the title on the first line")
        if not points:
            self._problem(0, "there is no point; write ## and a heading before each")
        for link in self._links:
            try:
                if link.kind in ("count", "find", "picture"):
                    asked_for(link.target)
                elif link.kind:
                    clips_in(link.target)
                if link.kind not in ("", "count"):
                    treatment(link.title)
            except ValueError as problem:
                self._problem(link.line - 1, str(problem))
            if not link.kind:
                self._note(link.line - 1, f"the link to “{link.target[:80]}” is kept, and means nothing here")

    def _item(self, paragraph: Paragraph, here: _Growing | None) -> None:
        shots = [link for link in paragraph.links if link.kind not in ("", "count")]
        if here is None:
            self._note(paragraph.line - 1, "a list before the first point is kept, and shows nothing")
            return
        here.counts += [link for link in paragraph.links if link.kind == "count"]
        here.shots += shots
        if not shots:
            self._note(
                paragraph.line - 1,
                f"“{paragraph.text[:60]}” is kept, but shows nothing: it links to no clip, find or picture",
            )

    # --- text and links -----------------------------------------------------------------------------------

    def _paragraph(self, inline: Token | None) -> Paragraph:
        first, last = (inline.map if inline and inline.map else None) or (0, 0)
        text, links, opened = "", list[Link](), list[tuple[Token, int]]()
        for token in (inline.children if inline else None) or []:
            if token.type in ("text", "code_inline", "text_special"):
                text += token.content
            elif token.type in ("softbreak", "hardbreak"):
                text += " "
            elif token.type == "image":
                text += token.content
            elif token.type == "html_inline":
                self._note(first, f"HTML ({token.content[:40]}) is kept, and not shown in the film")
            elif token.type == "link_open":
                opened.append((token, len(text)))
            elif token.type == "link_close":
                begun, at = opened.pop()
                target, title = str(begun.attrs.get("href", "")), str(begun.attrs.get("title", ""))
                links.append(Link(kind_of(target), target, text[at:], title, first + 1, at=at))
        links = list(self._placed(links, first, last))
        self._links += links
        # Spaces at both ends are no text; links stay where they are in what is left.
        lead = len(text) - len(text.lstrip())
        moved = tuple(_at(link, link.at - lead) for link in links) if lead else tuple(links)
        return Paragraph(text.strip(), first + 1, moved)

    def _placed(self, links: Sequence[Link], first: int, last: int) -> Iterator[Link]:
        """The links with their places in the document, as far as they can be told."""
        begin = self._starts[first] if first < len(self._starts) else len(self._text)
        end = self._starts[last] if last < len(self._starts) else len(self._text)
        code = list(_code(self._text, begin, end))
        candidates = [
            match
            for match in _LINK.finditer(self._text, begin, end)
            if not any(first <= match.start() < last for first, last in code)
        ]
        place = 0
        for link in links:
            for number in range(place, len(candidates)):
                match = candidates[number]
                if _same(match, link):
                    place = number + 1
                    line = first + 1 + _lines(self._text[begin : match.start()])
                    yield Link(
                        link.kind,
                        link.target,
                        link.text,
                        link.title,
                        line,
                        match.start(1),
                        match.end(1),
                        link.at,
                    )
                    break
            else:
                yield link

    def _problem(self, line: int, message: str) -> None:
        self._problems.append(self._said(line, message))

    def _note(self, line: int, message: str) -> None:
        self._notes.append(self._said(line, message))

    def _said(self, line: int, message: str) -> Problem:
        return Problem(self._name, line + 1, 0, message)


_LINK = re.compile(
    r"\[((?:\\.|[^\[\]\\])*)\]"
    r"(?:\(\s*(<(?:\\.|[^<>\\\r\n])*>|(?:\\.|[^\s()<>\\]|\((?:\\.|[^\s()\\])*\))+)|\[[^\]]*\])"
)


def _same(match: re.Match[str], link: Link) -> bool:
    if match[2] is None:  # by reference
        return unescapeAll(match[1]) == link.text
    target = match[2][1:-1] if match[2].startswith("<") else match[2]
    return unescapeAll(target) == link.target


def _code(text: str, begin: int, end: int) -> Iterator[tuple[int, int]]:
    """Stretches of code: between two runs of as many backticks (CommonMark 0.31, 6.1). In them is no link."""
    runs = [m for m in _TICKS.finditer(text, begin, end) if m.start() == begin or text[m.start() - 1] != "\\"]
    at = 0
    while at < len(runs):
        for later in range(at + 1, len(runs)):
            if len(runs[later][0]) == len(runs[at][0]):
                yield runs[at].start(), runs[later].end()
                at = later
                break
        at += 1


_TICKS = re.compile(r"`+")


def _lines(text: str) -> int:
    return len(re.findall(r"\r\n|\n|\r", text))


def _at(link: Link, at: int) -> Link:
    return Link(link.kind, link.target, link.text, link.title, link.line, link.start, link.end, at)


class _Growing:
    """A point that is being read."""

    def __init__(self, heading: str, key: str, line: int):
        self.heading, self.key, self.line = heading, key, line
        self.script, self.shots = list[Paragraph](), list[Link]()
        self.counts, self.settings = list[Link](), list[Settings]()

    def done(self, end: int) -> Point:
        return Point(
            self.heading,
            self.key,
            self.line + 1,
            tuple(self.script),
            tuple(self.shots),
            tuple(self.counts),
            tuple(self.settings),
            (self.line, end),
        )
