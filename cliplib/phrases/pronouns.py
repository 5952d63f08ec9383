"""“He”, “you”, “him”, “it”: whose an action is where no name says so.

A pronoun says who acts only against another one: “when he jabs, hit him” is about two people, and so is
“he jabs, you slip”; “after he slips, he jabs” is about one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from cliplib.phrases.chunk import Chunk
from cliplib.phrases.lexer import Item

if TYPE_CHECKING:
    from cliplib.phrases.grammar import Parser
    from cliplib.phrases.modifiers import ModifierReader

_THEY = frozenset(("he", "she", "they"))
_LATER = ("juxta", "comma", "and", "with", "seq", "or")
_YOU = frozenset(("you", "we", "i"))
_HIM = frozenset(("him", "them"))
_HE = re.compile(r"\b(he|she|they)\s+$", re.IGNORECASE)
_TELLS = frozenset(
    (
        "go",
        "throw",
        "work",
        "dig",
        "rip",
        "come",
        "fire",
        "use",
        "put",
        "bring",
        "return",
        "shoot",
        "launch",
        "try",
    )
)
_TOLD = ("noun", "plural", "base", "")
"""Forms of a verb that a coach tells somebody to do: “hook him”, “check hook when he comes in”."""


def subject_of(item: Item) -> str:
    """“he” or “you” where the pronoun before an item is the subject of what follows."""
    if item.pronoun in _THEY:
        return "he"
    return "you" if item.pronoun in _YOU else ""


def told(reader: ModifierReader) -> bool:
    """“go to the body”, “slip the jab”: what to do, rather than what is done."""
    if reader.c.name or reader.c.pronoun or reader.c.received:
        return False
    threw = reader.threw.text.lower().split()[0] if reader.threw is not None else ""
    hook_him = reader.c.him and reader.c.form == "noun"
    return reader.c.form == "base" or hook_him or threw in _TELLS


def whose(item: Item) -> str:
    if item.determiner in ("his", "her", "their"):
        return "he"
    return "you" if item.determiner in ("your", "my", "our") else ""


def object_of(reader: ModifierReader) -> str:
    """“him” or “it” where the words read last end with it."""
    last, item = reader.last, reader.p.at()
    if last is None:
        return ""
    done = bool(last.sense("technique") or last.sense("role"))  # "slips it", and not "before it"
    if item is None:
        rest = reader.p.phrase[last.end :].lower().strip(" .!?,;:")
        if rest == "it":
            return "it" if done else ""
        return "him" if rest in ("him", "her", "them") else ""
    if item.pronoun in _HIM or (item.determiner == "her" and not reader.p.noun_phrase_ahead(0)):
        return "him"
    return "it" if item.pronoun == "it" and done else ""


def settle_people(parser: Parser) -> None:
    """Whose the actions are that have but a pronoun for their subject."""
    links = parser.out.links
    if len(links) < 2:
        return
    _you_and_he(parser, links)
    for _, chunk in links[1:]:
        if links[0][1].facing and chunk.his and _free(chunk):
            chunk.who = "opponent"  # "Brandt's opponents who clinch after his jab"
    for at, (link, chunk) in enumerate(links):
        if at and link == "after" and chunk.owner and _free(chunk) and not links[at - 1][1].owner:
            chunk.who = "opponent"  # "hooks off a southpaw's jab"
        told = chunk.when or (at > 0 and links[at - 1][1].him and links[at - 1][1].told)
        if link == "after" and told and chunk.pronoun == "he" and not _if_then(links, at):
            _when_he(parser, links, at)
        elif at and link == "after" and chunk.pronoun == "he" and links[at - 1][1].him:
            he = _HE.search(parser.phrase, 0, chunk.start)  # "ties him up after he misses"
            if he:
                other = ("the other fighter", "the opponent")
                parser.choose(he.start(1), he.end(1), "the same fighter", other)
        if chunk.it and at and link != "after":
            _done_to_it(parser, links[at - 1][1], chunk)


def _free(chunk: Chunk) -> bool:
    return not (chunk.name or chunk.by or chunk.who)


def _you_and_he(parser: Parser, links: Sequence[tuple[str, Chunk]]) -> None:
    """“he jabs, you slip”: the one who is said first is the subject of the phrase."""
    chunks = [chunk for _, chunk in links]
    owners = {c.whose for c in chunks if c.whose and c.form in ("noun", "plural")}
    for chunk in chunks:
        if len(owners) == 2 and not chunk.pronoun and chunk.form in ("noun", "plural"):
            chunk.pronoun = chunk.whose  # "his jab, your hook"
    said = {c.pronoun for c in chunks if c.pronoun}
    begins = chunks[0].told or _jotted(chunks[0])
    tells = [c.told or (begins and _jotted(c)) for c in chunks]
    for at, (link, chunk) in enumerate(links):
        before = links[at - 1][1]
        if at and link == "comma" and before.pronoun == "he" and _punches(parser, before):
            tells[at] = tells[at] or (_jotted(chunk) and _defends(parser, chunk))  # "he jabs, slip, cross"
    later = all(link in _LATER for link, _ in links)
    if len(said) < 2 and not (said == {"he"} and any(tells) and later):
        return
    first = current = chunks[0].pronoun or "you"
    for chunk, tell in zip(chunks, tells, strict=True):
        current = chunk.pronoun or ("you" if tell else current)
        if current != first and _free(chunk) and not chunk.received:
            chunk.who = "opponent"


def _if_then(links: list[tuple[str, Chunk]], at: int) -> bool:
    """“jab, and if he slips, hook”: what he does comes after the jab."""
    his = links[at][1]
    main = links[at + 1] if at + 1 < len(links) else None
    if not at or main is None or not his.paused or main[0] not in ("comma", "juxta") or main[1].pronoun:
        return False
    links[at] = ("seq", his)
    if all(_free(c) and not c.pronoun for _, c in (*links[:at], main)) and _free(his):
        his.who = "opponent"
    return True


def _when_he(parser: Parser, links: Sequence[tuple[str, Chunk]], at: int) -> None:
    """“tie him up when he steps in”, “hook when he jabs”, “when he jabs, jab with him”."""
    his = links[at][1]
    fronted = at == 0
    stop = next((i for i in range(1, len(links)) if links[i][0] != "and"), 1)
    main = links[stop if fronted else at - 1][1]
    named = main.opponent and not (main.by or main.who)  # "Brandt ties Adeyemi up when he steps in"
    defends = _defends(parser, main) and _punches(parser, his) and not his.passives  # "slips when he jabs"
    named = named or (defends and not main.who)
    if not ((_free(main) or named) and _free(his)) or main.pronoun or main.received or main.asks_next:
        return
    counters = any(p.role == "counter" for p in main.protos)
    if any(p.whatever for p in main.protos) or (counters and _punches(parser, his)):
        return
    tells = (main.told or main.form in _TOLD) and not main.aux and bool(main.protos)
    theirs = main.him or bool(main.opponent) or defends or (tells and (fronted or not his.meanwhile))
    if not (theirs or tells):
        return
    he = _HE.search(parser.phrase, 0, his.start)
    if he and theirs:
        parser.choose(he.start(1), he.end(1), "the other fighter", ("the same fighter", "the same fighter"))
    elif he:
        parser.choose(he.start(1), he.end(1), "the same fighter", ("the other fighter", "the opponent"))
    if theirs and fronted:
        main.who = "other"
    elif theirs:
        his.who = "opponent"


def _jotted(chunk: Chunk) -> bool:
    """“jab, he slips”."""
    free = not (chunk.name or chunk.his or chunk.passives or chunk.pronoun)
    return free and chunk.form == "noun"


def _defends(parser: Parser, chunk: Chunk) -> bool:
    return bool(chunk.protos) and parser.vocabulary.kind(chunk.protos[-1].technique) == "defence"


def _punches(parser: Parser, chunk: Chunk) -> bool:
    return bool(chunk.protos) and all(parser.vocabulary.is_punch(p.technique) for p in chunk.protos)


def _done_to_it(parser: Parser, before: Chunk, chunk: Chunk) -> None:
    """“draws a jab, slips it”: the jab was the other one's."""
    v = parser.vocabulary
    defends = bool(chunk.protos) and v.kind(chunk.protos[0].technique) in ("defence", "tie-up")
    theirs = bool(before.protos) and all(v.is_punch(p.technique) for p in before.protos)
    if (defends or chunk.role_verb) and theirs and _free(before) and _free(chunk) and not before.received:
        before.who = "opponent"
