"""The document: CommonMark as markdown-it-py reads it, kept byte for byte."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from cliplib.breakdowns.document import key_of, read, with_texts
from cliplib.breakdowns.links import asked, clips_in, treatment
from cliplib.core.errors import InputError

TEXT = """# What beat the jab

For the *Tuesday* class, <b>with care</b>.

```toml
[sound]
film = 12
```

## The pattern

Adeyemi landed [9 of 14](<count:Adeyemi jab?rounds=1-2>) early and [3 of 12](<count:Adeyemi jab?rounds=5-6>)
late; `[3 of 12](<count:not a link>)` is code. J. Brandt saw [26](count:jab)! Then he rolled.

- [the first try](clip:12 "slow 0.5, freeze 1.5") he steps outside
- [before and after](beside:7,31)
- [three more](<find:rolls under?fighter=Adeyemi&limit=3>)
- [what came next](<picture:next?phrase=jab>)
- [an interview](https://example.org/a)

### A deeper heading

> quoted

## The pattern

نص عربي [٩ من ١٤](<count:jab>) ثم.
"""


def test_what_it_says() -> None:
    document = read(TEXT)
    assert document.title == "What beat the jab"
    assert [paragraph.text for paragraph in document.about] == ["For the Tuesday class, with care."]
    first, second = document.points
    assert (first.heading, first.key, second.key) == ("The pattern", "the-pattern", "the-pattern-2")
    assert [link.kind for link in first.shots] == ["clip", "beside", "find", "picture"]
    assert [link.text for link in first.counts] == ["9 of 14", "3 of 12", "26"]
    sentences = first.script[0].sentences()
    assert [said for said, _ in sentences][1:] == ["J. Brandt saw 26!", "Then he rolled."]
    assert [len(links) for _, links in sentences] == [2, 1, 0]
    assert second.counts[0].text == "٩ من ١٤"
    assert not document.problems
    notes = " ".join(note.message for note in document.notes)
    for kept in ("HTML", "https://example.org/a", "A deeper heading", "is there twice", "shows nothing"):
        assert kept in notes


def test_links_are_those_of_commonmark() -> None:
    """Against markdown-it's own renderer: each link's text stands in the document where it is said to."""
    document = read(TEXT)
    rendered = MarkdownIt("commonmark").render(TEXT)
    assert rendered.count("<a href") == len(document.links)
    assert all(document.text[link.start : link.end] == link.text for link in document.links)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_one_count_is_changed_and_nothing_else(end: str) -> None:
    text = TEXT.replace("\n", end)
    document = read(text)
    link = next(link for link in document.links if link.text == "3 of 12")
    changed = with_texts(document, {link: "4 of 13"})
    before, after = text.encode(), changed.encode()
    place = before.index(b"[3 of 12]")
    assert after == before[:place] + b"[4 of 13]" + before[place + len(b"[3 of 12]") :]


def test_a_change_that_would_read_otherwise_is_refused() -> None:
    document = read("# T\n\n## P\n\n[1](count:jab)\n")
    with pytest.raises(InputError, match="by hand"):
        with_texts(document, {document.links[0]: "](x) ["})


def test_links_by_reference() -> None:
    document = read("# T\n\n## P\n\nHe landed [9 of 14][early] jabs.\n\n[early]: <count:jab?rounds=1-2>\n")
    (link,) = document.points[0].counts
    assert link.target == "count:jab?rounds=1-2"
    assert "[10 of 14][early]" in with_texts(document, {link: "10 of 14"})


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet=st.sampled_from("#-*[]()<>`\n\r \\\"'&;:?!.ab1é字ا\u2028\0|_~"), max_size=200))
def test_nothing_is_lost_or_raised(text: str) -> None:
    document = read("# T\n\n## P\n\n" + text)
    assert document.text == "# T\n\n## P\n\n" + text
    for link in document.links:
        assert 0 <= link.start <= link.end <= len(document.text)


def test_what_is_wrong_is_said_with_its_line() -> None:
    text = 'Nothing\n\n## P\n\n[1](<count:jab?ronds=1>) [2](count:)\n\n- [x](clip:twelve)\n- [y](clip:1 "slwo")\n'
    said = [str(problem) for problem in read(text).problems]
    assert any("no title" in one for one in said)
    assert any(":5:" in one and "did you mean “rounds”" in one for one in said)
    assert any("says no phrase" in one for one in said)
    assert any(":7:" in one and "write clip:12" in one for one in said)
    assert any(":8:" in one and "no treatment" in one for one in said)


def test_links_in_words() -> None:
    found = asked("count:Adeyemi jab?rounds=1-2&only.round=3&of=missed")
    assert (found.phrase, found.filters, found.only, found.of) == (
        "Adeyemi jab", (("rounds", "1-2"),), (("round", "3"),), "missed",
    )  # fmt: skip
    assert asked("picture:next?phrase=slip%20and%20counter").phrase == "slip and counter"
    assert clips_in("beside:7, 31") == (7, 31)
    said = treatment("slow 0.25, times 2, freeze 1.5, mirror second, frames 310-420, offset -3, no zoom")
    assert said.slow
    assert (float(said.slow.speed), said.slow.times) == (0.25, 2)
    assert said.freeze
    assert said.freeze.hold_us == 1_500_000
    assert (said.mirror, said.first, said.last, said.offset, said.zoom) == ("second", 310, 420, -3, False)


def test_file_names_of_headings() -> None:
    assert key_of("The jab, upstairs!") == "the-jab-upstairs"
    assert key_of("ジャブの後") == "ジャブの後"
    assert key_of("../../etc") == "etc"
    assert key_of("…") == "point"
    assert len(key_of("字" * 200).encode()) <= 80


@pytest.mark.parametrize("text", ["", "# T\n", "said\n", "# T\n\n- [x](clip:1)\n"])
def test_a_document_without_a_point(text: str) -> None:
    found = read(text)
    assert found.points == ()
    assert "there is no point" in str(found.problems[-1])
