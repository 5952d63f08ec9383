"""Reports of a fight or a fighter, with charts, as HTML and PDF."""
