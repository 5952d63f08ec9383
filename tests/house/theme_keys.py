"""What each key of a theme file is for: the words beside the tables that a theme is read by.

The README's list is made of them; a key without words, or words without a key, is an error there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from cliplib.reels import theme_reading

_TABLES = {
    "": theme_reading.TOP,
    "limits": theme_reading.LIMITS,
    "picture": theme_reading.PICTURE,
    "clip": theme_reading.CLIP,
    "slow": theme_reading.SLOW,
    "freeze": theme_reading.FREEZE,
    "zoom": theme_reading.ZOOM,
    "[clips]": theme_reading.CHANGE,
    "[clips].drawings": theme_reading.DRAWING,
}

_WORDS: Mapping[str, Mapping[str, str]] = {
    "": {
        "phrase": "what it shows, as one searches for it; needed",
        "title": "on the title card; the phrase unless given",
        "subtitle": "beneath the title",
        "order": "`date`, `round`, `fight`, `alternate` (fighters in turn) or `fit` (best match first)",
        "chapters": "`none`, or a card before each `fight`, `round` or `fighter`",
        "strict": "`true` refuses the phrase when a word of it is not understood",
    },
    "limits": {
        "clips": "at most so many",
        "seconds": "at most so much film at speed, replays not counted",
        "per_fight": "at most so many of one fight",
        "overlap": "`true`: two clips may show mostly the same film",
    },
    "picture": {
        "preset": "made for what: `standard`, `tablet`, `phone` or `archive`",
        "size": "such as `1280x720`; as filmed unless given",
        "rate": "frames a second, such as `25` or `30000/1001`; as filmed unless given",
        "captions": "who and what beneath the picture; also the mark on slow replays",
        "notes": "`true`: what somebody noted stands beneath the caption",
        "numbers": "`true`: the example's number at the upper right",
        "cards": "title and end card",
        "joins": "`cut`, or `fade` through black",
        "mirror": "`none`, `all`, or examples of `southpaw` or `orthodox` fighters, the other way round",
    },
    "clip": {
        "lead_in": "seconds before the first action; as the clip is cut unless given",
        "follow_through": "seconds after the last",
    },
    "slow": {
        "speed": "share of the real speed at which it is shown again",
        "before": "from seconds before the first matched action",
        "after": "until seconds after the last",
        "sound": "`muted`, or `stretched` at the same pitch",
        "times": "how often",
    },
    "freeze": {
        "seconds": "how long the picture stops on the last matched action",
        "offset": "seconds after that action starts; less than 0 is before it",
    },
    "zoom": {
        "region": "`[x, y, width, height]`, shares of the picture; needed",
        "after": "seconds before it begins to move in",
        "move": "seconds that moving in takes",
        "shots": "of `play`, `slow`, `freeze` those that it is for",
    },
    "[clips]": {
        "id": "the clip that is treated otherwise; needed",
        "first": "its first frame, of the footage",
        "last": "the frame after its last",
        "caption": "one to three lines in place of its own",
        "mirror": "shown the other way round or not",
        "beside": "another clip at the same time, in step",
        "offset": "frames by which that one is shown later",
    },
    "[clips].drawings": {
        "kind": "`line`, `arrow`, `circle`, `box`, `angle`, `path` or `text`",
        "points": "`[[x, y], …]`, shares of the picture from its upper left",
        "from": "seconds of footage time; as long as the clip unless given",
        "until": "seconds of footage time",
        "colour": "a name or `#rrggbb`",
        "width": "of the stroke, a share of the picture's height",
        "text": "what is written",
        "shots": "of `play`, `slow`, `freeze` those that it is on",
    },
}


def keys() -> Iterator[tuple[str, str, str]]:
    """(table, key, what it is for) of every key that a theme file may have; KeyError where words are missing
    or left over."""
    for table, known in _TABLES.items():
        words = _WORDS[table]
        if astray := words.keys() ^ known.keys():
            raise KeyError(f"theme keys of [{table}] and their words differ: {', '.join(sorted(astray))}")
        for key in known:
            yield table, key, words[key]
