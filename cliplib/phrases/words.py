"""The small words that hold a phrase together. Articles and pronouns are gone before these are matched."""

from __future__ import annotations

# Each line: category, value, ways to say it (separated by "|"). Categories and what the grammar does with them:
#   seq      the next thing comes later, by the same fighter        and: the same, tighter
#   after    the next thing came earlier, by the same fighter       (by the other one, if this is a counter)
#   against  the next thing came earlier, by the other fighter
#   answer   the same, and this is a counter
FUNCTION_WORDS = """
seq        then        then|and then|next|and next|later|before|to set up|in order to set up|leading to|leads to|leading into|leads into|into|followed by|and followed by|followed with|follows with|follows up with|following with|followed up with|follow with|afterwards|->|=>|→|>|+|, then|, and then|before throwing|to land|to throw|prior to|ahead of|ends with|ending with|ends in|ending in|finishes with|finishing with|finished with|and finishes with|transitions to|transitions into|comes back with|come back with|coming back with|came back with|with return|and return|returns with|and returns with
after      after       after|off|off of|off back of|on back of|behind|following|set up by|set up with|preceded by|from behind|out of back of|working off|coming off|thrown off|thrown behind|thrown after|comes off|come off|comes after|come after|coming after|as follow up to|follows|followed|coming behind|comes behind|while|whilst|when
setup      setup       set up|sets up|setting up
against    against     against|over|over top of|in face of|facing|versus|vs|v|in response|to counter
answer     counter     in answer to|in reply to|in response to|as answer to|as reply to|as response to|as counter to|as counter against|reply to|response to|responds to|replies to|to answer|to counter
and        and         and|&|plus|but|yet|as well as|and also|and immediately
or         or          or|/|either|or else
comma      comma       ,
with       with        with|using|by means of
by         by          by|from
of         of          of
not        not         not|never|cannot
without    without     without|no|with no|lacking|minus|without any|and no|not preceded by
notafter   notafter    not followed by|never followed by|is not followed by
uncounter  uncounter   uncountered|unanswered|without answer|without reply|without response|without return|without being answered|with no answer|with no reply|with no response|no answer|no reply|no response|nothing back|with nothing back|no return|with no return
unoutcome  blocked     unblocked
mark       before      before it|first|beforehand|before that|before hand|before
aux        aux         is|was|are|were|gets|get|got|getting|being|been|be|has|have|had|do|does|did|having|will|would
throw      throw       throw|throws|threw|thrown|throwing|fire|fires|fired|firing|fire off|fires off|shoot|shoots|shooting|use|uses|used|using|work|works|worked|working|deliver|delivers|delivered|try|tries|tried|trying|attempt|attempts|attempted|attempting|unload|unloads|unloading|let go|lets go|letting go|bring|brings|brought|bringing|come|comes|came|coming|go|goes|went|going|launch|launches|launched|sling|slings|rip|rips|ripped|ripping|dig|digs|dug|digging|sneak|sneaks|sneaking|whip|whips|whipped|reach|reaches|put|puts|putting|pump|pumps|pumping|return|returns|returned|returning|fire back|fires back|fire back with|fires back with|respond with|responds with|reply with|replies with|take|make|attack|attacks|attacked|attacking|target|targets|targeting|deliver|delivering|paw|throws back|move|moves
receive    landed      gets hit with|gets hit by|got hit with|got hit by|getting hit with|getting hit by|gets caught with|gets caught by|gets caught|got caught with|got caught by|getting caught with|getting caught by|is caught with|is caught by|was caught with|is hit by|is hit with|was hit by|was hit with|being hit by|being hit with|eats|eating|ate|walks onto|walks into|walking onto|walking into|walked onto|walked into|runs into|runs onto|gets tagged by|gets tagged with|takes|took|taking
receive    knockdown   gets dropped by|gets dropped with|gets floored by|gets floored with|gets knocked down by|gets knocked down with|is dropped by|was dropped by|is knocked down by|was knocked down by|is floored by|dropped by|floored by|knocked down by
receive    hurt        gets hurt by|gets rocked by|gets stunned by|is hurt by|was hurt by|is rocked by|was rocked by|hurt by|rocked by|stunned by
evade      missed      make miss|makes miss|made miss|making miss
make       make        makes|made|making
mult       2           double|doubles|doubled|doubling|doubled up|double up|doubles up|doubles up on|double up on|doubling up on|doubled up on|doubling up|two|twin|back to back
mult       3           triple|triples|tripled|tripling|treble|three|triple up|triples up|triples up on
mult       4           four|quadruple
mult       5           five
head       hand        hand
top        overhand    over top|looping|overhand|arcing|looped
other      other       opponent|opponents|opposing fighter|opposing|other fighter|other man|other|other one|other guy|other boxer|other woman|man|rival|adversary|other side|opposition|second fighter
same       same        same fighter|same man|same boxer|same woman|own|same hand fighter|first fighter
filler     filler      show|find|give|clip|clips|video|videos|footage|example|examples|instance|instances|every|each|all|which|who|that|whose|want|like|see|look|looking|where|please|there|exchange|exchanges|fighter|fighters|boxer|boxers|sequence|sequences|combination|combinations|combo|combos|time|times|moment|moments|situation|situations|for|of|to|up|so|also|just|as|get me|search|list|watch|play|let|can|could|thrown|guy|someone|somebody|one|anyone|anybody|whoever|person|technique|action|actions|move|pattern|patterns|attempt at|attempts at|kind of|kinds of|type of|types of|sort of|both|in which|in exchange|able to|ends up|managing to|manages to|occasion|occasions|case|cases|number of|on way|in|on|at
"""
# A word of `filler` is dropped only where nothing else claims it; it never stands for a technique, a fighter or
# a condition. "pull", "in", "on", "up", "down" and "out" are claimed first by the vocabulary's longer terms.
