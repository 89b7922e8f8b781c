"""Gives our discovery documents to the hub's own package and lists the entities it takes. Opt-in: see README.md.

Runs in an environment that has the hub's package, not in pitvigil's:
    python -m tests.shell.hub_scenario > documents.json     (in pitvigil's)
    python deploy/hub/check_discovery.py documents.json     (in the hub's)
"""

from __future__ import annotations

import importlib
import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

PACKAGE = "homeassistant.components.mqtt"


def complaint(platform: str, document: dict[str, Any]) -> str:
    """What the hub has against one entity, or nothing."""
    schema = importlib.import_module(f"{PACKAGE}.{platform}").DISCOVERY_SCHEMA
    try:
        schema(dict(document))
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    return ""


def main() -> int:
    documents = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    taken: Counter[str] = Counter()
    refused = []
    for topic, document in documents["entities"].items():
        platform = topic.split("/")[1]
        problem = complaint(platform, document)
        if problem:
            refused.append(f"{topic}: {problem}")
        else:
            taken[platform] += 1
            print(f"{platform:14} {document['unique_id']:55} {document['name']}")  # noqa: T201
    # A check that cannot fail proves nothing: the same entities, spoilt.
    spoilt = [dict(d, availability_mode="some") for d in documents["entities"].values()]
    passed = sum(not complaint(t.split("/")[1], d) for t, d in zip(documents["entities"], spoilt, strict=True))
    if passed:
        refused.append(f"{passed} spoilt entities were taken: the check is blind")
    print(dict(taken), f"{len(refused)} refused")  # noqa: T201
    print("\n".join(refused))  # noqa: T201
    return 1 if refused else 0


if __name__ == "__main__":
    sys.exit(main())
