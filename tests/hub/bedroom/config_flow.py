"""Adds the bedroom without a question."""

from __future__ import annotations

from typing import Any

from homeassistant.config_entries import ConfigFlow  # type: ignore[import-not-found]


class Flow(ConfigFlow, domain="bedroom"):  # type: ignore[misc, call-arg]
    VERSION = 1

    async def async_step_user(self, answers: Any = None) -> Any:
        return self.async_create_entry(title="Bedroom", data={})
