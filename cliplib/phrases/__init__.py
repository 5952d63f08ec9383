"""The reader of trade language, for searches and logs: rules and words are data, every reading is weighed.

phrase -> tokens -> what each stretch can stand for (lexer) -> a chart of what the rules make of them
(rules.txt,
chart; meanings, telling; who acts: acting) -> the cheapest story -> steps and filters (build) | a log's
actions
-> said back (saying)

A word is added in words.txt (or, where it is a term, in the vocabulary), a construction in rules.txt;
either is one
line with its example, which is its test.
"""

from cliplib.phrases.completing import complete
from cliplib.phrases.jsonform import reading_json
from cliplib.phrases.logreader import LogPhrase, read_log
from cliplib.phrases.reader import read_search, trace

__all__ = ["LogPhrase", "complete", "read_log", "read_search", "reading_json", "trace"]
