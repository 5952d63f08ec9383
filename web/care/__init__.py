"""Pages that look after a library."""
