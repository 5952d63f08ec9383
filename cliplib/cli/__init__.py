"""The command line: parse, ask the library, print."""
