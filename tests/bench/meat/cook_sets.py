"""The named sets of simulated cooks, and a disk cache outside the repository so that benches do not simulate them again.

    cooks = cook_set("test")                      # list[CookRecord]
    fires = fire_set("train")                     # list[FireEpisode]

train is for choosing constants, calibration for widening intervals, test for the figures that are shown. The shifted
and the second truth are for honesty only. The seeds of "test", "shifted" and "second" were chosen after the simulator
was frozen; a bench that must prove itself on unseen cooks passes its own seed: `cook_set("test", seed=...)`.

The cache key holds a digest of the simulator's source, so a changed simulator never serves old cooks.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any, TypeVar

import drivers.simulated
from drivers.simulated.batch import simulate_cooks, simulate_fires
from drivers.simulated.records import CookRecord, FireEpisode


@dataclass(frozen=True, slots=True)
class CookSet:
    """seed and count of cooks; shift: keywords of `simulate_cooks`; second: made by the second truth."""

    seed: int
    count: int
    shift: tuple[tuple[str, float], ...] = ()
    second: bool = False


SHIFT = (("vapour", 1.3), ("convection", 1.15), ("film", 0.75), ("crust", 1.35), ("thickness", 1.06), ("kept", 0.03))
COOK_SETS = {
    "train": CookSet(1101, 300),
    "calibration": CookSet(2202, 400),
    "test": CookSet(73_511, 300),
    "shifted": CookSet(73_512, 120, SHIFT),
    "second": CookSet(73_513, 120, second=True),
}
FIRE_SETS = {"train": (1103, 300), "calibration": (2204, 300), "test": (73_514, 300)}
CACHE = "pitvigil-simulated"
Kind = TypeVar("Kind")


def cook_set(name: str, *, seed: int | None = None, count: int | None = None) -> list[CookRecord]:
    """A named set, or one like it on another seed or of another size."""
    kind = COOK_SETS[name]
    seed, count = kind.seed if seed is None else seed, kind.count if count is None else count
    if kind.second:
        return cached(f"second-{seed}-{count}", lambda: _second_truth().second_cooks(seed, count))
    label = "-".join(f"{k}{v}" for k, v in kind.shift)
    return cached(f"cooks-{seed}-{count}-{label}", lambda: simulate_cooks(seed, count, **dict(kind.shift)))


def fire_set(name: str, *, seed: int | None = None, count: int | None = None) -> list[FireEpisode]:
    """A named set of fires, or one like it on another seed or of another size."""
    own_seed, own_count = FIRE_SETS[name]
    seed, count = own_seed if seed is None else seed, own_count if count is None else count
    return cached(f"fires-{seed}-{count}", lambda: simulate_fires(seed, count))


def _second_truth() -> Any:
    """The module beside this one, whichever way this one was started."""
    spec = spec_from_file_location("second_truth", Path(__file__).with_name("second_truth.py"))
    assert spec is not None and spec.loader is not None
    module = module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up while they are made
    spec.loader.exec_module(module)
    return module


def _digest() -> str:
    sources = [*sorted(Path(drivers.simulated.__path__[0]).glob("*.py")), Path(__file__).with_name("second_truth.py")]
    return hashlib.sha256(b"".join(p.read_bytes() for p in sources)).hexdigest()[:12]


def cached(name: str, make: Callable[[], list[Kind]], digest: str | None = None) -> list[Kind]:
    """What `make` gives, kept as a file that only this user can read (a pickle is as trusted as its writer).
    digest: of what the cooks are made by; the simulator's unless told."""
    folder = Path(tempfile.gettempdir()) / f"{CACHE}-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    if folder.stat().st_uid != os.getuid() or folder.is_symlink():
        return make()
    path = folder / f"{digest or _digest()}-{name}.pickle"
    if path.exists():
        kept: list[Kind] = pickle.loads(path.read_bytes())
        return kept
    made = make()
    part = path.with_suffix(f".{os.getpid()}")
    part.write_bytes(pickle.dumps(made))
    part.replace(path)
    return made
