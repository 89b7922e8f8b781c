"""What simulated worlds taught ahead of time, read from the files in daemon/data and handed to the core.

A file says how it was made (command, seed, worlds, version). A generator writes it; nobody edits it by hand.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from io import BytesIO
from pathlib import Path

import numpy as np

from daemon.core.pit.exit_model import LEVELS, ExitModel
from daemon.core.pit.fire_features import FEATURES
from daemon.core.settings import CallRule, Learned

FIRE = "fire.npz"
VERSION = "2"
"""Of the files' meaning; one of another version is refused rather than misread."""
PROVENANCE = ("made by", "seed", "worlds", "version")
ARRAYS = ("feature", "threshold", "left", "right", "value", "roots", "start", "correction", "lowest", "highest")


class ModelRefused(Exception):
    """A file is not what this version of the program reads; the text names it."""


@cache
def learned() -> Learned:
    """Everything in daemon/data. Raises ModelRefused, OSError."""
    content = files("daemon.data").joinpath(FIRE).read_bytes()
    return Learned(fire=read_model(content, FIRE))


def read_model(content: bytes, name: str) -> ExitModel:
    """The model of the fire's end. Raises ModelRefused."""
    try:
        with np.load(BytesIO(content), allow_pickle=False) as arrays:
            about = json.loads(str(arrays["about"]))
            parts = {key: arrays[key] for key in ARRAYS}
    except (ValueError, KeyError, OSError) as error:
        raise ModelRefused(f"{name}: not a model ({error}); install the program anew") from error
    if (
        about.get("version") != VERSION
        or about.get("features") != list(FEATURES)
        or about.get("levels") != list(LEVELS)
    ):
        raise ModelRefused(f"{name}: made for another version of the program; install the two together")
    return ExitModel(**parts, depth=about["depth"], call=CallRule(**about["call"]))


def write_model(path: Path, model: ExitModel, provenance: Mapping[str, str]) -> None:
    """provenance: by the keys of PROVENANCE."""
    about = {
        **{key: provenance[key] for key in PROVENANCE},
        "features": FEATURES,
        "levels": LEVELS,
        "depth": model.depth,
        "call": {"margin": model.call.margin, "begins": model.call.begins, "ends": model.call.ends},
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(path, about=np.array(json.dumps(about)), **{key: getattr(model, key) for key in ARRAYS})
