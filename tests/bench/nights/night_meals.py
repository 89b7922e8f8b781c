"""The meat on the pits of a night in the worlds, cooked beside it, and what its cooks do with it.

Whoever is up when a piece has come as far as he wants it takes it off; who was called for meat stays up until it is off. What is
off is marked so and put away, out of the watch's sight; when all is off nobody feeds that pit any more.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from config.cuts import CUTS
from daemon.core.settings import ChannelSettings, MeatKind, PieceSettings, Role, Wrap
from tests.worlds.lanes import PER_MINUTE, Flags, Floats
from tests.worlds.meat.meal import EVERY, Cooking
from tests.worlds.meat.pieces import CUT_SIZES, MATERIALS, draw_core_probes, draw_pieces
from tests.worlds.meats import MEAT_WORLDS
from tests.worlds.night import Night

COARSE = PER_MINUTE // EVERY
"""Steps of the meat in a minute."""


class NightMeals:
    """The meat of one meat world on the pits of a night that is being lived through."""

    def __init__(self, world: str, night: Night, seed: int) -> None:
        rng = np.random.default_rng([seed, 4])
        self.world, self.night = world, night
        self.pieces = draw_pieces(rng, night.pits)
        probes = draw_core_probes(rng, len(self.pieces.pit))
        self.cooking = Cooking(MEAT_WORLDS[world], night, self.pieces, probes, np.random.default_rng([seed, 5]))
        self.waits = np.zeros(night.pits, bool)
        """Called for meat: up, once there, until it is off."""
        self.stayed = np.zeros((night.steps // PER_MINUTE + 1, night.pits), bool)

    def minute(self, minute: int) -> None:
        """The meat through the minute that ends at `minute`."""
        night = self.night
        there = self.waits & night.people.awake(min(night.step, night.steps - 1))
        night.people.up_until = np.where(
            there, np.maximum(night.people.up_until, night.step + PER_MINUTE), night.people.up_until
        )
        self.stayed[minute] = there
        for i in range((minute - 1) * COARSE, minute * COARSE):
            self.cooking.step(i)
        done = self.all_off()
        self.waits &= ~done
        night.abandoned_from = np.where(done, np.minimum(night.abandoned_from, night.step), night.abandoned_from)
        night.abandoned_until = np.where(done, np.inf, night.abandoned_until)

    def of(self, pit: int) -> list[int]:
        """The pieces on a pit, by their numbers."""
        return [int(k) for k in np.flatnonzero(self.pieces.pit == pit)]

    def all_off(self) -> Flags:
        """(pits,)"""
        still = np.zeros(self.night.pits, bool)
        still[self.pieces.pit[self.cooking.off < 0]] = True
        return ~still

    def wanted(self) -> Flags:
        """(pits,) a piece may come off."""
        wanted = np.zeros(self.night.pits, bool)
        wanted[self.pieces.pit[(self.cooking.off < 0) & np.isfinite(self.cooking.due_off)]] = True
        return wanted

    def off_minute(self, piece: int) -> float:
        """inf = not off."""
        off = float(self.cooking.off[piece])
        return off / COARSE if off >= 0 else np.inf

    def wrapped_minute(self, piece: int) -> float:
        """inf = not wrapped."""
        wrapped = float(self.cooking.wrapped[piece])
        return wrapped / COARSE if wrapped >= 0 else np.inf

    def material(self, piece: int) -> str:
        return MATERIALS[int(self.pieces.material[piece])]

    def shown(self, piece: int, step: int) -> float:
        """What its probe says at a step of the fire, °C."""
        return float(self.cooking.shown[step // EVERY, piece])

    def core(self, piece: int) -> Floats:
        """True °C at the end of every minute."""
        core: Floats = self.cooking.core[COARSE - 1 :: COARSE, piece]
        return core

    def on_fire(self, piece: int, minutes: int) -> npt.NDArray[np.bool_]:
        at = np.arange(1, minutes + 1)
        on = float(self.night.meat_on[self.pieces.pit[piece]]) / PER_MINUTE
        there: npt.NDArray[np.bool_] = (at > (on if on >= 0 else np.inf)) & (at < self.off_minute(piece))
        return there

    def tender(self, piece: int) -> float:
        return float(self.pieces.truth["tender"][piece])


def piece_name(meals: NightMeals, piece: int) -> str:
    return f"piece{meals.of(int(meals.pieces.pit[piece])).index(piece) + 1}"


def piece_settings(meals: NightMeals, piece: int) -> PieceSettings:
    """As the cook file says: weight and thickness as told, the wrap as told."""
    p, name = meals.pieces, piece_name(meals, piece)
    word = CUT_SIZES[int(p.cut[piece])].word
    cut, weight, thick = CUTS[word], float(p.said_weight[piece]), float(p.said_thickness[piece])
    assert cut.tender is not None
    told = bool(p.told_wrap[piece])
    return PieceSettings(
        name, name.title(), word, MeatKind.WHOLE_ROAST, name, weight,
        cut.thickness_at(weight) if np.isnan(thick) else thick / 100.0, cut.shape,
        wrap=Wrap(meals.material(piece)) if told else None, wrap_at=float(p.wrap_at[piece]) if told else None,
        tender_low=cut.tender[0], tender_high=cut.tender[1], fat_percent=cut.fat_percent,
        safe_minimum=cut.safe_minimum, safe_rule=cut.safe_rule,
    )  # fmt: skip


def piece_channel(meals: NightMeals, piece: int) -> ChannelSettings:
    name = piece_name(meals, piece)
    return ChannelSettings(name, name.title(), Role.MEAT, stale_after=75.0)
