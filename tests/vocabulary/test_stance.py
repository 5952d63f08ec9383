"""Hands, sides and slips. The rules are DESIGN.md's; that an orthodox boxer leads with the left is common
practice."""

from __future__ import annotations

import pytest

from cliplib.vocabulary.stance import hand_of, side_of, slip_direction, slip_side, stance_match, switched


@pytest.mark.parametrize(
    ("hand", "stance", "side"),
    [
        ("lead", "orthodox", "left"),
        ("rear", "orthodox", "right"),
        ("lead", "southpaw", "right"),
        ("rear", "southpaw", "left"),
    ],
)
def test_a_hand_has_a_side_by_the_stance_and_back(hand: str, stance: str, side: str) -> None:
    assert side_of(hand, stance) == side
    assert hand_of(side, stance) == hand


@pytest.mark.parametrize(
    ("slip", "punch", "direction"),
    [
        # "Outside of a left-hand punch is the defender's right, inside the defender's left."
        ("right", "left", "outside"),
        ("left", "left", "inside"),
        # "Of a right-hand punch the reverse."
        ("left", "right", "outside"),
        ("right", "right", "inside"),
    ],
)
def test_a_slip_has_a_direction_by_the_punch_and_back(slip: str, punch: str, direction: str) -> None:
    assert slip_direction(slip, punch) == direction
    assert slip_side(direction, punch) == slip


def test_opposite_stances_are_open_and_equal_ones_closed() -> None:
    assert stance_match("orthodox", "southpaw") == stance_match("southpaw", "orthodox") == "open"
    assert stance_match("orthodox", "orthodox") == stance_match("southpaw", "southpaw") == "closed"


def test_what_is_not_known_stays_unknown() -> None:
    assert side_of("lead", None) is None
    assert side_of(None, "orthodox") is None
    assert hand_of("left", None) is None
    assert hand_of(None, "orthodox") is None
    assert slip_direction(None, "left") is None
    assert slip_direction("left", None) is None
    assert slip_side("outside", None) is None
    assert slip_side("left", "right") is None
    assert stance_match("orthodox", None) is None
    assert switched(None) is None


def test_a_switch_is_undone_by_another() -> None:
    assert switched("orthodox") == "southpaw"
    assert switched(switched("orthodox")) == "orthodox"
