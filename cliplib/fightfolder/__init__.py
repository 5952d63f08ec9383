"""A fight folder: `fight.toml`, the footage, one or more logs."""
