"""`python -m cliplib`, the same as the `cliplib` command."""

from cliplib.cli.main import main

main()
