"""Which clips go into a reel, and in which order. Pure."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from typing import Any

from cliplib.core.models import ClipRow
from cliplib.reels.captions import matched_fighter
from cliplib.reels.theme import Theme

_NO_DATE = datetime.date.max


def select(clips: Sequence[ClipRow], theme: Theme) -> tuple[ClipRow, ...]:
    """The clips that `theme`'s limits let through, in its order.

    `clips` come best first: where a limit bites, it is the better fits that stay. A clip without footage has
    nothing to show and is left out; with `overlap` off, so is one whose film is mostly in a better one.
    """
    kept: list[ClipRow] = []
    seconds_us, by_fight = 0, dict[int, int]()
    for clip in clips:
        if clip.start_frame is None or clip.end_frame is None or clip.start_us is None or clip.end_us is None:
            continue
        if theme.most_clips is not None and len(kept) >= theme.most_clips:
            break
        if theme.per_fight is not None and by_fight.get(clip.fight_id, 0) >= theme.per_fight:
            continue
        if not theme.overlap and any(_overlap(clip, other) for other in kept):
            continue
        length = clip.end_us - clip.start_us
        if theme.most_us is not None and seconds_us + length > theme.most_us:
            continue
        kept.append(clip)
        seconds_us += length
        by_fight[clip.fight_id] = by_fight.get(clip.fight_id, 0) + 1
    return _ordered(kept, theme.order)


def _overlap(one: ClipRow, other: ClipRow) -> bool:
    """Whether more than half of the shorter clip's film is in the other, too. Neighbours that only share
    lead-in and follow-through are two examples."""
    if one.fight_id != other.fight_id:
        return False
    spans = [(clip.start_frame or 0, clip.end_frame or 0) for clip in (one, other)]
    shared = min(last for _, last in spans) - max(first for first, _ in spans)
    return 2 * shared > min(last - first for first, last in spans)


def _ordered(clips: list[ClipRow], order: str) -> tuple[ClipRow, ...]:
    keys: dict[str, Callable[[ClipRow], Any]] = {
        "date": lambda c: (c.date or _NO_DATE, c.fight, c.fight_id, c.start_us),
        "round": lambda c: (c.round or 99, c.date or _NO_DATE, c.fight, c.fight_id, c.start_us),
        "fight": lambda c: (c.fight, c.date or _NO_DATE, c.fight_id, c.start_us),
    }
    if order in keys:
        return tuple(sorted(clips, key=keys[order]))
    if order == "alternate":
        return _alternating(clips)
    return tuple(clips)


def _alternating(clips: list[ClipRow]) -> tuple[ClipRow, ...]:
    """One of each fighter's in turn, in the order in which the fighters first come up."""
    queues: dict[str | None, list[ClipRow]] = {}
    for clip in clips:
        queues.setdefault(matched_fighter(clip), []).append(clip)
    longest = max(map(len, queues.values()), default=0)
    return tuple(queue[turn] for turn in range(longest) for queue in queues.values() if turn < len(queue))
