"""How the home-automation hub shows each property: what a family reads, what kind of thing it is, where it is filed.

One table a kind of node. What is not in a table is not shown: it stays on the broker for those who look for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from daemon.shell.hub.duties import DROP, GO, KEEP, LAST, PIECE_STEPS, PIT_STEPS
from daemon.shell.hub.names import label_of, name_of
from daemon.shell.hub.properties import Node
from daemon.texts.composer import Composer

DIAGNOSTIC, CONFIG = "diagnostic", "config"
"""The hub's categories; without one a thing is in the middle of the page."""


@dataclass(frozen=True, slots=True)
class Shown:
    """kind: the hub's device class. ends: the property that holds the two ends of an instant. press: payloads that are offered as
    buttons. state: the property that shows what an order came to. step: of a number. icon: of the hub's usual set. of_device: it
    bears the name of its device. name, labels: of it and of its buttons, as `shown` finds them."""

    kind: str = ""
    icon: str = ""
    category: str = ""
    ends: str = ""
    press: tuple[str, ...] = ()
    state: str = ""
    step: float = 0.5
    of_device: bool = False
    name: str = ""
    labels: tuple[str, ...] = ()


def _instant(ends: str = "", icon: str = "mdi:clock-outline") -> Shown:
    return Shown("timestamp", icon, ends=ends)


WOOD: dict[str, Shown] = {
    "wood": Shown(icon="mdi:tree-outline", category=CONFIG, state="wood-left", step=1),
    "wood-until": _instant(icon="mdi:tree-outline"),
}
"""Of the pit; with several pits, which burn one heap, of the watch."""

PIT: dict[str, Shown] = {
    "temperature": Shown(kind="temperature", icon="mdi:campfire", of_device=True),
    "rate": Shown(icon="mdi:trending-up"),
    "stage": Shown("enum", "mdi:fire"),
    "lid-open": Shown("opening"),
    "last-log": _instant(icon="mdi:history"),
    "log-due": _instant("log-due-range", "mdi:fire-alert"),
    "no-forecast": Shown(icon="mdi:help-circle-outline", category=DIAGNOSTIC),
    "spread": Shown(icon="mdi:arrow-left-right"),
    "advice": Shown(icon="mdi:lightbulb-outline"),
    "question": Shown(icon="mdi:chat-question-outline"),
    "band-low": Shown("temperature", "mdi:thermometer-chevron-down", CONFIG),
    "band-high": Shown("temperature", "mdi:thermometer-chevron-up", CONFIG),
    "mark": Shown(
        icon="mdi:gesture-tap-button",
        press=("fire-lit", "log", "lid-open",
               "lid-closed", "damper"),
    ),
    "said": Shown("enum", "mdi:gesture-tap", DIAGNOSTIC),
    "take-back": Shown(icon="mdi:undo", category=CONFIG, press=(LAST,)),
    **WOOD,
}  # fmt: skip

PIECE: dict[str, Shown] = {
    "temperature": Shown(kind="temperature", icon="mdi:thermometer-probe", of_device=True),
    "rate": Shown(icon="mdi:trending-up"),
    "stage": Shown("enum", "mdi:food-steak"),
    "stage-since": Shown("timestamp", category=DIAGNOSTIC),
    "stall-probability": Shown(icon="mdi:chart-bell-curve", category=DIAGNOSTIC),
    "question": Shown(icon="mdi:chat-question-outline"),
    "hold-left": Shown("duration"),
    "wrap": _instant("wrap-range"),
    "stall-end": _instant("stall-end-range"),
    "tender": _instant("tender-range"),
    "target": _instant("target-range"),
    "rest-peak": _instant("rest-peak-range"),
    "hold-limit": _instant("hold-limit-range"),
    "rest-end": _instant("rest-end-range"),
    "mark": Shown(
        icon="mdi:gesture-tap-button",
        press=("meat-on", "wrapped", "probed-tender",
               "off", "rest", "hold",
               "chill", "serve"),
    ),
    "spot": Shown("temperature", "mdi:thermometer-plus", state="spot-read", step=0.1),
    "probe": Shown(icon="mdi:thermometer-probe", category=CONFIG),
    "pit": Shown(icon="mdi:campfire", category=CONFIG),
    "handheld": Shown(icon="mdi:thermometer-check", press=(GO,)),
    "said": Shown("enum", "mdi:gesture-tap", DIAGNOSTIC),
    "take-back": Shown(icon="mdi:undo", category=CONFIG, press=(LAST,)),
    **{f"plan-{kind}": _instant(icon="mdi:calendar-clock") for kind in PIECE_STEPS},
    "plan-waits": Shown("duration", "mdi:timer-sand"),
}  # fmt: skip

