"""The demo's own rig and cook: a beef chuck roll overnight and a lamb shoulder, for lunch in the village hall."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

START = datetime(2026, 11, 27, 17, 0, tzinfo=UTC).timestamp()
"""A Friday evening; the lunch is on Saturday."""
RIG = """
[pit]
id = "pit"
name = "The long pit"
band = {{ low = 107, high = 135 }}
[people]
zone = "UTC"
quiet_from = "22:30"
quiet_until = "06:30"
[[devices]]
kind = "serial-line"
id = "board"
port = "{port}"
line = {{ kind = "words", chip = "max31855", checksum = "crc16", thermocouple = "K" }}
{channels}
{broker}
[[delivery]]
kind = "command"
name = "bell"
audience = ["sounder"{more}]
command = ["true"]
"""
CHANNEL = """
[[channels]]
id = "{id}"
name = "{name}"
role = "{role}"
device = "board"
source = "{id}"
stale_after = 120
{place}
"""
CHANNELS = (
    ("pit-left", "Pit, left", "pit", "left"),
    ("pit-right", "Pit, right", "pit", "right"),
    ("pit-firebox", "Pit, by the fire", "pit", "firebox end"),
    ("chuck", "Chuck roll", "meat", ""),
    ("chuck-edge", "Chuck roll, outer", "meat", ""),
    ("lamb", "Lamb shoulder", "meat", ""),
    ("outside", "Outside", "ambient", ""),
    ("cabinet", "Warmer", "hold", ""),
)
BROKER = """
[broker]
host = "127.0.0.1"
port = {port}
[[delivery]]
kind = "mqtt"
name = "bedroom"
audience = ["phone", "louder", "notice"]
"""
COOK = """
id = "village-hall"
name = "Village-hall lunch"
serve_at = 2026-11-28T12:30:00
[hold]
channel = "cabinet"
target = 66
[[pieces]]
name = "Chuck roll"
id = "chuck"
cut = "beef-chuck-roll"
channel = "chuck"
weight = 7.0
thickness = 15
wrap = { material = "paper", at = 77 }
tender = [92, 97]
[[pieces]]
name = "Lamb shoulder"
id = "lamb"
cut = "lamb-shoulder"
channel = "lamb"
weight = 2.4
tender = [90, 95]
"""
EVERYBODY = ', "phone", "louder", "notice"'
"""Audiences the bell must reach too where there is no broker."""


def write_demo_files(directory: Path, port: str = "/dev/null", broker: int | None = None) -> tuple[Path, Path]:
    """Rig and cook file. port: of the amplifier board. broker: TCP port of one on this machine; without, the bell tells all."""
    channels = "".join(
        CHANNEL.format(id=i, name=n, role=r, place=f'place = "{p}"' if p else "") for i, n, r, p in CHANNELS
    )
    section, more = (BROKER.format(port=broker), "") if broker else ("", EVERYBODY)
    rig, cook = directory / "rig.toml", directory / "cook.toml"
    rig.write_text(RIG.format(port=port, channels=channels, broker=section, more=more), encoding="utf-8")
    cook.write_text(COOK, encoding="utf-8")
    return rig, cook
