"""The lamp."""

from __future__ import annotations

from typing import Any

from homeassistant.components.light import ATTR_BRIGHTNESS, ColorMode, LightEntity  # type: ignore[import-not-found]


class Lamp(LightEntity):  # type: ignore[misc]
    _attr_name, _attr_unique_id, _attr_should_poll = "Bedroom", "bedroom_lamp", False
    _attr_color_mode, _attr_supported_color_modes = ColorMode.BRIGHTNESS, {ColorMode.BRIGHTNESS}
    _attr_is_on, _attr_brightness = False, 0

    async def async_turn_on(self, **more: Any) -> None:
        self._attr_is_on, self._attr_brightness = True, more.get(ATTR_BRIGHTNESS, 255)
        self.async_write_ha_state()

    async def async_turn_off(self, **more: Any) -> None:
        self._attr_is_on = False
        self.async_write_ha_state()


async def async_setup_entry(hub: Any, entry: Any, add: Any) -> None:
    add([Lamp()])
