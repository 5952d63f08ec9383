"""Counts in a script, recounted."""

from __future__ import annotations

import pytest
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from cliplib.breakdowns.counts import Counted, recounted, written
from cliplib.breakdowns.document import read, with_texts
from cliplib.breakdowns.links import Asked
from cliplib.core.errors import PhraseError

TEXT = """# T

## P

He landed [9 of 14](<count:jab?rounds=1-2>) early and [3 of 12](<count:jab?rounds=5-6>) late, [64 %](<count:jab?rounds=1-2>)
in all. There were [26](count:jab) exchanges, [4](<count:jab?rounds=1-2&of=missed>) of them in the air. [1 of 2](count:jibber)?
"""


def counter(question: Asked) -> Counted:
    if question.phrase == "jibber":
        raise PhraseError("“jibber” is not understood; did you mean “jab”?")
    where = dict(question.filters).get("rounds", "")
    landed, missed, unknown = {"1-2": (10, 5, 1), "5-6": (12, 1, 0), "": (22, 6, 1)}[where]
    clips = {"tried": tuple(range(landed + missed)), "missed": tuple(range(missed))}
    outcomes = {"landed": landed, "missed": missed, "unknown": unknown}
    return Counted(landed + missed + unknown, outcomes, 26, clips, f"jab, rounds {where}", ("A try is …",))


def test_recounted() -> None:
    document = read(TEXT)
    found = recounted(document, counter, {"count:jab?rounds=1-2": [0, 1, 2, 99]})
    said = [one.sentence for one in found.counts]
    # Wilson's interval by statsmodels, as the reference.
    low, high = proportion_confint(10, 15, method="wilson")
    assert f"95 % interval {100 * low:.0f} to {100 * high:.0f} %" in said[0]
    assert said[0].startswith("written 9 of 14, now 10 of 16 (67 %")
    assert "1 of the tries have no outcome" in said[0]
    assert "new: clips 3, 4" in said[0]
    assert "no longer among them: 99" in said[0]
    assert said[2].startswith("written 64 %, now 67 %")
    assert said[3] == "26 holds"
    assert said[4].startswith("written 4, now 5")
    assert "did you mean “jab”" in said[5]
    changed = with_texts(document, found.texts)
    again = recounted(read(changed), counter)
    assert not any(one.drift for one in again.counts)


def test_the_direction_of_a_comparison() -> None:
    document = read(
        "# T\n\n## P\n\nHe landed [9 of 14](<count:jab?rounds=1-2>) early, [3 of 12](<count:jab?rounds=5-6>) late.\n"
    )
    (held,) = recounted(document, counter).comparisons
    assert held.holds is False
    assert "THE OTHER WAY ROUND" in held.said
    # Newcombe's interval of the difference (1998, Stat Med 17:873, method 10), by statsmodels.
    low, high = confint_proportions_2indep(10, 15, 12, 13, compare="diff", method="newcomb")
    assert f"interval {100 * low:+.0f} to {100 * high:+.0f}" in held.said


def test_no_comparison_where_none_is_made() -> None:
    document = read(
        "# T\n\n## P\n\n[9 of 14](<count:jab?rounds=1-2>) early. [3 of 12](<count:jab?rounds=5-6>) late.\n"
    )
    assert not recounted(document, counter).comparisons
    broken = read("# T\n\n## P\n\n[9 of 14](<count:jab?rounds=1-2>) against [1 of 2](count:jibber).\n")
    (held,) = recounted(broken, counter).comparisons
    assert held.holds is None


@pytest.mark.parametrize(
    ("text", "form", "first", "second"),
    [
        ("9 of 14", "of", 9, 14),
        ("9/14", "of", 9, 14),
        ("neun: 9 von 14", "of", 9, 14),
        ("٩ من ١٤", "of", 9, 14),
        ("64 %", "rate", 64, 0),
        ("64.5 per cent", "rate", 64.5, 0),
        ("64,5%", "rate", 64.5, 0),
        ("26", "times", 26, 0),
    ],
)
def test_counts_in_words(text: str, form: str, first: float, second: int) -> None:
    said = written(text)
    assert (said.form, said.first, said.second) == (form, first, second)


@pytest.mark.parametrize("text", ["", "many", "1 of 2 of 3", "1.5 of 3"])
def test_no_counts(text: str) -> None:
    with pytest.raises(ValueError, match="9 of 14"):
        written(text)
