"""Every rule and every line of words reads its example as it says, and the rule is one that the reading goes through."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from cliplib.phrases import read_search, reading_json, trace
from cliplib.phrases.chart import Item
from cliplib.phrases.lexicon import SmallWord, names_of, small_words
from cliplib.phrases.reader import tell
from cliplib.phrases.rules import Rule, grammar
from cliplib.vocabulary import load_vocabulary

from .report import FIGHTERS, FIGHTS, entries, reader_of
from .score import judge, plain, reading, short

V = load_vocabulary()
NAMES = names_of(FIGHTERS, FIGHTS)
SECOND = {"evades-bare", "or-three", "after-other", "when-other"}
"""Rules that give second readings, which are offered."""


def used(item: Item) -> set[str]:
    names: set[str] = set()
    waiting = [item]
    while waiting:
        one = waiting.pop()
        if one.rule is not None:
            names.add(one.rule.name)
        waiting.extend(one.parts)
    return names


def reads_as(phrase: str, given: str) -> None:
    found = reading(reading_json(read_search(phrase, V, fighters=FIGHTERS, fights=FIGHTS)))
    for step in found["steps"]:
        others = [a["technique"] for a in step.get("alternatives", [])]
        if others == ["defence", "footwork", "feint", "tie-up"]:  # anything at all
            del step["alternatives"]
            step["technique"] = "any"
    assert plain(short(found)) == plain(given), short(found)


@pytest.mark.parametrize("rule", grammar().rules, ids=lambda r: r.name)
def test_a_rule_reads_its_example(rule: Rule) -> None:
    items = tell(rule.example, V, NAMES).items
    assert items
    among = items if rule.name in SECOND else items[:1]
    assert any(rule.name in used(item) for item in among), used(items[0])
    reads_as(rule.example, rule.reading)


@pytest.mark.parametrize("word", small_words(), ids=lambda w: f"{w.kind} {w.value}")
def test_a_word_reads_its_example(word: SmallWord) -> None:
    reads_as(word.example, word.reading)


@pytest.mark.parametrize("entry", entries(Path(__file__).parent / "classes.jsonl"), ids=lambda e: e["phrase"])
def test_what_was_misread_in_silence_is_not(entry: dict[str, object]) -> None:
    read = reader_of(Path("classes.jsonl"))
    assert judge(entry, read)[0] == "right"


REACHED = {"batch1": (198, 2), "batch2": (126, 20), "batch3": (85, 13)}
"""Of each batch of 200 how many read right, at once or as was meant, and how many are misread in silence. The second and
third are kept mostly unlearnt, for whoever goes on with the reader."""
WORSE = {
    # Every word is read now; that “orthodox v southpaw” says whose stance it is, not that they stand open, is left.
    "orthodox v southpaw: who gets the lead foot outside and lands the back hand",
}
"""Lines of which less was understood at first touch, and more was admitted."""


@pytest.mark.parametrize("path", sorted(Path(__file__).parent.glob("batch*.jsonl")), ids=lambda p: p.stem)
def test_what_was_learnt_from_a_batch_stays(path: Path) -> None:
    told, (right, silent) = entries(path), REACHED[path.stem]
    verdicts = [judge(entry, reader_of(path))[0] for entry in told]
    assert verdicts.count("silent") <= silent
    assert sum(v in ("right", "meant") for v in verdicts) >= right
    order = ("right", "meant", "open", "silent")
    worse = {
        entry["phrase"]
        for entry, verdict in zip(told, verdicts, strict=True)
        if order.index(verdict) > order.index(entry["first_touch"]["verdict"])
    }
    assert worse <= WORSE


def test_a_phrase_reads_the_same_in_every_process() -> None:
    """Python orders sets of words anew in each; of two readings as good as each other it is always the same one."""
    code = (
        "import sys; from pathlib import Path; from tests.phrases.report import entries, reader_of\n"
        "path = Path('tests/phrases/batch3.jsonl'); read = reader_of(path)\n"
        "print([read(entry['phrase']) for entry in entries(path)])"
    )
    said = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed},
            cwd=Path(__file__).parents[2],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2", "3")
    }
    assert len(said) == 1


def test_the_way_of_a_reading_is_shown() -> None:
    lines = trace("slips the jab and counters", V)
    assert lines[0].startswith("taken, cost ")
    assert any(" by evades (" in line for line in lines)
    assert lines[-1].startswith("runner-up, cost ")
