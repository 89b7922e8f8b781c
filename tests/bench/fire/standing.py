"""Pits that stand all night: how often somebody is called for wood that they do not want.

    python -m tests.bench.fire.standing --pits 12

A drum or a heavy pit whose damper holds it: it wanders by a degree or two some way over the foot of its band, nobody feeds it,
nobody marks anything but that he goes to sleep, and nobody answers. Drawn here; it shares nothing with the worlds that taught
the model.
"""

from __future__ import annotations

import argparse
from math import inf

import numpy as np

from daemon.core.engine import Engine
from daemon.core.events import Event, Level, Notification
from daemon.core.orders import GoToSleep
from daemon.core.pit.exit_model import ExitModel
from daemon.core.settings import Band
from daemon.wiring.learned import learned
from tests.bench.fire.fire_cooks import STEPS_OF_AMPLIFIER, FireCook
from tests.bench.fire.strangers import NIGHT, inputs_of, settings_for
from tests.worlds.lanes import PER_MINUTE

SEED = 20261128
WARM_UP = (25, 70)
"""min until it stands, quickest and slowest."""
COLD = 15.0


def standing_pit(number: int, rng: np.random.Generator) -> FireCook:
    """NIGHT of one pit after its warm-up. It never comes nearer to the edge than half a degree."""
    warm = int(rng.integers(*WARM_UP))
    length = warm + int(60 * NIGHT)
    low, width = float(rng.choice([100.0, 105.0, 107.0, 110.0])), float(rng.choice([12.0, 15.0, 20.0, 30.0]))
    height = width * rng.uniform(0.25, 0.7)
    wander = float(np.exp(rng.uniform(np.log(0.4), np.log(min(2.5, height / 3)))))
    lasts, noise = rng.uniform(15.0, 90.0), rng.uniform(0.08, 0.4)
    at = np.zeros(length)
    for minute in range(1, length):
        at[minute] = at[minute - 1] * (1 - 1 / lasts) + rng.normal() * wander * np.sqrt(2 / lasts)
    stands = np.maximum(low + height + at, low + 0.5)
    climb = COLD + (stands[warm] - COLD) * (1 - np.exp(-3 * np.arange(warm) / warm)) / (1 - np.exp(-3))
    pit = np.repeat(np.concatenate([climb, stands[warm:]]), PER_MINUTE)
    shown = np.round((pit + rng.normal(size=len(pit)) * noise) * STEPS_OF_AMPLIFIER) / STEPS_OF_AMPLIFIER
    minutes = np.arange(1.0, length + 1)
    left = np.full(length, inf)
    return FireCook("standing", number, Band(low, low + width), shown[None, :], None, (), np.array([]), minutes, left, left,
                    float(warm))  # fmt: skip


def rung(cook: FireCook) -> tuple[int, int]:
    """Calls, and messages that wake with those that repeat a call."""
    model = learned().fire
    assert isinstance(model, ExitModel)
    engine = Engine(settings_for(cook, model))
    wakes: list[int] = []

    def take(events: list[Event]) -> None:
        wakes.extend(e.step for e in events if isinstance(e, Notification) and e.level is Level.WAKE)

    asleep = False
    for now, item in inputs_of(cook):
        while (due := engine.next_deadline()) is not None and due <= now:
            take(engine.handle_timer(due))
        take(engine.handle(item, now))
        if not asleep and now >= cook.meat_on * 60.0:
            asleep = True
            take(engine.handle(GoToSleep("cook"), now))
    return wakes.count(0), len(wakes)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pits", type=int, default=12)
    parser.add_argument("--seed", type=int, default=SEED)
    arguments = parser.parse_args()
    rng = np.random.default_rng(arguments.seed)
    found = []
    for number in range(arguments.pits):
        found.append(rung(standing_pit(number, rng)))
        print("pit {}: {} calls, {} messages".format(number, *found[-1]), flush=True)
    calls, messages = np.array(found).T
    print(
        f"a night: calls {calls.mean():.1f}, at most {calls.max()}; messages {messages.mean():.1f}, at most {messages.max()}"
    )


if __name__ == "__main__":
    main()
