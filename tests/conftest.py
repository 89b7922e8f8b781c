"""For every test: a loaded machine may be slow and is never wrong."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")
