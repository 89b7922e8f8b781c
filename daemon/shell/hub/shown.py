"""How the home-automation hub shows each property: what a family reads, what kind of thing it is, where it is filed.

One table a kind of node. What is not in a table is not shown: it stays on the broker for those who look for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from daemon.shell.hub.duties import DROP, GO, KEEP, LAST, PIECE_STEPS, PIT_STEPS

DIAGNOSTIC, CONFIG = "diagnostic", "config"
"""The hub's categories; without one a thing is in the middle of the page."""


@dataclass(frozen=True, slots=True)
class Shown:
    """name: "" = it bears the name of its device. kind: the hub's device class. ends: the property that holds the two ends
    of an instant. press: payloads that are offered as buttons, with their names. state: the property that shows what an order
    came to. step: of a number. icon: of the hub's usual set."""

    name: str = ""
    kind: str = ""
    icon: str = ""
    category: str = ""
    ends: str = ""
    press: tuple[tuple[str, str], ...] = ()
    state: str = ""
    step: float = 0.5


def _instant(name: str, ends: str = "", icon: str = "mdi:clock-outline") -> Shown:
    return Shown(name, "timestamp", icon, ends=ends)


WOOD: dict[str, Shown] = {
    "wood": Shown("Splits at hand", icon="mdi:tree-outline", category=CONFIG, state="wood-left", step=1),
    "wood-until": _instant("Wood lasts until", icon="mdi:tree-outline"),
}
"""Of the pit; with several pits, which burn one heap, of the watch."""

PIT: dict[str, Shown] = {
    "temperature": Shown(kind="temperature", icon="mdi:campfire"),
    "rate": Shown("Warms by", icon="mdi:trending-up"),
    "stage": Shown("Fire", "enum", "mdi:fire"),
    "lid-open": Shown("Lid", "opening"),
    "last-log": _instant("Last log at", icon="mdi:history"),
    "log-due": _instant("Next log at", "log-due-range", "mdi:fire-alert"),
    "no-forecast": Shown("Why there is no fire forecast", icon="mdi:help-circle-outline", category=DIAGNOSTIC),
    "spread": Shown("Spread over the grate", icon="mdi:arrow-left-right"),
    "advice": Shown("Advice", icon="mdi:lightbulb-outline"),
    "question": Shown("Question to the cook", icon="mdi:chat-question-outline"),
    "band-low": Shown("Band, low edge", "temperature", "mdi:thermometer-chevron-down", CONFIG),
    "band-high": Shown("Band, high edge", "temperature", "mdi:thermometer-chevron-up", CONFIG),
    "mark": Shown(
        icon="mdi:gesture-tap-button",
        press=(("Mark: fire lit", "fire-lit"), ("Mark: log is on", "log"), ("Mark: lid opened", "lid-open"),
               ("Mark: lid closed", "lid-closed"), ("Mark: damper changed", "damper")),
    ),
    "said": Shown("Last mark", "enum", "mdi:gesture-tap", DIAGNOSTIC),
    "take-back": Shown(icon="mdi:undo", category=CONFIG, press=(("Take back the last mark", LAST),)),
    **WOOD,
}  # fmt: skip

PIECE: dict[str, Shown] = {
    "temperature": Shown(kind="temperature", icon="mdi:thermometer-probe"),
    "rate": Shown("Warms by", icon="mdi:trending-up"),
    "stage": Shown("Stage", "enum", "mdi:food-steak"),
    "stage-since": Shown("In this stage since", "timestamp", category=DIAGNOSTIC),
    "stall-probability": Shown("Chance that it stalls", icon="mdi:chart-bell-curve", category=DIAGNOSTIC),
    "question": Shown("Question to the cook", icon="mdi:chat-question-outline"),
    "hold-left": Shown("Time left below the hot-holding floor", "duration"),
    "wrap": _instant("Wrap at", "wrap-range"),
    "stall-end": _instant("Stall ends at", "stall-end-range"),
    "tender": _instant("Tender at", "tender-range"),
    "target": _instant("Target reached at", "target-range"),
    "rest-peak": _instant("Peak in the rest at", "rest-peak-range"),
    "hold-limit": _instant("Hold falls to the floor at", "hold-limit-range"),
    "rest-end": _instant("Rest ends at", "rest-end-range"),
    "mark": Shown(
        icon="mdi:gesture-tap-button",
        press=(("Mark: on the pit", "meat-on"), ("Mark: wrapped", "wrapped"), ("Mark: probed tender", "probed-tender"),
               ("Mark: off the pit", "off"), ("Mark: resting", "rest"), ("Mark: in the hold", "hold"),
               ("Mark: chilling", "chill"), ("Mark: served", "serve")),
    ),
    "spot": Shown("Core read by hand", "temperature", "mdi:thermometer-plus", state="spot-read", step=0.1),
    "probe": Shown("Probe", icon="mdi:thermometer-probe", category=CONFIG),
    "pit": Shown("Pit", icon="mdi:campfire", category=CONFIG),
    "handheld": Shown(icon="mdi:thermometer-check", press=(("Handheld probe is in it", GO),)),
    "said": Shown("Last mark", "enum", "mdi:gesture-tap", DIAGNOSTIC),
    "take-back": Shown(icon="mdi:undo", category=CONFIG, press=(("Take back the last mark", LAST),)),
    **{f"plan-{kind}": _instant(name, icon="mdi:calendar-clock") for kind, name in PIECE_STEPS.items()},
    "plan-waits": Shown("Plan: waits hot after its rest for", "duration", "mdi:timer-sand"),
}  # fmt: skip

