"""The costs of rules tuned on the phrase files: `python -m tests.phrases.tune [--write]`.

A structured perceptron, averaged: where the cheapest reading is wrong and the right one is among the others, the rules
that only the wrong one went through get dearer, and those of the right one cheaper. Every other phrase is held back, to
show that it isn't fitted to its own examples. `--write` keeps the costs as data (costs.txt) with the files' checksum,
where the phrases held back read no worse for it.
"""

from __future__ import annotations

import hashlib
import sys
from collections import Counter
from pathlib import Path

from cliplib.core.models import Reading
from cliplib.phrases import chart, reading_json
from cliplib.phrases.build import build
from cliplib.phrases.lexer import lex
from cliplib.phrases.lexicon import names_of
from cliplib.phrases.meanings import Story
from cliplib.phrases.reader import cost, finished, rules_of
from cliplib.phrases.rules import Grammar, grammar, tuned
from cliplib.vocabulary import load_vocabulary

from .report import HERE, entries, people
from .score import reading, same, wanted

STEP, ROUNDS = 0.05, 4
DATA = Path(chart.__file__).parent / "costs.txt"


def right(story: Story, entry: dict) -> bool:
    steps, where = build(finished(story)[0])
    return same(
        {**wanted(entry), "unread": None, "beyond": False},
        reading(reading_json(Reading("", "", steps, where))),
    )


def main(arguments: list[str]) -> None:
    words = load_vocabulary()
    files = sorted(HERE.glob("*.jsonl"))
    told = [(e, names_of(*people(path))) for path in files for e in entries(path)]
    lexed = [(entry, lex(entry["phrase"], words, names)) for entry, names in told]
    learning, held = lexed[::2], lexed[1::2]
    plain = grammar()
    change: Counter[str] = Counter()
    total: Counter[str] = Counter()

    def items(one: tuple, with_: Grammar) -> list[chart.Item]:
        found = chart.parse(one[1].edges, len(one[1].kept), with_) if one[1].kept else []
        return sorted(found, key=cost)

    def score(part: list, with_: Grammar) -> int:
        return sum(bool(found := items(one, with_)) and right(found[0].meaning, one[0]) for one in part)

    for _ in range(ROUNDS):
        for one in learning:
            found = items(one, tuned(plain, change))
            good = next((item for item in found if right(item.meaning, one[0])), None)
            if good is not None and good is not found[0]:
                for name, count in (Counter(rules_of(found[0])) - Counter(rules_of(good))).items():
                    change[name] += STEP * count
                for name, count in (Counter(rules_of(good)) - Counter(rules_of(found[0]))).items():
                    change[name] -= STEP * count
        total.update(change)
    averaged = {name: round(value / ROUNDS, 3) for name, value in total.items() if value}
    after = tuned(plain, averaged)
    before_held, after_held = score(held, plain), score(held, after)
    print(
        f"learnt from {len(learning)}: {score(learning, plain)} right before, {score(learning, after)} after"
    )
    print(
        f"held back   {len(held)}: {before_held} right before, {after_held} after; {len(averaged)} costs changed"
    )
    if "--write" in arguments and after_held >= before_held:
        sums = hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()
        lines = [f"# tuned by tests.phrases.tune on files of sha256 {sums}"]
        lines += [f"{name} {value:+.3f}" for name, value in sorted(averaged.items())]
        DATA.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
