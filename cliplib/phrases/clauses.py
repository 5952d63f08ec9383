"""Chunks to actions in time order, each with its actor: 0 the subject of the phrase, 1 the other fighter.

after, off, behind    what follows came earlier, by the same fighter; by the other one if this is a counter
against, over, under  what follows came earlier, by the other fighter
then, and, commas     keep the order and the fighter; a counter behind a punch is the other fighter's
"""

from __future__ import annotations

from dataclasses import dataclass, field

from cliplib.phrases.chunk import FIELDS, Chunk, Proto
from cliplib.phrases.folding import Folder
from cliplib.phrases.grammar import Parsed
from cliplib.phrases.verbs import DEFENDED
from cliplib.vocabulary import Vocabulary
from cliplib.vocabulary.stance import switched


@dataclass(slots=True)
class Story:
    """Actions in time order; `names`: who actors 0 and 1 are; `opponents`: whom actor n is said to face."""

    actions: list[Proto] = field(default_factory=list)
    names: dict[int, str] = field(default_factory=dict)
    opponents: dict[int, str] = field(default_factory=dict)
    opponent_stances: dict[int, str] = field(default_factory=dict)
    leftover: list[str] = field(default_factory=list)
    limit: int | None = None  # “immediately”, said before any action: µs, until it is known of which


