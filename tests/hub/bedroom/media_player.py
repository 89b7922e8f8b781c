"""The speaker."""

from __future__ import annotations

from typing import Any

from homeassistant.components.media_player import (  # type: ignore[import-not-found]
    MediaPlayerEntity,
    MediaPlayerEntityFeature,
    MediaPlayerState,
)


class Speaker(MediaPlayerEntity):  # type: ignore[misc]
    _attr_name, _attr_unique_id, _attr_should_poll = "Bedroom", "bedroom_speaker", False
    _attr_supported_features = MediaPlayerEntityFeature.VOLUME_SET | MediaPlayerEntityFeature.PLAY_MEDIA
    _attr_state, _attr_volume_level = MediaPlayerState.IDLE, 0.0

    async def async_set_volume_level(self, volume: float) -> None:
        self._attr_volume_level = volume
        self.async_write_ha_state()

    async def async_play_media(self, media_type: str, media_id: str, **more: Any) -> None:
        self._attr_state, self._attr_media_content_id = MediaPlayerState.PLAYING, media_id
        self.async_write_ha_state()


async def async_setup_entry(hub: Any, entry: Any, add: Any) -> None:
    add([Speaker()])
