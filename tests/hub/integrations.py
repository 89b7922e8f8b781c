"""Prints what the hub's integrations of the trial need besides its core, one requirement a line, by the hub's own
manifests. Runs in the hub's environment; the hub would fetch the same while it starts."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

WANTED = (
    "frontend", "config", "history", "recorder", "mqtt", "mobile_app", "tts", "media_player", "light", "script",
    "automation", "template", "input_text", "input_boolean", "backup", "hardware", "network", "camera",
    "stream", "assist_pipeline", "logger", "analytics", "person", "zone", "tag", "application_credentials",
    "conversation", "image_upload", "system_health", "counter", "timer", "schedule", "scene", "labs",
)  # fmt: skip
"""What the trial sets up, and what a hub sets up in any case; names another version does not know are passed over."""


def needed(components: Path, wanted: tuple[str, ...]) -> set[str]:
    found: set[str] = set()
    seen: set[str] = set()
    waiting = list(wanted)
    while waiting:
        name = waiting.pop()
        manifest = components / name / "manifest.json"
        if name in seen or not manifest.exists():
            continue
        seen.add(name)
        body = json.loads(manifest.read_text(encoding="utf-8"))
        found |= set(body.get("requirements", ()))
        waiting += body.get("dependencies", ())
    return found


if __name__ == "__main__":
    spec = importlib.util.find_spec("homeassistant")
    assert spec is not None and spec.origin is not None, "the hub's package is not in this environment"
    sys.stdout.write("\n".join(sorted(needed(Path(spec.origin).parent / "components", WANTED))) + "\n")
