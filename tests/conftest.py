"""What all tests share."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

# A busy machine is no fault of the code: examples have no time limit of their own (pytest has one).
settings.register_profile("cliplib", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("cliplib")