CHANNEL: dict[str, Shown] = {
    "temperature": Shown(kind="temperature", icon="mdi:thermometer-probe"),
    "live": Shown("believed", "connectivity", category=DIAGNOSTIC),
}
"""A channel's own name stands before these."""

WATCH: dict[str, Shown] = {
    **WOOD,
    "cook": Shown("Cook", icon="mdi:silverware-fork-knife"),
    "cook-runs": Shown("Cook runs", "running"),
    "serve-at": _instant("Serve at", icon="mdi:room-service-outline"),
    "serve-chance": Shown("Chance of serving on time", icon="mdi:percent-outline"),
    "ahead": Shown("Ahead of the serving time", "duration", "mdi:timer-sand"),
    "nap-until": _instant("Sleep until", icon="mdi:sleep"),
    "nap-latest": _instant("Sleep until, at the latest", icon="mdi:sleep-off"),
    "asleep": Shown("Cook asleep", icon="mdi:bed"),
    "calling": Shown("Somebody is being woken", "sound"),
    "paused-until": _instant("Repeats paused until", icon="mdi:volume-off"),
    "unacknowledged": Shown("Alarms without an answer", icon="mdi:bell-alert"),
    "worst": Shown("Worst alarm", icon="mdi:alert-outline"),
    "lines-lost": Shown("Lines lost", icon="mdi:cable-data", category=DIAGNOSTIC),
    "test-wake-state": Shown("Test wake", "enum", category=DIAGNOSTIC),
    "refused": Shown("Last refused order", icon="mdi:cancel", category=DIAGNOSTIC),
    "acknowledge": Shown(icon="mdi:ear-hearing", press=(("Heard", "*"),)),
    "pause": Shown(icon="mdi:volume-off", press=(("Pause repeats for 15 min", "900"),)),
    "test-wake": Shown(icon="mdi:bell-ring-outline", category=DIAGNOSTIC, press=(("Send a test wake", GO),)),
    "order": Shown("Order", icon="mdi:code-json", category=DIAGNOSTIC),
    "plan": Shown(icon="mdi:calendar-check", category=CONFIG, press=(("Plan: keep", KEEP), ("Plan: drop", DROP))),
    "next-step": Shown("Next step", icon="mdi:clipboard-clock-outline"),
    "next-step-at": _instant("Next step at", icon="mdi:clipboard-clock-outline"),
    **{f"plan-{kind}": _instant(name, icon="mdi:calendar-clock") for kind, name in PIT_STEPS.items()},
    "plan-hold": Shown("Plan: hold", icon="mdi:radiator"),
    "plan-feeds": Shown("Plan: guests the meat is enough for", icon="mdi:account-group"),
}

REMINDER: dict[str, Shown] = {
    "due": _instant("due at", icon="mdi:reminder"),
    "done": Shown("done", icon="mdi:check", press=(("done", GO),)),
}
"""The reminder's own text stands before these."""

ALARM_KINDS = {"battery-low": "battery", "runaway": "safety", "hold-unsafe": "safety", "hold-falling": "safety",
               "cooling-slow": "safety"}  # fmt: skip
"""Device classes of alarms that have a better one than "problem"."""
ABOUT_THE_WATCH = frozenset(
    {"watch-disk", "watch-broker", "watch-clock", "watch-channel-down", "calibration-old", "device-lost", "battery-low"}
)
"""Alarms that speak of the watch and its devices, not of fire or meat."""

STATES = {"init": "watching", "ready": "watching", "disconnected": "stopped", "lost": "lost"}
"""The convention's words of life in a family's. `init` is the watch describing itself anew: it watches."""


def shown(node: str, prop: str, node_name: str, prop_name: str) -> Shown | None:
    """How a property of a kind of node is shown; None: not at all."""
    match node:
        case "alarms":
            category = DIAGNOSTIC if prop in ABOUT_THE_WATCH else ""
            return Shown(prop_name, ALARM_KINDS.get(prop, "problem"), category=category)
        case "channel":
            look = CHANNEL.get(prop)
            if look is None:
                return None
            return replace(look, name=f"{node_name}: {look.name}" if look.name else node_name)
        case "reminder":
            look = REMINDER.get(prop)
            if look is None:
                return None
            press = tuple((f"{node_name}: {label}", payload) for label, payload in look.press)
            return replace(look, name=f"{node_name}: {look.name}", press=press)
        case _:
            return {"pit": PIT, "piece": PIECE, "watch": WATCH}[node].get(prop)
