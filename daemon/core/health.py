"""The parts of the watch itself (devices, delivery channels, disk, broker, clock) and how long each has been as it is."""

from __future__ import annotations

from typing import Any

from daemon.core.inputs import Health, Part
from daemon.core.said import plain, said
from daemon.core.settings import WatchSettings

OF_THE_RIG = (Part.DEVICE, Part.ADAPTER, Part.CHANNEL, Part.BROKER)
"""Parts that a rig may have or not, by their names."""


class HealthTable(dict[tuple[Part, str], tuple[Health, float]]):
    """By part and name: the newest word on it, and since when it has been well or ill (engine time)."""

    def take(self, item: Health, now: float) -> None:
        key = (item.part, item.name)
        before = self.get(key)
        self[key] = (item, before[1] if before is not None and before[0].ok == item.ok else now)

    def well(self, part: Part) -> bool:
        """Nothing of this kind is known to be ill."""
        return all(health.ok for (kind, _), (health, _) in self.items() if kind is part)

    def record_told(self, now: float) -> None:
        """Somebody has said how things stand: a record that was lost is one again."""
        for (part, name), (health, _) in list(self.items()):
            if part is Part.RECORD and not health.ok:
                self.take(Health(part, name, ok=True), now)

    def ill(self) -> tuple[Health, ...]:
        return tuple(health for health, _ in self.values() if not health.ok)

    def unlike(self, settings: WatchSettings) -> list[tuple[Part, str]]:
        """Those that this rig does not have: a watch may go on with another rig, or with a part under another name."""
        own = {Part.BATTERY: {channel.id for channel in settings.channels}}
        if settings.parts is not None:
            own |= {part: set(settings.parts) for part in OF_THE_RIG}
        return [(part, name) for part, name in self if part in own and name not in own[part]]

    def dump(self) -> list[list[Any]]:
        return [[h.part, h.name, h.ok, plain(h.detail), since] for h, since in self.values()]

    def load(self, dumped: list[list[Any]]) -> None:
        self.clear()
        for part, name, ok, detail, since in dumped:
            self[(Part(part), name)] = (Health(Part(part), name, ok, said(detail)), since)
