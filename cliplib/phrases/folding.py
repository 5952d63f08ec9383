"""Chunks that only say something about the one before them are put into it; alternatives are joined."""

from __future__ import annotations

from cliplib.phrases.chunk import Chunk, Proto, carry, thrown_by
from cliplib.phrases.modifiers import SIDEWAYS
from cliplib.vocabulary import Vocabulary

_LATER = ("juxta", "comma", "and", "with", "seq", "setup")


class Folder:
    def __init__(self, vocabulary: Vocabulary):
        self.v = vocabulary

    def folded(self, links: list[tuple[str, Chunk]]) -> list[tuple[str, Chunk]]:
        """Put chunks that only say something about the one before them into it; join alternatives."""
        out: list[tuple[str, Chunk]] = []
        for link, chunk in links:
            before = out[-1][1] if out else None
            if before is not None and link == "or" and self.either(before, chunk):
                continue
            if before is not None and before.received and link == "juxta" and chunk.form == "ing":
                link = "after"  # "gets caught pulling back"
            turned = len(out) > 1 and out[-1][0] in ("after", "against", "answer")
            turned = turned and (link == "comma" or out[-1][1].moving)
            if turned and out[-2][1].protos and (chunk.bare or not chunk.protos):
                before = out[-2][1]  # "hook off the jab, not countered": said of the hook
            if before is not None and before.protos and self._belongs(link, before, chunk):
                continue
            if before is not None and self._countered_after(link, before, chunk):
                continue
            out.append(("seq" if link == "or" else link, chunk))
        return out

    def either(self, before: Chunk, chunk: Chunk) -> bool:
        """“a left hook or cross to the body”: what is said of one is said of both."""
        if not before.protos or len(chunk.protos) != 1 or chunk.objects:
            return False
        first, second = before.protos[-1], chunk.protos[0]
        same = chunk.headless and not (chunk.punch or second.hand or second.side)  # "jab or missed"
        if same and self.v.is_punch(first.technique):
            second.technique = first.technique
        for name in ("target", "outcome", "role", "stance", "hand", "side"):
            mine, theirs = getattr(first, name), getattr(second, name)
            punches = self.v.is_punch(first.technique) and self.v.is_punch(second.technique)
            if not punches and name != "stance":
                continue
            if mine is None and theirs is not None and name in ("target", "outcome", "role", "stance"):
                for one in (first, *first.others):
                    if getattr(one, name) is None and (name == "stance" or self.v.is_punch(one.technique)):
                        setattr(one, name, theirs)
            elif theirs is None and mine is not None and before.protos.count(first) == len(before.protos):
                if name in ("hand",) and self.v.hand(second.technique) not in (None, mine):
                    continue
                setattr(second, name, mine)
        first.others.append(second)
        before.objects.extend(chunk.objects)
        before.passives.extend(chunk.passives)
        before.absents.extend(chunk.absents)
        carry(before, chunk)
        return True

    def _belongs(self, link: str, before: Chunk, chunk: Chunk) -> bool:
        does = chunk.protos or chunk.objects or chunk.passives or chunk.absents or chunk.name
        if not does and link == "after" and (chunk.place or chunk.range):
            carry(before, chunk)  # "while on the ropes"
            return True
        if link not in _LATER:
            return False
        punch = self.v.is_punch(before.protos[-1].technique)
        if not chunk.protos and not chunk.objects and not chunk.passives:
            if chunk.name and before.name is None and before.by is None:
                before.by = chunk.name
            elif chunk.name and before.opponent is None:
                before.opponent = chunk.name
            carry(before, chunk)
            before.absents.extend(chunk.absents)
            return True
        if punch and thrown_by(before, link, chunk):
            return True
        if chunk.absent or not chunk.bare or not punch:
            return False
        said = chunk.protos[0]
        if chunk.passives and said.implied and not (said.target or said.outcome):
            if chunk.which and before.passives and self.v.is_punch(before.passives[-1].technique):
                chunk.protos, chunk.passives, chunk.bare = chunk.passives, [], False
                return False  # "countered by a cross, which is countered by a hook"
            before.passives.extend(chunk.passives)  # "jab, gets countered"
            carry(before, chunk)
            return True
        last = before.protos[-1]
        if said.outcome and not said.target and last.outcome is None and not before.passives:
            last.outcome, last.alts["outcome"] = said.outcome, said.alts.get("outcome", [])
            for other in last.others:
                if self.v.is_punch(other.technique):
                    other.outcome = other.outcome or said.outcome
            before.absents.extend(chunk.absents)
            carry(before, chunk)
            return True
        again = before.protos if before.protos.count(last) == len(before.protos) > 1 else []
        aimed = [p for p in before.protos if p.target] if again or before.repeated else []
        if (
            said.target
            and not said.outcome
            and len(aimed) < len(before.protos)
            and (again or before.repeated)
        ):
            # "double hook, body then head"
            before.repeated, before.protos[len(aimed)].target = True, said.target
            carry(before, chunk)
            return True
        if said.target and last.target is None and link == "comma" and chunk.towards and not said.outcome:
            for one in (last, *last.others):  # "hooks or uppercuts, to the body"
                one.target = one.target or (said.target if self.v.is_punch(one.technique) else None)
            carry(before, chunk)
            return True
        if said.target and (last.target or link != "juxta"):
            # "jab upstairs then downstairs": the same punch again
            chunk.protos = [last.copy()]
            chunk.protos[0].target, chunk.protos[0].outcome = said.target, said.outcome
            chunk.protos[0].role = None
            chunk.protos[0].alts, chunk.protos[0].others = dict(said.alts), []
            chunk.bare = False
            return False
        return False

    def _countered_after(self, link: str, before: Chunk, chunk: Chunk) -> bool:
        """“gets countered after missing the jab”: what is countered is that jab."""
        said = before.protos[0] if len(before.protos) == 1 and before.passives else None
        moving = link == "juxta" and chunk.form == "ing"  # "gets countered coming in"
        if said is None or said != Proto(implied=True) or not chunk.protos:
            return False
        moving = moving and chunk.protos[-1].technique in SIDEWAYS
        punch = link in ("after", "against", "answer") and self.v.is_punch(chunk.protos[-1].technique)
        if not (moving or punch) or chunk.objects or chunk.passives:
            return False
        if (chunk.name or chunk.by) not in (None, before.name) or chunk.who in ("other", "opponent"):
            return False
        before.protos, before.form = chunk.protos, chunk.form
        before.absents.extend(chunk.absents)
        carry(before, chunk)
        return True
