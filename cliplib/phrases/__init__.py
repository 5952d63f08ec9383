"""One reader of the trade's language, for logs and for searches.

phrase -> tokens -> items (lexer: longest match) -> chunks (grammar: an action with what belongs to it)
       -> story (clauses: actions in time order, who does what) -> steps and filters | a log's actions
       -> said back (saying)
"""

from cliplib.phrases.completing import complete
from cliplib.phrases.jsonform import reading_json
from cliplib.phrases.logreader import LogPhrase, read_log
from cliplib.phrases.reader import read_search

__all__ = ["LogPhrase", "complete", "read_log", "read_search", "reading_json"]
