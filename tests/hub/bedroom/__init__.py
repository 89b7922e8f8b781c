"""A bedroom for the trial of the hub: a lamp, a speaker and a voice that do nothing but remember. Runs inside the hub."""

from __future__ import annotations

from typing import Any


async def async_setup_entry(hub: Any, entry: Any) -> bool:
    await hub.config_entries.async_forward_entry_setups(entry, ["light", "media_player", "tts"])
    return True
