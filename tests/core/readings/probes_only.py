"""A rig of which only the probes matter."""

from __future__ import annotations

from datetime import UTC

from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    QuietHours,
    Role,
    WatchSettings,
)


def probes_only(**roles: Role) -> WatchSettings:
    """roles: role by the id of the channel, which is its name, too."""
    return WatchSettings(
        "pit",
        "Pit",
        tuple(ChannelSettings(name, name, role, stale_after=60.0) for name, role in roles.items()),
        CookSettings("night", "night", Band(107.0, 135.0)),
        AnnouncingSettings(QuietHours(0, 1, UTC)),
    )
