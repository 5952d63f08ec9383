"""What exactly is counted, in sentences that are shown with every result."""

from __future__ import annotations

from cliplib.tally.changing import Kind
from cliplib.tally.comparing import Method

ONE_FIGHT = (
    "Exchanges of one fight are not independent draws: an interval or a test from one fight describes that "
    "fight, and promises nothing about the next one."
)
SEVERAL_FIGHTS = (
    "Taken together over {0} fights: an interval says what more fights like these might show, as far as "
    "these few tell how fights differ."
)
COUNTED = "Counted once each: the actions that an exchange's match of the phrase ends with."
OUTCOMES = (
    "How a match came off, and whose it is, its last punch tells: of whoever ends the match, or else, where "
    "they threw none in it, the other's. So a pattern that ends in a defence has an outcome; without a punch "
    "there is none. Landed includes knockdown and hurt. The rate is landed out of "
    "landed + partial + blocked + missed; unknown outcomes are shown, and neither guessed nor spread over "
    "the others. Inferred: nobody said how it went, and a defence right behind it tells of a miss or a "
    "block. Since no defence tells of a hit, inferred outcomes are part of the rates of a table (of a row, "
    "in what comes next, what answers and what catches) only where no outcome in it is unknown."
)
THEN = "And then: how the opponent's next punch of the exchange went, where it came within the step window."
WILSON = (
    "Intervals: Wilson's, 95 %; over several fights at the effective number of tries, so that they carry the "
    "spread between fights (Rao and Scott 1992; Student's t for few fights, Korn and Graubard 1998)."
)
MINUTES = (
    "A minute: of round clock. A round counts in full as soon as one exchange of it was logged, at its "
    "fight's own length; where a fight ended early its last round counts to the last logged exchange. Rests "
    "do not count, nor do rounds of unknown length and the tries in them."
)
NO_MINUTES = "No rate per minute: how long each stance was held is not logged."
DEFINITIONS_DIFFER = "Counts made by other definitions are not comparable with these."
NEXT = (
    "Next: the first action logged after it in the same exchange, by the same fighter and by the opponent. "
    "“Nothing more” says only that the exchange's log ends there.",
    "Gaps: median, with the middle half (quartiles), over those with both times.",
)
_LOOKS = (
    "q: p adjusted for all lines of its table (Benjamini and Hochberg); the words go by q (.05 and .005, by "
    "convention)."
)
_WITHIN = (
    "Several fights are not one sample. Difference: within {0}, weighted (Mantel and Haenszel; interval by "
    "Sato 1989). p: Cochran, Mantel and Haenszel's test within {0}; where they differ in what they say more "
    "than chance would have it, with {0} as the units (Student's t). Whether the difference is the same in "
    "all of them is looked at with Breslow and Day's test. The counts are taken together all the same, so "
    "that both are seen where they say the contrary."
)
COMPARING: dict[Method, tuple[str, ...]] = {
    "one fight": (
        "Difference: of the two proportions, with Newcombe's 95 % interval. p: Fisher's exact test, "
        f"two-sided. {_LOOKS}",
    ),
    "fights": (f"{_WITHIN.format('fights')} {_LOOKS}",),
    "opponents": (f"{_WITHIN.format('opponents')} {_LOOKS}",),
    "whole fights": (
        "Several fights are not one sample. Hardly a fight is on both sides, so that fights are the units: "
        "difference and p by Student's t with the spread between fights, and as many degrees of freedom as "
        f"fights beyond the first of each side. {_LOOKS}",
    ),
}
_BY_CHANCE = (
    "p: how often the same exchanges in any other order would split as well; and, where four rounds or "
    "more were watched, how often a split would stand out as much from what rounds differ by anyway; the "
    "larger of the two. Exchanges stay whole, because punches come in bunches and outcomes "
    "within an exchange are alike."
)
_ONE_LOOK = "It is for one look: of twenty patterns looked at, one would seem to change by chance."
_BEFORE_AFTER = (
    "Before against after: the split is chosen anew in every other order of the exchanges. p: how often this "
    "line differs as much there, by Fisher's exact test; q: how often the least likely of all lines does "
    "(Westfall and Young 1993); the words go by q (.05 and .005, by convention)."
)
CHANGING: dict[Kind, tuple[str, ...]] = {
    "rate": (
        "The moment between two exchanges that best splits the tries, in order, into two rates of landing.",
        f"{_BY_CHANCE} {_ONE_LOOK}",
        "Tries without a known outcome are left out of it.",
        _BEFORE_AFTER,
    ),
    "frequency": (
        "The moment between two exchanges that best splits the watched round clock into two frequencies.",
        f"{_BY_CHANCE} Each moves together with the time before it. {_ONE_LOOK}",
        MINUTES,
        _BEFORE_AFTER,
    ),
}
ANSWERS = (
    "Answer: the first thing the opponent does, with the first punch thrown along with it, both before the "
    "attacker's next punch and within the step window. Beaten: the attack did not land and that punch did, "
    "out of those where both outcomes are known or there was no punch.",
    "Open: the two stood in opposite stances at that moment. Closed: in the same.",
)
CAUGHT = (
    "Against: the opponent's last punch before the defence, within the step window. Next: the opponent's "
    "next punch after it within the window, before the defender threw one.",
)

ELSEWHERE = (
    "Elsewhere: in all fights but those in which the phrase was found, whoever tried it there. The same "
    "stance match comes first, then the higher lower end of the interval: one try that worked is no method."
)
