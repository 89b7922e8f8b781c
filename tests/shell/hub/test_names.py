"""Everything the hub is shown has a name in the catalogue, and no name lies about unused. No outside source: names are ours."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from daemon.core.planned import StepKind
from daemon.shell.hub import duties, homie
from daemon.shell.hub.names import RANGE, label_of, name_of
from daemon.shell.hub.properties import Property
from daemon.shell.hub.shown import OF_NODES
from daemon.texts.catalogue import catalogue
from daemon.texts.composer import PLAIN

TABLES = {
    "pit": (*homie.PIT, *duties.WOOD),
    "piece": (*homie.PIECE, duties.on_pit),
    "channel": homie.CHANNEL,
    "watch": (*homie.WATCH, *duties.WOOD, *duties.PLAN),
    "reminder": duties.REMINDER,
    "alarms": homie.ALARMS,
}
PROPERTIES = [
    (kind, prop.id if isinstance(prop, Property) else "pit") for kind, props in TABLES.items() for prop in props
]
"""Which pit a piece is on is made when it is known which there are."""
BUTTONS = [(prop, payload) for table in OF_NODES.values() for prop, look in table.items() for payload in look.press]


@pytest.mark.parametrize(("kind", "prop"), PROPERTIES)
def test_every_property_has_a_name(kind: str, prop: str) -> None:
    assert name_of(kind, prop, PLAIN)


@pytest.mark.parametrize(("prop", "payload"), BUTTONS)
def test_every_button_has_a_label(prop: str, payload: str) -> None:
    assert label_of(prop, payload, PLAIN)


def test_what_is_shown_is_a_property() -> None:
    assert {(kind, prop) for kind, table in OF_NODES.items() for prop in table} <= set(PROPERTIES)


def test_no_name_lies_about_unused() -> None:
    texts = catalogue().texts
    named = {key for key in texts if key.count(".") > 1 and key.startswith("hub.")}
    assert named - set(used(texts)) == set()


def used(texts: dict[str, str]) -> Iterator[str]:
    for kind, prop in PROPERTIES:
        own = f"hub.{kind}.{prop.removesuffix(RANGE)}"
        yield own if own in texts else f"hub.any.{prop.removesuffix(RANGE)}"
    for prop, payload in BUTTONS:
        yield f"hub.press.{prop}.{'all' if payload == '*' else payload}"
    yield from (f"hub.to-do.{step}" for step in StepKind)
    yield from (f"hub.node.{kind}" for kind in ("watch", "alarms"))
    yield from (f"hub.event.{word}" for word in ("alarm", "fire", "mark", "refused"))