class Teller:
    def __init__(self, vocabulary: Vocabulary, subject: str | None = None):
        self.v = vocabulary
        self.story = Story()
        self.subject = 0
        if subject:
            self.story.names[0] = subject
        self.group = 0  # where the current group of actions begins
        self.begun = 0  # where what was told last begins
        # Said before any action: "southpaw, lead hook", "on the ropes, a jab"
        self.stance: str | None = None
        self.place: str | None = None
        self.range: str | None = None

    def tell(self, parsed: Parsed) -> Story:
        links = Folder(self.v).folded(parsed.links)
        index = 0
        while index < len(links):
            link, chunk = links[index]
            if (
                not self.story.actions
                and link in ("after", "against", "answer")
                and self._fronted(links, index)
            ):
                index = self._tell_fronted(links, index)
                continue
            if link in ("after", "against", "answer") and self.story.actions:
                index = self._tell_earlier(links, index)
                continue
            self._tell_next(link, chunk)
            index += 1
        return self.story

    # --- actors ----------------------------------------------------------------------------------------

    def _named(self, name: str, suggestion: int) -> int:
        """The actor of that name; a new name goes to `suggestion` unless that one is somebody else."""
        for actor, known in self.story.names.items():
            if known == name:
                return actor
        faced = next((a for a, known in self.story.opponents.items() if known == name), None)
        if faced is not None:
            suggestion = 1 - faced  # "drops Brandt, Brandt clinches"
        actor = suggestion if suggestion not in self.story.names else 1 - suggestion
        if actor in self.story.names:
            self.story.leftover.append(name)
            return suggestion
        self.story.names[actor] = name
        return actor

    def _actor(self, chunk: Chunk, suggestion: int, sure: bool = False) -> int:
        """Who does the chunk; `suggestion` where nothing says."""
        if chunk.who in ("other", "opponent"):
            suggestion = 1 - self.subject
        elif chunk.who == "same":
            suggestion = self.subject
        if chunk.received or chunk.evades:
            receiver = suggestion
            if chunk.received and chunk.name:
                receiver = self._named(chunk.name, suggestion)
            elif chunk.evades and chunk.name:
                return self._named(chunk.name, 1 - suggestion)
            thrower = 1 - receiver
            return self._named(chunk.by, thrower) if chunk.by else thrower
        if chunk.name:
            first = not self.story.actions
            known = suggestion in self.story.names
            suggestion = self._named(
                chunk.name, suggestion if first or known or sure or chunk.who else 1 - suggestion
            )
        if chunk.by and chunk.by != chunk.name:
            suggestion = self._named(chunk.by, suggestion)
        return suggestion

    def _stands_otherwise(self, chunk: Chunk, actor: int) -> bool:
        """A southpaw's straight after an orthodox jab: two people, unless he is named or switches."""
        said = {p.stance for p in chunk.protos if p.stance}
        stands = {a.stance for a in self.story.actions if a.actor == actor and a.stance}
        acts = (*self.story.actions, *chunk.protos)
        still = not any(self.v.is_a(a.technique, "switch stance") for a in acts)
        unnamed = actor not in self.story.names and not (chunk.name or chunk.by)
        return still and unnamed and bool(said and stands) and not said & stands

    def _is_counter(self, chunk: Chunk) -> bool:
        return bool(chunk.protos) and chunk.protos[0].role == "counter" and not chunk.objects

    def _defends(self, proto: Proto) -> bool:
        return self.v.kind(proto.technique) in DEFENDED

    def _defended(self) -> bool:
        """Whether a punch and the other one's defence were told last."""
        told = [a for a in self.story.actions if not a.absent][-2:]
        if len(told) < 2 or self.story.actions[-1] is not told[1]:
            return False
        return (
            self._defends(told[1]) and self.v.is_punch(told[0].technique) and told[0].actor != told[1].actor
        )

    # --- telling ---------------------------------------------------------------------------------------

    def _tell_next(self, link: str, chunk: Chunk) -> None:
        if link in ("juxta", "and", "with") and self.story.actions:
            pass
        else:
            self.group = len(self.story.actions)
        if link != "juxta":
            self.begun = len(self.story.actions)
        suggestion = self.subject
        last = self.story.actions[-1] if self.story.actions else None
        flips = (
            last is not None
            and chunk.who != "same"
            and self._is_counter(chunk)
            and not chunk.received
            and (self.v.is_punch(last.technique) or (chunk.absent and not self._defends(last)))
        )
        if last is not None and flips:
            suggestion = 1 - last.actor
        elif chunk.who != "same" and not chunk.pronoun and self._is_counter(chunk) and self._defended():
            suggestion = self.story.actions[-1].actor  # "parried jab, countered with a cross"
        elif chunk.who != "same" and self._stands_otherwise(chunk, suggestion):
            suggestion = 1 - suggestion
        actor = self._actor(chunk, suggestion, sure=flips)
        at = len(self.story.actions)
        if chunk.before and last is not None:
            there = [i for i, action in enumerate(self.story.actions) if not action.absent]
            at = there[-1] if there else at
        self._place(chunk, actor, at)
        if not (chunk.received or chunk.evades or chunk.who == "opponent"):
            self.subject = actor
        elif chunk.who == "opponent" and not chunk.received:
            self.subject = 1 - actor

    def _place(self, chunk: Chunk, actor: int, at: int) -> int:
        """Insert the chunk's actions at `at`; returns the place behind them."""
        new: list[Proto] = []
        for found in chunk.objects:
            other = self._object_actor(found, actor)
            if found is chunk.objects[0] and (behind := self._told(found, other, at)):
                at, new = behind, []
                continue  # "Brandt jabs, Adeyemi slips the jab"
            new.extend(self._of(found, other))
            new.extend(self._done_to(found, other))
        own = self._of(chunk, actor)
        if not (own or new):
            self.stance = self.stance or chunk.stance
            self.place, self.range = self.place or chunk.place, self.range or chunk.range
            self.story.limit = self.story.limit or chunk.within_us
        for proto in own:
            if proto.stance is None and self.stance:
                switches = proto.technique == "switch stance"
                proto.stance = switched(self.stance) if switches else self.stance
        if own:
            self.stance = None
        if chunk.within_us is not None and own:
            # "1-2 within a second" has nothing before it: the limit is on how its punches follow each other
            own[0 if at or new else -1].within_us = chunk.within_us
        if chunk.draws:
            new = own + new
        elif len(chunk.objects) > 1 and all(len(o.protos) == 1 for o in chunk.objects) and len(own) == 1:
            woven: list[Proto] = []
            for proto in new:
                woven.extend((proto, own[0].copy()))
            new = woven
        else:
            new.extend(own)
        for absent in chunk.absents:
            proto = absent.proto.copy()
            answers = absent.other is None and (not own or self.v.is_punch(own[-1].technique))
            proto.absent, proto.actor = True, (1 - actor if absent.other or answers else actor)
            if absent.name:
                self._named(absent.name, proto.actor)
            if absent.after:
                new.append(proto)
            else:
                new.insert(len(new) - len(own), proto)
        new.extend(self._done_to(chunk, actor))
        himself = (self.story.names.get(actor), self.story.opponents.get(1 - actor))
        if chunk.opponent and chunk.opponent in himself:
            self.story.leftover.append(chunk.opponent)
        elif chunk.opponent:
            self.story.opponents[actor] = chunk.opponent
        if chunk.opponent_stance:
            self.story.opponent_stances[actor] = chunk.opponent_stance
        if chunk.absent and not any(not p.absent for p in new):
            self.place, self.range = self.place or chunk.place, self.range or chunk.range
            new, told = [], new
            self.story.actions[at:at] = told
            return at + len(told)
        for proto in (p for p in new if not p.absent):
            proto.place = proto.place or chunk.place or self.place
            proto.range = proto.range or chunk.range or self.range
        if new:
            self.place = self.range = None
        self.story.actions[at:at] = new
        return at + len(new)

    def _told(self, found: Chunk, actor: int, at: int) -> int:
        """The place behind the other's punch that was told just now and is meant again; 0 if none is."""
        if len(found.protos) != 1 or found.passives or found.objects or at != len(self.story.actions):
            return 0
        said = found.protos[0]
        while at > 0 and (before := self.story.actions[at - 1]).actor == actor and not before.absent:
            alike = before.technique == said.technique and not (before.others or before.alts or said.others)
            if alike and all(getattr(said, f) in (None, getattr(before, f)) for f in FIELDS):
                return at
            at -= 1
        return 0

    def _object_actor(self, found: Chunk, actor: int) -> int:
        other = 1 - actor
        name = found.name or found.by
        if name:
            if self.story.names.get(actor) == name:
                self.story.leftover.append(name)
            else:
                self._named(name, other)
        return other

    def _of(self, chunk: Chunk, actor: int) -> list[Proto]:
        protos = [p.copy() for p in chunk.protos]
        for proto in protos:
            proto.actor, proto.absent = actor, chunk.absent
        return protos

    def _done_to(self, chunk: Chunk, actor: int) -> list[Proto]:
        done = [p.copy() for p in chunk.passives]
        for proto in done:
            proto.actor = 1 - actor
            if proto.fighter:
                self._named(proto.fighter, 1 - actor)
                proto.fighter = None
        return done

    # --- the order turned round ----------------------------------------------------------------------------

    def _fronted(self, links: list[tuple[str, Chunk]], index: int) -> bool:
        return index + 1 < len(links)

    def _tell_fronted(self, links: list[tuple[str, Chunk]], index: int) -> int:
        """“after a missed jab, counter to the body”."""
        link = links[index][0]
        stop = index + 1
        while stop < len(links) and links[stop][0] == "and":
            stop += 1
        if stop == len(links):
            stop = index + 1
        main = links[stop][1] if stop < len(links) else None
        other = link != "after" or (
            main is not None
            and self._is_counter(main)
            and not main.received  # "after the jab he eats a counter": his own jab
            and not self._own_before_counter(links[index][1])
        )
        actor = 1 - self.subject if other else self.subject
        theirs = False
        for _, chunk in links[index:stop]:
            mine = self._actor(chunk, actor)
            theirs = theirs or mine != self.subject
            self._place(chunk, mine, len(self.story.actions))
        if (
            link == "answer"
            and main is not None
            and main.protos
            and self.v.is_punch(main.protos[0].technique)
        ):
            main.protos[0].role = main.protos[0].role or "counter"
        if main is not None:
            self.group = len(self.story.actions)
            asked = not other and any(p.whatever for p in main.protos)  # “after the clinch, what does he do”
            his = all(c.his and not (c.name or c.who) for _, c in links[index:stop])
            mine = self._actor(main, self.subject, sure=asked or theirs or (his and not other))
            if main.protos and main.within_us is None:  # "right after the slip, counter to the body"
                main.within_us, self.story.limit = self.story.limit, None
            self._place(main, mine, len(self.story.actions))
            self.subject = 1 - mine if main.who == "opponent" else mine
        return stop + 1

    def _own_before_counter(self, earlier: Chunk) -> bool:
        """Whether a counter follows one's own doing: a slip, or “missing with the jab”."""
        if earlier.who or earlier.name:
            return True
        if earlier.objects or not earlier.protos:
            return True
        if any(not self.v.is_punch(p.technique) for p in earlier.protos):
            return True
        return earlier.form == "ing"

    def _tell_earlier(self, links: list[tuple[str, Chunk]], index: int) -> int:
        """“counter to the body after a missed jab”, “pivots off the lead hook”, “cross over the jab”."""
        link, chunk = links[index]
        at = self.begun if chunk.moving else self.group
        at = min(at, len(self.story.actions) - 1)  # the last group may have come to nothing
        main = self.story.actions[at]
        for action in self.story.actions[at:]:
            if not action.absent:
                main = action
                break
        subject = self.subject
        counter = any(a.role == "counter" and a.actor == subject for a in self.story.actions[at:])
        stop = index + 1
        while (
            stop < len(links)
            and links[stop][0] == "and"
            and links[stop][1].form in ("noun", "plural", "ing", "")
            and not (links[stop][1].role_verb and links[stop][1].form != "ing")
        ):
            if (links[stop][1].form == "ing") != (chunk.form == "ing"):
                break
            stop += 1
        done_to = bool(chunk.passives) and any(not p.role for p in chunk.passives)
        done_to = done_to and not (chunk.his or chunk.pronoun)
        other = link != "after" or (counter and not self._own_before_counter(chunk)) or done_to
        if link == "answer" and self.v.is_punch(main.technique) and not main.whatever:
            main.role = main.role or "counter"
        if at == 0 and chunk.within_us is not None and main.within_us is None:
            # "hook off the jab within half a second": the time between the two is the later one's
            main.within_us, chunk.within_us = chunk.within_us, None
        before = links[index - 1][1]
        happens = before.who == "opponent" and any(p.whatever for p in before.protos)
        asked = before.asks_next or happens  # "what happens after Brandt's jab lands"
        who: int | None = None
        for _, earlier in links[index:stop]:
            if not earlier.protos and earlier.opponent:
                self.story.opponents[subject] = earlier.opponent
                continue
            if who is not None and not (earlier.name or earlier.who):
                suggestion = who
            else:
                suggestion = 1 - subject if other or self._stands_otherwise(earlier, subject) else subject
            who = actor = self._actor(earlier, suggestion, sure=asked or (other and link != "after"))
            self.begun = at
            at = self._place(earlier, actor, at)
        self.group = at
        return stop
