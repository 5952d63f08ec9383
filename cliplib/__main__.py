"""`python -m cliplib`, the same as the `cliplib` command."""

from .cli import main

main()
