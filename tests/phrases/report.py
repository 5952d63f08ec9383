"""Every phrase file read and judged: `python -m tests.phrases.report [FILE ...] [-v]`.

By file, by class of speaker where it is given, silent errors one by one; fresh batches with what they were at first
touch. `--record` writes the result of this run into a batch's file as its first touch, once.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cliplib.phrases import reading_json
from cliplib.vocabulary import load_vocabulary

from .score import judge, short, wanted, words

HERE = Path(__file__).parent
FIGHTERS = (
    "Emeka Adeyemi", "Jonas Brandt", "Kaito Morinaga", "Ishaan Velankar", "Sefo Lautele", "Teodor Vâlcan",
    "Costas Ioannis", "Siobhán O'Dea",
)  # fmt: skip
FIGHTS = ("Adeyemi v Brandt", "Morinaga v Velankar", "Lautele v Vâlcan", "Brandt v Morinaga")
PEOPLE = {"everyday": (FIGHTERS[:2], FIGHTS[:1]), "everyday_set_aside": (FIGHTERS[:2], FIGHTS[:1])}
"""Who is known, where a file was written for others."""
BATCH = (("Emeka Adeyemi", "Jonas Brandt", "Kenji Morinaga", "Luis Ortega Vidal"), ("Adeyemi v Brandt",))
Json = dict[str, Any]


def entries(path: Path) -> list[Json]:
    return [json.loads(line) for line in path.read_text("utf-8").splitlines() if line.strip()]


def people(path: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return (
        BATCH
        if path.stem.startswith("batch")
        else PEOPLE.get(path.stem.removeprefix("phrases_"), (FIGHTERS, FIGHTS))
    )


def reader_of(path: Path) -> Callable[[str], Json]:
    from cliplib.phrases import read_search

    vocabulary = load_vocabulary()
    fighters, fights = people(path)
    return lambda phrase: reading_json(read_search(phrase, vocabulary, fighters=fighters, fights=fights))


def alarms(told: list[Json], verdicts: list[tuple[str, Json]]) -> str:
    """How many of what is misread in silence is flagged, and how many of what is right."""
    silent = [said for _, (verdict, said) in zip(told, verdicts, strict=True) if verdict == "silent"]
    right = [said for verdict, said in verdicts if verdict == "right"]
    flagged = [sum(said["doubtful"] for said in group) for group in (silent, right)]
    return f"{flagged[0]} of {len(silent)} misread in silence, {flagged[1]} of {len(right)} read right"


def main(arguments: list[str]) -> None:
    names = [a for a in arguments if not a.startswith("-")]
    paths = [Path(n) for n in names] or [
        *sorted(HERE.parent.glob("phrases_*.jsonl")),
        *sorted(HERE.glob("*.jsonl")),
    ]
    for path in paths:
        read, told = reader_of(path), entries(path)
        verdicts = [judge(entry, read) for entry in told]
        print(f"{path.stem:18} {len(told):5}  {words([v for v, _ in verdicts])}")
        first = [e["first_touch"]["verdict"] for e in told if "first_touch" in e]
        if first:
            print(f"{'  at first touch':18} {len(first):5}  {words(first)}")
        if any("first_touch" in e for e in told):
            print(f"    alarm: {alarms(told, verdicts)}")
        for speaker in sorted({e["speaker"] for e in told if "speaker" in e}):
            own = [v for e, (v, _) in zip(told, verdicts, strict=True) if e.get("speaker") == speaker]
            print(f"    {speaker:14} {len(own):5}  {words(own)}")
        for entry, (verdict, said) in zip(told, verdicts, strict=True):
            if verdict == "silent" or (verdict != "right" and "-v" in arguments):
                want = wanted(entry)
                print(
                    f"  {verdict:6} {entry['phrase']}\n      given {short({**want, 'unread': want['unread'] or []})}\n      read  {short(said)}"
                )
        if "--record" in arguments and not first:
            for entry, (verdict, said) in zip(told, verdicts, strict=True):
                entry["first_touch"] = {"verdict": verdict, "read": short(said), "doubtful": said["doubtful"]}
            path.write_text("".join(json.dumps(e, ensure_ascii=False) + "\n" for e in told), "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
