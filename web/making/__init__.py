"""Pages that make film: reels, themes, drawings, hand-over."""
