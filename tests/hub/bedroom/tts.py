"""The voice."""

from __future__ import annotations

from typing import Any

from homeassistant.components.tts import TextToSpeechEntity  # type: ignore[import-not-found]


class Voice(TextToSpeechEntity):  # type: ignore[misc]
    _attr_name, _attr_unique_id = "Home", "bedroom_voice"
    _attr_default_language, _attr_supported_languages = "en", ["en"]

    def get_tts_audio(self, message: str, language: str, options: Any) -> tuple[str, bytes]:
        return "wav", b"RIFF"


async def async_setup_entry(hub: Any, entry: Any, add: Any) -> None:
    add([Voice()])
