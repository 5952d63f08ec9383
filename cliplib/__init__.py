"""A clip library for boxing film study.

Footage and a log go in; exactly cut clips come out, indexed by technique, fighter, outcome and round.
`cliplib.library.Library` is the one door: the command line and the web pages use it and nothing behind it.
"""

__version__ = "0.1.0"