CHANNEL: dict[str, Shown] = {
    "temperature": Shown(kind="temperature", icon="mdi:thermometer-probe", of_device=True),
    "live": Shown("connectivity", category=DIAGNOSTIC),
}

WATCH: dict[str, Shown] = {
    **WOOD,
    "cook": Shown(icon="mdi:silverware-fork-knife"),
    "cook-runs": Shown("running"),
    "serve-at": _instant(icon="mdi:room-service-outline"),
    "serve-chance": Shown(icon="mdi:percent-outline"),
    "ahead": Shown("duration", "mdi:timer-sand"),
    "nap-until": _instant(icon="mdi:sleep"),
    "nap-latest": _instant(icon="mdi:sleep-off"),
    "asleep": Shown(icon="mdi:bed"),
    "calling": Shown("sound"),
    "paused-until": _instant(icon="mdi:volume-off"),
    "unacknowledged": Shown(icon="mdi:bell-alert"),
    "worst": Shown(icon="mdi:alert-outline"),
    "lines-lost": Shown(icon="mdi:cable-data", category=DIAGNOSTIC),
    "test-wake-state": Shown("enum", category=DIAGNOSTIC),
    "refused": Shown(icon="mdi:cancel", category=DIAGNOSTIC),
    "acknowledge": Shown(icon="mdi:ear-hearing", press=("*",)),
    "pause": Shown(icon="mdi:volume-off", press=("900",)),
    "test-wake": Shown(icon="mdi:bell-ring-outline", category=DIAGNOSTIC, press=(GO,)),
    "order": Shown(icon="mdi:code-json", category=DIAGNOSTIC),
    "plan": Shown(icon="mdi:calendar-check", category=CONFIG, press=(KEEP, DROP)),
    "next-step": Shown(icon="mdi:clipboard-clock-outline"),
    "next-step-at": _instant(icon="mdi:clipboard-clock-outline"),
    **{f"plan-{kind}": _instant(icon="mdi:calendar-clock") for kind in PIT_STEPS},
    "plan-hold": Shown(icon="mdi:radiator"),
    "plan-feeds": Shown(icon="mdi:account-group"),
}

REMINDER: dict[str, Shown] = {
    "due": _instant(icon="mdi:reminder"),
    "done": Shown(icon="mdi:check", press=(GO,)),
}

ALARM_KINDS = {"battery-low": "battery", "runaway": "safety", "hold-unsafe": "safety", "hold-falling": "safety",
               "cooling-slow": "safety"}  # fmt: skip
"""Device classes of alarms that have a better one than "problem"."""
ABOUT_THE_WATCH = frozenset(
    {"watch-disk", "watch-broker", "watch-clock", "watch-channel-down", "calibration-old", "device-lost", "battery-low"}
)
"""Alarms that speak of the watch and its devices, not of fire or meat."""

STATES = {"init": "watching", "ready": "watching", "disconnected": "stopped", "lost": "lost"}
"""The convention's words of life in a family's. `init` is the watch describing itself anew: it watches."""


def shown(node: Node[Any], prop: str, composer: Composer) -> Shown | None:
    """How a property of a node is shown, with its names for those who read the hub; None: not at all."""
    if node.type == "alarms":
        look: Shown | None = Shown(
            ALARM_KINDS.get(prop, "problem"), category=DIAGNOSTIC if prop in ABOUT_THE_WATCH else ""
        )
    else:
        look = OF_NODES[node.type].get(prop)
    if look is None:
        return None
    name = "" if look.of_device else name_of(node.type, prop, composer)
    labels = tuple(label_of(prop, payload, composer) for payload in look.press)
    if node.type in NAMED:
        name = composer.words("hub.of", owner=node.name, what=name) if name else node.name
        labels = tuple(composer.words("hub.of", owner=node.name, what=label) for label in labels)
    return replace(look, name=name, labels=labels)


OF_NODES = {"pit": PIT, "piece": PIECE, "watch": WATCH, "channel": CHANNEL, "reminder": REMINDER}
NAMED = ("channel", "reminder")
"""Kinds of nodes whose own name stands before those of their properties."""
