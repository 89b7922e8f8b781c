"""Which kind of device or delivery is meant by a table whose own word for it is none."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel

from config.delivery import Delivery
from config.devices import Device


def _by_kind(union: Any) -> dict[str, type[BaseModel]]:
    """union: of models that are told apart by their `kind`."""
    models = get_args(get_args(union)[0])
    return {get_args(model.model_fields["kind"].annotation)[0]: model for model in models}


KINDS: Mapping[str, Mapping[str, type[BaseModel]]] = {"devices": _by_kind(Device), "delivery": _by_kind(Delivery)}
"""By the list of a file."""


def kind_meant(listed: str, table: Mapping[str, object]) -> str | None:
    """The kind that is spelt nearly so, else the only one that most of the table's own keys belong to."""
    kinds, written = KINDS[listed], table.get("kind")
    near = get_close_matches(written, kinds, 1) if isinstance(written, str) else []
    if near:
        return near[0]
    in_all = set.intersection(*(set(model.model_fields) for model in kinds.values()))
    fit = {kind: len((table.keys() - in_all) & model.model_fields.keys()) for kind, model in kinds.items()}
    most = max(fit.values())
    best = [kind for kind, keys in fit.items() if keys == most]
    return best[0] if most and len(best) == 1 else None
