"""Pages of counts."""
