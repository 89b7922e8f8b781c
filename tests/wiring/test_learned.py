"""The learned files say how they were made, hold what their generator exports, and no other version is read."""

from __future__ import annotations

import json
from importlib.resources import files
from io import BytesIO
from pathlib import Path

import lightgbm
import numpy as np
import pytest

from daemon.core.pit.exit_model import LEVELS
from daemon.core.pit.fire_features import FEATURES
from daemon.core.settings import CallRule
from daemon.wiring import learned
from tests.bench.fire.learn_fire import exported
from tests.worlds.fires import FIRE_WORLDS

PROVENANCE = {"made by": "a test", "seed": "1", "worlds": "none", "version": learned.VERSION}

BOUNDS = np.full(len(FEATURES), -1.0), np.full(len(FEATURES), 2.0)


def boosters() -> tuple[np.ndarray, list[lightgbm.Booster]]:
    """Small trees on noise, one a level."""
    rng = np.random.default_rng(1)
    seen = rng.normal(size=(600, len(FEATURES))).astype(np.float32)
    data = lightgbm.Dataset(seen, seen[:, 0] * 2 + seen[:, 5] + 3, params={"verbose": -1}, free_raw_data=False)
    settings = {"objective": "quantile", "num_leaves": 7, "verbose": -1, "num_threads": 1, "seed": 1}
    return seen, [lightgbm.train({**settings, "alpha": level}, data, 12) for level in LEVELS]


def test_arrays_say_what_the_library_says_of_its_own_trees(tmp_path: Path) -> None:
    """lightgbm predicts as it does; numpy alone must come to the same from the file."""
    seen, trees = boosters()
    path = tmp_path / "fire.npz"
    learned.write_model(path, exported(trees, np.zeros(len(LEVELS)), BOUNDS, CallRule(9.0, 0.4, 0.2)), PROVENANCE)
    model = learned.read_model(path.read_bytes(), path.name)
    assert model.call == CallRule(9.0, 0.4, 0.2)
    assert model.is_beyond([3.0] * len(FEATURES)) and not model.is_beyond([0.0] * len(FEATURES))
    said = np.array([model.logs_left(row.tolist()) for row in seen[:100]])
    theirs = np.stack([b.predict(seen[:100]) for b in trees], axis=1)
    assert said == pytest.approx(np.maximum.accumulate(theirs, axis=1), abs=1e-4)


def test_the_shipped_model_says_how_it_was_made() -> None:
    content = files("daemon.data").joinpath(learned.FIRE).read_bytes()
    with np.load(BytesIO(content)) as arrays:
        about = json.loads(str(arrays["about"]))
    assert about["made by"] == "python -m tests.bench.fire.learn_fire"
    assert set(about["worlds"].split(", ")) == set(FIRE_WORLDS)
    assert learned.learned().fire is not None


def test_a_model_of_another_version_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "fire.npz"
    learned.write_model(
        path, exported(boosters()[1], np.zeros(len(LEVELS)), BOUNDS, CallRule()), {**PROVENANCE, "version": "0"}
    )
    with pytest.raises(learned.ModelRefused, match="made for another version"):
        learned.read_model(path.read_bytes(), path.name)
    with pytest.raises(learned.ModelRefused, match="not a model"):
        learned.read_model(b"PK nothing", "fire.npz")
