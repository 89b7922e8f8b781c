"""Pictures of three calls for wood in each world: the pit, the forecast with its spread, the call, and what happened.

    python -m tests.bench.fire.learn_fire
    python -m tests.bench.fire.picture_calls OUT [--cooks 6] [--seed 20261127]

One picture a world, made with the model that was learned without it. The dashed curve is how the pit would have gone on had
nobody come after the call; the bar is what the forecast said at the call, from the 5th to the 95th percentile with its middle.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.axes import Axes

from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Event
from daemon.core.outlook import Interval
from tests.bench.fire.fire_cooks import HOURS
from tests.bench.fire.learn_fire import CACHE, model_without
from tests.bench.fire.strangers import FEED, SEED, Truth, inputs_of, nights, settings_for
from tests.texts.english import in_english
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import Floats
from tests.worlds.marks import Marks
from tests.worlds.night import Night, draw_night
from tests.worlds.unfed import followed

CALLS = 3
BEFORE, AFTER = 45, 75
"""min of the pit that are drawn before and after a call."""


@dataclass(frozen=True)
class Call:
    """What was said at one minute of one cook. due: engine time, s."""

    truth: Truth
    minute: int
    rule: str
    text: str
    due: Interval | None
    alone: Floats
    """What the pit probes would have stood at in the mean, °C, at each of AFTER minutes had nobody come."""


def calls_of(truth: Truth, world: str, cache: Path, night: Night) -> list[Call]:
    engine = Engine(settings_for(truth.cook, model_without(cache, world)))
    found: list[Call] = []
    up: dict[str, bool] = {}

    def take(events: list[Event], now: float) -> None:
        for event in events:
            if not isinstance(event, AlarmChanged) or event.rule not in FEED:
                continue
            # one that stands and grows worse, or says another thing of the same fire, is no new call
            begun = event.after is AlarmState.UNACKNOWLEDGED and not any(up.values())
            up[event.alarm] = event.after in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
            if begun and now / 60 >= truth.from_minute:
                at, text = int(now // 60), in_english(event.text)
                seen = followed(night, at, AFTER)[:, : len(truth.cook.shown), truth.cook.number].mean(axis=1)
                found.append(Call(truth, at, event.rule, text, engine.pit.fire.log_due, seen))

    for now, item in inputs_of(truth.cook):
        while (due := engine.next_deadline()) is not None and due <= now:
            take(engine.handle_timer(due), due)
        take(engine.handle(item, now), now)
    return found


def draw(axes: Axes, call: Call) -> None:
    cook, at = call.truth.cook, call.minute
    first, last = max(0, at - BEFORE), min(cook.length, at + AFTER)
    axes.plot(range(first + 1, last + 1), call.truth.reads[first:last], color="0.2", lw=1, label="pit")
    axes.axhspan(cook.band.low, cook.band.high, color="tab:green", alpha=0.12)
    axes.axvline(at, color="tab:red", lw=1.5, label="call")
    left = call.truth.left[at - 1]
    axes.plot(range(at + 1, at + AFTER + 1), call.alone, color="tab:blue", ls="--", lw=1.2, label="had nobody come")
    if call.due is not None:
        p05, p50, p95 = (min(t / 60.0, at + AFTER + 10.0) for t in (call.due.p05, call.due.p50, call.due.p95))
        axes.plot(
            [p05, p95],
            [cook.band.low] * 2,
            color="tab:orange",
            lw=4,
            alpha=0.6,
            solid_capstyle="butt",
            label="forecast",
        )
        axes.plot([p50], [cook.band.low], "o", color="tab:orange")
    for log in cook.logs[(cook.logs > first) & (cook.logs < last)]:
        axes.plot([log], [cook.band.low - 6], marker="^", color="saddlebrown", ls="none")
    axes.set_xlim(first, at + AFTER + 10)
    axes.set_title(
        f"cook {cook.number}, {call.text}\n{left:.0f} min left, {call.truth.since[at - 1]:.0f} after a log", fontsize=8
    )
    axes.set_xlabel("min of the cook")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--cooks", type=int, default=6, help="of each world; three of their calls are drawn")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--cache", type=Path, default=CACHE)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    for world in FIRE_WORLDS:
        drawn: list[Call] = []
        night = draw_night(FIRE_WORLDS[world], asked.seed, asked.cooks, hours=HOURS, obeys=False, save_every=1).run()
        for truth in nights(asked.cache, world, asked.seed, asked.cooks, Marks.ALL):
            found = calls_of(truth, world, asked.cache, night)
            # the middle one of each cook's: neither the first nor a picked one
            drawn += found[len(found) // 2 : len(found) // 2 + 1]
            if len(drawn) == CALLS:
                break
        figure, rows = plt.subplots(1, CALLS, figsize=(15, 4.2), layout="constrained")
        for axes, call in zip(rows, drawn, strict=False):
            draw(axes, call)
        rows[0].set_ylabel("°C")
        rows[0].legend(fontsize=7, loc="upper right")
        figure.suptitle(f"{world}: triangles are logs that truly went in; the green band is what the cook asked for")
        figure.savefig(asked.out / f"calls-{world}.png", dpi=80)
        plt.close(figure)
        print(asked.out / f"calls-{world}.png", flush=True)


if __name__ == "__main__":
    main()
