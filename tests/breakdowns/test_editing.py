"""Changing a document by pressing something: what was not asked for stays as it was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from cliplib.breakdowns.document import read
from cliplib.breakdowns.editing import (
    in_order,
    link_to,
    plain,
    target_of,
    with_ends_of,
    with_sentence,
    with_shot,
)
from cliplib.breakdowns.links import asked
from cliplib.core.errors import InputError, NotFoundError

TEXT = """# T

about

## A
said [1](count:jab)
- [x](clip:1)
* [y](clip:2)

```toml
a=1
```
## B

C
---
last"""


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_shot_is_put_at_the_end_of_its_list(end: str) -> None:
    text = TEXT.replace("\n", end)
    after = with_shot(read(text), "a", link_to("z", "clip:3", "slow 0.5"))
    assert after == text.replace("(clip:2)", f'(clip:2){end}* [z](clip:3 "slow 0.5")')
    after = with_shot(read(text), "c", link_to("z", "clip:3"))
    assert after == text + end + end + "- [z](clip:3)" + end
    assert [len(point.shots) for point in read(after).points] == [2, 0, 1]


def test_a_sentence_is_put_behind_what_is_said() -> None:
    after = with_sentence(read(TEXT), "a", "Also [2](count:hook).")
    assert after == TEXT.replace("(count:jab)\n", "(count:jab)\n\nAlso [2](count:hook).\n\n")
    assert [p.text for p in read(after).points[0].script] == ["said 1", "Also 2."]
    after = with_sentence(read(TEXT), "b", "Only [2](count:hook).")
    assert after == TEXT.replace("## B\n", "## B\n\nOnly [2](count:hook).\n")


def test_points_in_another_order() -> None:
    after = in_order(read(TEXT), [2, 0, 1])
    assert [point.heading for point in read(after).points] == ["C", "A", "B"]
    assert after.startswith("# T\n\nabout\n\nC\n---\nlast\n\n## A\nsaid [1](count:jab)\n- [x](clip:1)\n")
    assert in_order(read(after), [1, 2, 0]).split() == TEXT.split()
    assert in_order(read(TEXT), [0, 1, 2]) == TEXT
    for wrong in ([0, 1], [0, 0, 1], [1, 2, 3]):
        with pytest.raises(InputError):
            in_order(read(TEXT), wrong)


def test_what_would_read_otherwise_is_refused() -> None:
    """A block of code without an end takes all that is behind it."""
    text = "# T\n\n## A\n\na\n\n## B\n\nb\n\n```\nopen\n"
    with pytest.raises(InputError, match="by hand"):
        in_order(read(text), [1, 0])
    with pytest.raises(NotFoundError):
        with_shot(read(text), "nowhere", "[x](clip:1)")
    # Two definitions of one reference: the first holds (CommonMark 0.31, 4.7).
    text = "# T\n\n## A\n\n- [x][r]\n\n[r]: clip:1\n\n## B\n\n[r]: clip:2\n\nb\n"
    with pytest.raises(InputError, match="by hand"):
        in_order(read(text), [1, 0])


@given(st.text(min_size=1, max_size=30).filter(lambda t: t.split()))
def test_any_text_is_a_link_that_shows_it(text: str) -> None:
    """Read back by markdown-it-py as CommonMark."""
    shown = MarkdownIt("commonmark").parseInline(link_to(text, "clip:1"))[0].children or []
    said = "".join(token.content for token in shown)
    assert said.replace("\0", "�") == " ".join(text.split()).replace("\0", "�")
    assert plain(text).count("\n") == 0


@given(
    st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20).filter(lambda t: t.split()),
    st.lists(st.tuples(st.sampled_from(["fighter", "fight", "only.period"]), st.text(max_size=20))),
)
def test_any_phrase_is_a_target_that_says_it(phrase: str, said: list[tuple[str, str]]) -> None:
    target = target_of("count", phrase, said)
    (link,) = read(f"# T\n\n## P\n\n[1](<{target}>)\n").links
    found = asked(link.target)
    assert found.phrase == " ".join(phrase.split())
    assert list(found.filters) == [pair for pair in said if not pair[0].startswith("only")]
    assert [("only." + key, value) for key, value in found.only] == [p for p in said if p[0][:4] == "only"]


@given(
    st.lists(st.tuples(st.sampled_from(["a", "b", ""]), st.sampled_from(["\n", "\r\n", "\r"])), max_size=8),
    st.sampled_from(["", "end"]),
)
def test_line_ends_come_back(lines: list[tuple[str, str]], last: str) -> None:
    """What a browser makes of a text (line ends as LF), sent back unchanged, is the text."""
    text = "".join(line + end for line, end in lines) + last
    typed = text.replace("\r\n", "\n").replace("\r", "\n")
    assert with_ends_of(typed, text) == text
