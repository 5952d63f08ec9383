"""Work on strangers' files, in processes apart, with limits."""
