"""What a look at all of a footage file comes to, in numbers that both sides of it know. The look itself is
taken in a process apart (`scanning`).
"""

from __future__ import annotations

WIDE, HIGH = 64, 36
"""Of a thumbnail, pixels."""
PLATE_WIDE, PLATE_HIGH = 56, 20
"""Of the marked part, made small, pixels."""
MOTION = ("residual", "limbs", "across", "down", "response", "change")
"""The numbers of a frame: mean and upper 2 % of what moved beside the camera (grey levels), the camera's
shift since the frame before (thumbnail pixels) and how clear it was, and the mean change."""
SOUND_RATE = 12_000

Box = tuple[float, float, float, float]
"""Left, top, right, bottom as shares of the stored picture."""
