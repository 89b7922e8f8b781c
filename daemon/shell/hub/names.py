"""What the hub's readers call the parts of the watch, from the catalogue: by the kind of node and the property, or by
the property alone where it is called the same on all of them."""

from __future__ import annotations

from daemon.texts.composer import Composer

RANGE = "-range"
"""Ends the id of a property that holds the two ends of an instant."""


def name_of(kind: str, prop: str, composer: Composer) -> str:
    """Of a property. kind: of its node. Raises KeyError where the catalogue has none."""
    if kind == "alarms":
        return composer.words(f"alarm.{prop}.title")
    if prop.endswith(RANGE):
        return composer.words("hub.range", name=name_of(kind, prop.removesuffix(RANGE), composer))
    own, any_ = f"hub.{kind}.{prop}", f"hub.any.{prop}"
    return composer.words(own) if own in composer.catalogue else composer.catalogue[any_]


def label_of(prop: str, payload: str, composer: Composer) -> str:
    """Of a button that sends this payload to the property."""
    return composer.catalogue[f"hub.press.{prop}.{'all' if payload == '*' else payload}"]
