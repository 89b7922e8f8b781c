"""Learns the model of the fire's end from the worlds in tests/worlds and writes it to daemon/data/fire.npz.

    python -m tests.bench.fire.learn_fire            # minutes to half an hour, most of it for making the cooks the first time

Needs lightgbm (extra "test"). The trees see what the fire watch saw, minute by minute, of cooks who mark everything, some of it
or nothing; every second cook is seen again at another pace. Beside the model that is shipped, learned from all worlds, one is
learned without each world in turn and kept in the cache: `tests.bench.fire.strangers` examines those, each in the world it
never saw.
The quantiles are corrected so that they hold in worlds that were left out, and the call rule is chosen in them; the model
without a world is corrected, and its rule chosen, by the other worlds alone.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import zlib
from itertools import product
from pathlib import Path
from typing import Any

import lightgbm
import numpy as np
import numpy.typing as npt

from daemon.core.pit.exit_model import LEVELS, SHIFT, ExitModel
from daemon.core.pit.fire import FireWatch
from daemon.core.pit.fire_features import FEATURES, UNKNOWN, features
from daemon.core.said import say
from daemon.core.settings import CallRule
from daemon.wiring.learned import FIRE, VERSION, read_model, write_model
from tests.bench.fire.fire_cooks import cooks_of, truth_at, watched
from tests.worlds.fires import FIRE_WORLDS

Floats = npt.NDArray[np.float64]
Part = tuple[Floats, Floats]
"""(rows, features); and (rows, 4): minutes left, number of the cook, minutes since the last true log, and whether no call may
begin (1) because a marked log has yet to show or the lid is open."""
SEEDS = (101, 102)
"""Of the recordings that teach."""
COOKS = 300
"""Of each world, by each seed."""
EVERY = 4
"""Minutes between rows of one cook."""
THINNED = 2
"""Every so manieth row is learned from: rows of one fire say much the same."""
FARTHEST = 240.0
"""Minutes; more is learned as this."""
TAILS = 0.0005
"""Share of the rows at either end of a feature that do not count as learned from."""
NEAR, FAR_COUNTS = 90.0, 0.35
"""Minutes left beyond which a row counts for less: calls are made nearer."""
NO_FORECAST_YET = say("fire.unlearned")
TREES = {
    "num_leaves": 28, "learning_rate": 0.08, "min_data_in_leaf": 150, "feature_fraction": 0.6, "bagging_fraction": 0.6,
    "bagging_freq": 1, "lambda_l2": 1.0, "max_bin": 63, "verbose": -1, "num_threads": 1, "seed": 1, "deterministic": True,
    "force_row_wise": True, "feature_pre_filter": False,
}  # fmt: skip
ROUNDS = 140
LEAD = 24.0
"""min: the usual lead of a sleeper and the on-delay of the prompt."""
RIGHT, LATE, NEEDLESS = (22.0, 52.0), 11.0, 52.0
"""min left when called: well done, too late, for nothing (the lead, and half an hour beyond it; half the lead)."""
JUST_FED = 10.0
"""min after a log in which nobody wants to be called."""
WEIGHTS = (1.5, 1.0)
"""What a call too late and one for nothing take off, against one well done: a lost fire costs more than a broken sleep."""
MARGINS, BEGINS = (4.0, 7.0, 10.0, 12.0, 14.0, 17.0), (0.35, 0.5, 0.6)
ENDS_AT = 0.6
"""Share of the chance at which a call begins at which it ends."""
CACHE = Path(tempfile.gettempdir()) / "pitvigil-worlds"


def rows_of(cache: Path, world: str, n: int = COOKS) -> Part:
    """What the fire watch saw in one world, cooks of all SEEDS one after the other."""
    parts = [_rows_of(cache, world, seed, n) for seed in SEEDS]
    for k, (_, left) in enumerate(parts):
        left[:, 1] += 2 * k * n  # a cook keeps a number of its own
    return np.concatenate([seen for seen, _ in parts]), np.concatenate([left for _, left in parts])


def _rows_of(cache: Path, world: str, seed: int, n: int) -> Part:
    """One recording, from the cache if it is there."""
    path = cache / f"rows-{world}-{seed}-{n}.npz"
    if not path.exists():
        seen: list[list[float]] = []
        left: list[tuple[float, float, float, float]] = []
        for number, cook in enumerate(cooks_of(cache, world, seed, n)):

            def each(minute: int, watch: FireWatch, _pit: float) -> None:
                if minute % EVERY == 0 and minute >= cook.meat_on and watch.exit.reason == NO_FORECAST_YET:  # noqa: B023
                    now = minute * 60.0
                    seen.append(features(watch.exit.view(now, cook.band), watch.exit.habits))  # noqa: B023
                    since = minute - cook.logs[cook.logs <= minute].max(initial=-FARTHEST)  # noqa: B023
                    held = watch.lid_open or watch.feed(now, 0.0).answering
                    left.append((truth_at(cook, minute), number, since, held))  # noqa: B023

            watched(cook, FireWatch(), each)
        np.savez_compressed(path, seen=np.array(seen, "f4"), left=np.array(left, "f4"))
    with np.load(path) as arrays:
        return arrays["seen"], arrays["left"]


def target(left: Floats) -> Floats:
    result: Floats = np.log(np.minimum(left, FARTHEST) + SHIFT)
    return result


def learned_from(parts: list[Part]) -> list[lightgbm.Booster]:
    """One booster a level."""
    seen = np.concatenate([p[0][::THINNED] for p in parts])
    left = np.concatenate([p[1][::THINNED, 0] for p in parts])
    weight = np.where(left < NEAR, 1.0, FAR_COUNTS)
    data = lightgbm.Dataset(seen, target(left), weight=weight, params=TREES, free_raw_data=False)
    return [lightgbm.train({**TREES, "objective": "quantile", "alpha": q}, data, ROUNDS) for q in LEVELS]


def trees_without(cache: Path, parts: dict[str, Part], without: str | None) -> list[lightgbm.Booster]:
    """Learned from all worlds but one, from the cache if they are there."""
    key = zlib.crc32(
        repr(
            (LEVELS, FEATURES, TREES, ROUNDS, SEEDS, THINNED, sorted((w, len(p[0])) for w, p in parts.items()))
        ).encode()
    )
    path = cache / f"trees-without-{without}-{key:08x}.json"
    if not path.exists():
        learned = learned_from([p for w, p in parts.items() if w != without])
        path.write_text(json.dumps([b.model_to_string() for b in learned]))
        print("learned without", without, flush=True)
    return [lightgbm.Booster(model_str=text) for text in json.loads(path.read_text())]


def told_by(boosters: list[lightgbm.Booster], seen: Floats) -> Floats:
    """(rows, levels) in logarithms, without correction."""
    told: Floats = np.stack([b.predict(seen, num_threads=1) for b in boosters], axis=1)
    return told


def lack(told: Floats, left: Floats) -> Floats:
    """(levels,): what must be added to each level so that it holds here."""
    near = left < NEAR
    over = target(left)[near, None] - told[near]
    return np.array([np.quantile(over[:, k], level) for k, level in enumerate(LEVELS)])


def chances(told: Floats, minutes: float) -> Floats:
    """As `ExitForecast.chance_by`, for many rows: straight between the levels in logarithms."""
    told = np.maximum.accumulate(told, axis=1)
    ends = np.concatenate([np.full((len(told), 1), np.log(SHIFT)), told], axis=1)
    levels, goal = np.array([0.0, *LEVELS]), np.log(SHIFT + minutes)
    i = np.clip((ends <= goal).sum(axis=1), 1, len(LEVELS))
    rows = np.arange(len(told))
    low, high = ends[rows, i - 1], ends[rows, i]
    share = np.clip((goal - low) / np.maximum(high - low, 1e-9), 0, 1)
    result: Floats = levels[i - 1] + share * (levels[i] - levels[i - 1])
    return result


def score(told: Floats, part: Part, rule: CallRule) -> float:
    """What calls by this rule are worth in one world, counted where they begin, and whether one stands when it must."""
    chance = chances(told, LEAD + rule.margin)
    begun, stands, calling, last = [], [], False, -1.0
    for i, (now, (_, cook, _, held)) in enumerate(zip(chance.tolist(), part[1].tolist(), strict=True)):
        calling = calling and cook == last and not held and now >= rule.ends
        last = cook
        if not calling and not held and now >= rule.begins:
            calling = True
            begun.append(i)
        stands.append(calling)
    due = (part[1][:, 0] > LATE) & (part[1][:, 0] <= RIGHT[0]) & (part[1][:, 3] == 0)
    left, since = part[1][begun, 0], part[1][begun, 2]
    just = since < JUST_FED
    at = left[~just & (left > 0)]  # out of the band already: nobody foresees that
    right = (RIGHT[0] <= at) & (at <= RIGHT[1])
    wrong = WEIGHTS[0] * (at < LATE).mean() + WEIGHTS[1] * (at > NEEDLESS).mean() + WEIGHTS[1] * just.mean()
    return float(right.mean() + np.array(stands)[due].mean() - wrong)


def chosen_rule(told: dict[str, Floats], parts: dict[str, Part]) -> CallRule:
    """The rule that is worth most, in the middle and in the worst world alike."""

    def worth(rule: CallRule) -> float:
        worths = [score(told[w], parts[w], rule) for w in told]
        return (min(worths) + sum(worths) / len(worths)) / 2

    return max((CallRule(m, b, ENDS_AT * b) for m, b in product(MARGINS, BEGINS)), key=worth)


def support(parts: list[Part]) -> tuple[Floats, Floats]:
    """(features,) each: the lowest and the highest that was learned from, but for TAILS at either end."""
    seen = np.concatenate([p[0] for p in parts])
    lowest, highest = np.nanquantile(np.where(seen == UNKNOWN, np.nan, seen), [TAILS, 1 - TAILS], axis=0)
    lowest[FEATURES.index("noise")] = 0.0  # a quieter probe is no stranger
    return lowest, highest


def exported(
    boosters: list[lightgbm.Booster], correction: Floats, seen: tuple[Floats, Floats], call: CallRule
) -> ExitModel:
    """The trees as arrays. seen: see `support`."""
    rows: list[tuple[int, float, int, int, float]] = []
    deepest = 0

    def add(node: dict[str, Any], depth: int) -> int:
        nonlocal deepest
        deepest, here = max(deepest, depth), len(rows)
        rows.append((0, np.inf, here, here, float(node.get("leaf_value", 0.0))))
        if "leaf_value" not in node:
            children = add(node["left_child"], depth + 1), add(node["right_child"], depth + 1)
            rows[here] = (int(node["split_feature"]), float(node["threshold"]), *children, 0.0)
        return here

    roots = [[add(tree["tree_structure"], 0) for tree in b.dump_model()["tree_info"]] for b in boosters]
    feature, threshold, left, right, value = zip(*rows, strict=True)
    return ExitModel(
        feature=np.array(feature, np.int16), threshold=np.array(threshold, np.float32), left=np.array(left, np.int32),
        right=np.array(right, np.int32), value=np.array(value, np.float32), roots=np.array(roots, np.int32),
        start=np.zeros(len(boosters)), correction=correction, lowest=seen[0], highest=seen[1], depth=deepest, call=call,
    )  # fmt: skip


def model_without(cache: Path, world: str) -> ExitModel:
    """The model that never saw this world. Raises OSError if it has not been learned."""
    path = cache / f"fire-without-{world}.npz"
    return read_model(path.read_bytes(), path.name)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parents[3] / "daemon/data" / FIRE)
    parser.add_argument("--cache", type=Path, default=CACHE)
    parser.add_argument("--cooks", type=int, default=COOKS, help="of each world and seed")
    parser.add_argument(
        "--only", choices=[*FIRE_WORLDS, "none"], help="learn the trees without this world and keep them, no more"
    )
    arguments = parser.parse_args()
    parts = {world: rows_of(arguments.cache, world, arguments.cooks) for world in FIRE_WORLDS}
    print({world: len(part[0]) for world, part in parts.items()}, flush=True)
    if arguments.only:
        trees_without(arguments.cache, parts, None if arguments.only == "none" else arguments.only)
        return
    boosters = {out: trees_without(arguments.cache, parts, out) for out in parts}
    told = {out: told_by(boosters[out], parts[out][0]) for out in parts}
    lacks = {out: lack(told[out], parts[out][1][:, 0]) for out in parts}
    left_out: list[str | None] = [*parts, None]
    for without in left_out:
        others = [w for w in parts if w != without]
        correction = np.median([lacks[w] for w in others], axis=0)
        rule = chosen_rule({w: told[w] + correction for w in others}, parts)
        trees = trees_without(arguments.cache, parts, None) if without is None else boosters[without]
        about = {"seed": ", ".join(map(str, SEEDS)), "worlds": ", ".join(others), "version": VERSION}
        path = arguments.out if without is None else arguments.cache / f"fire-without-{without}.npz"
        write_model(
            path,
            exported(trees, correction, support([parts[w] for w in others]), rule),
            {"made by": "python -m tests.bench.fire.learn_fire", **about},
        )
        print(
            without or "all worlds",
            rule,
            "correction",
            np.round(correction, 2),
            f"{path.stat().st_size / 1e3:.0f} kB",
            flush=True,
        )


if __name__ == "__main__":
    main()
