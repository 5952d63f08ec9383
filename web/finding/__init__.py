"""Pages that find and show."""
