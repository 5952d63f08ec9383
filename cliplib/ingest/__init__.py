"""From fight folders to a library: read, compare, store, cut."""
