"""MP4 files by their sample tables: read, written, put together."""
