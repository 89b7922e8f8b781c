"""Gives our discovery documents to the hub's own package and lists the entities it takes. Opt-in: see README.md.

Runs in an environment that has the hub's package, not in pitvigil's:
    python -m tests.shell.hub.hub_scenario > documents.json     (in pitvigil's)
    python deploy/hub/check_discovery.py documents.json     (in the hub's)
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

PACKAGE = "homeassistant.components.mqtt"


def say(text: str) -> None:
    sys.stdout.write(text + "\n")


def complaint(schema: Any, document: dict[str, Any]) -> str:
    """What the hub has against a document, or nothing."""
    try:
        schema(json.loads(json.dumps(document)))
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    return ""


def of_platform(topic: str) -> Any:
    return importlib.import_module(f"{PACKAGE}.{topic.split('/')[1]}").DISCOVERY_SCHEMA


def of_device() -> Any | None:
    """Hubs from 2024.11 on know documents of a whole device."""
    with contextlib.suppress(ImportError):
        return getattr(importlib.import_module(f"{PACKAGE}.schemas"), "DEVICE_DISCOVERY_SCHEMA", None)
    return None


async def check(documents: dict[str, Any]) -> int:
    core = importlib.import_module("homeassistant.core")
    frame = importlib.import_module("homeassistant.helpers.frame")
    with tempfile.TemporaryDirectory() as directory:
        hub = core.HomeAssistant(directory)
        if hasattr(frame, "async_setup"):
            frame.async_setup(hub)
        refused, taken = [], Counter[str]()
        for topic, document in documents["entities"].items():
            problem = complaint(of_platform(topic), document)
            if problem:
                refused.append(f"{topic}: {problem}")
            else:
                taken[topic.split("/")[1]] += 1
                say(f"{topic.split('/')[1]:14} {document['unique_id']:55} {document['name']}")
            # A check that cannot fail proves nothing: the same entity, spoilt.
            if not complaint(of_platform(topic), document | {"availability_mode": "some"}):
                refused.append(f"{topic}: taken even when spoilt, so the check is blind")
        device = of_device()
        if device is not None:
            problem = complaint(device, documents["device"])
            say(f"whole device: {problem or 'taken'}")
            refused += [problem] if problem else []
            if not complaint(device, {k: v for k, v in documents["device"].items() if k != "origin"}):
                refused.append("a device without its origin was taken, so the check is blind")
        say(f"{dict(taken)}, {len(refused)} refused")
        say("\n".join(refused))
        await hub.async_stop(force=True)
        return 1 if refused else 0


if __name__ == "__main__":
    sys.exit(asyncio.run(check(json.loads(Path(sys.argv[1]).read_text(encoding="utf-8")))))
