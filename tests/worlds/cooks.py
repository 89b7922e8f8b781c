"""Cooks of one fire world with one meat world: what the instruments and the cook wrote down, and the truth beside it.

`draw(fire, meat, seed, n)` gives n cooks. See `files.write` for what `pitvigil replay` reads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import PER_MINUTE, Floats, Lanes, Whole
from tests.worlds.marks import Marking, MarkMade, Marks, draw_marking
from tests.worlds.meat.meal import EVERY, Meal, cooked, stalls_of
from tests.worlds.meat.pieces import CUT_SIZES, MATERIALS
from tests.worlds.meats import MEAT_WORLDS
from tests.worlds.night import Night, draw_night
from tests.worlds.unfed import Unfed, unfed

PIT_CHANNELS = ("left", "right")


@dataclass(frozen=True, slots=True)
class Deed:
    """What was truly done or happened, marked or not: minute of the night; word; piece id or ""; a figure
    (amount, minutes, setting)."""

    minute: float
    word: str
    piece: str = ""
    figure: float = 0.0


@dataclass(frozen=True)
class Piece:
    """What the cook file says, and the truth. Minutes count from the start of the record, None = never.

    core, shown: a value every 15 s, °C, true slowest point and probe. wrap: (material, °C) as told, or None =
    told that there is none.
    """

    id: str
    cut: str
    weight: float
    thickness: float | None
    tender: tuple[float, float]
    wrap: tuple[str, float] | None
    mass: float
    half: float
    core: Floats
    shown: Floats
    on: float | None
    wrapped: float | None
    material: str
    off: float | None
    tender_at: float | None
    stalls: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Cook:
    """One cook. Traces have a value every 15 s (`lanes.STEP`), °C; NaN = no reading.

    air: true pit air. pits: channel -> what it showed. ambient: true outside air. minutes_left(m): minutes
    until the true air leaves the band's low edge if nobody comes after minute m; seen_left: the same for the
    first pit probe without its noise.
    """

    fire: str
    meat: str
    seed: int
    number: int
    start_hour: float
    low: float
    high: float
    nature: dict[str, float]
    air: Floats
    pits: dict[str, Floats]
    ambient: Floats
    pieces: tuple[Piece, ...]
    deeds: tuple[Deed, ...]
    marks: tuple[MarkMade, ...]
    truth_minutes: Whole
    truth_air: Floats
    truth_seen: Floats
    truth_for_good: Floats

    @property
    def minutes(self) -> int:
        return len(self.air) // PER_MINUTE

    def minutes_left(self, minute: float) -> float:
        """Between two saved minutes the nearest earlier one counts, less the time since."""
        return self._left(self.truth_air, minute)

    def seen_left(self, minute: float) -> float:
        return self._left(self.truth_seen, minute)

    def _left(self, truth: Floats, minute: float) -> float:
        row = max(int(np.searchsorted(self.truth_minutes, minute, side="right")) - 1, 0)
        return max(float(truth[row]) - (minute - float(self.truth_minutes[row])), 0.0)


def draw(
    fire: str,
    meat: str,
    seed: int,
    n: int,
    *,
    hours: float = 14.0,
    marks: Marks | None = None,
    obeys: bool | None = None,
    sleeps: bool | None = None,
    stress: str | None = None,
    every: int = 1,
    nature: Lanes | None = None,
) -> list[Cook]:
    """n cooks of FIRE_WORLDS[fire] with MEAT_WORLDS[meat]. every: minutes between two truths. nature: of n proven pits, in
    place of those that the seed draws. The same arguments, the same cooks.

    Nobody calls here; with an examiner in the loop use `night.draw_night` and `Night.call`. When all meat is
    off the fire is left alone.
    """

    def night_of() -> Night:
        world = FIRE_WORLDS[fire]
        return draw_night(
            world, seed, n, hours=hours, obeys=obeys, sleeps=sleeps, stress=stress, save_every=every, nature=nature
        )

    first = night_of().run()
    meal = cooked(MEAT_WORLDS[meat], first, seed)
    # run anew, the same until the last piece is off: from there on nobody feeds
    night = night_of()
    last_off = np.full(n, np.inf)
    for pit in range(n):
        off = meal.off[meal.pieces.pit == pit]
        last_off[pit] = off.max() * EVERY if (off >= 0).all() else np.inf
    stays = np.isinf(last_off)
    night.abandoned_from = np.where(stays, night.abandoned_from, np.minimum(night.abandoned_from, last_off))
    night.abandoned_until = np.where(stays | (last_off > night.abandoned_from), night.abandoned_until, np.inf)
    night.run()
    meal = cooked(MEAT_WORLDS[meat], night, seed, like=meal)
    truth = unfed(night)
    marking = draw_marking(seed, n, marks, stress)
    return [_cook(fire, meat, seed, pit, night, meal, truth, marking) for pit in range(n)]


def _cook(fire: str, meat: str, seed: int, pit: int, night: Night, meal: Meal, truth: Unfed, marking: Marking) -> Cook:
    pieces, deeds = [], _fire_deeds(night, pit)
    marks = marking.of(night, pit)
    for number, lane in enumerate(np.flatnonzero(meal.pieces.pit == pit)):
        piece = _piece(night, meal, int(lane), number)
        pieces.append(piece)
        done = ((piece.on, "meat-on", 0.0), (piece.wrapped, "wrapped", 0.0), (piece.off, "off", 0.0))
        deeds += [Deed(at, word, piece.id, figure) for at, word, figure in done if at is not None]
        for at, text, kind in (
            (piece.wrapped, f"wrapped:{piece.id}:{piece.material}", 4),
            (piece.off, f"off:{piece.id}", 5),
        ):
            marked = None if at is None else marking.minute(pit, at, kind + 2 * number)
            if marked is not None and marked < night.steps / PER_MINUTE:
                marks.append(MarkMade(marked, text))
    values = night.probes.values
    if values["from"][0, pit] < night.steps:
        word = {1: "probe-fell", 2: "probe-moved", 3: "probe-shaded"}[int(values["mishap"][0, pit])]
        deeds.append(Deed(values["from"][0, pit] / PER_MINUTE, word))
    return Cook(
        fire=fire,
        meat=meat,
        seed=seed,
        number=pit,
        start_hour=float(night.start_hour[pit]),
        low=float(night.nature["low"][pit]),
        high=float(night.nature["high"][pit]),
        nature={key: float(value[pit]) for key, value in night.nature.items() if value.ndim == 1},
        air=night.air[:, pit],
        pits={PIT_CHANNELS[c]: night.shown[c, :, pit] for c in range(int(night.probes.count[pit]))},
        ambient=night.weather.ambient[: night.steps, pit],
        pieces=tuple(pieces),
        deeds=tuple(sorted(deeds, key=lambda deed: deed.minute)),
        marks=tuple(sorted(marks, key=lambda mark: mark.minute)),
        truth_minutes=truth.minute,
        truth_air=truth.air[:, pit],
        truth_seen=truth.seen[0, :, pit],
        truth_for_good=truth.for_good[:, pit],
    )


def _fire_deeds(night: Night, pit: int) -> list[Deed]:
    deeds = [Deed(log.step / PER_MINUTE, "log", "", log.amount) for log in night.logs if log.pit == pit]
    deeds += [
        Deed(log.step / PER_MINUTE, "log-hard-to-light", "", log.green)
        for log in night.logs
        if log.pit == pit and log.green > 2
    ]
    deeds += [Deed(step / PER_MINUTE, "damper", "", setting) for step, whose, setting in night.dampers if whose == pit]
    if night.knocked_at[pit] < night.steps:
        deeds.append(Deed(night.knocked_at[pit] / PER_MINUTE, "damper-knocked", "", float(night.knocked_to[pit])))
    edges = np.flatnonzero(np.diff(night.lid[:, pit], prepend=0.0))
    deeds += [Deed(int(e) / PER_MINUTE, "lid-open" if night.lid[e, pit] else "lid-closed") for e in edges]
    start, length = night.weather.showers[:, pit]
    if np.isfinite(start) and start < night.steps / PER_MINUTE:
        deeds.append(Deed(float(start), "rain", "", float(length)))
    return deeds


def _piece(night: Night, meal: Meal, lane: int, number: int) -> Piece:
    p = meal.pieces
    cut = CUT_SIZES[int(p.cut[lane])]
    per_minute = PER_MINUTE // EVERY
    fine, coarse = np.arange(night.steps), np.arange(len(meal.core)) * EVERY

    def minute(step: float) -> float | None:
        return None if step < 0 or step > len(meal.core) else float(step) / per_minute

    on, wrapped, off = (minute(float(x[lane])) for x in (meal.on, meal.wrapped, meal.off))
    tender = minute(float(meal.tender[lane]))
    stalls: list[tuple[int, int]] = []
    if on is not None:
        start = int(meal.on[lane])
        ends = [x for x in (wrapped, off) if x is not None]
        until = int(min(ends) - on) if ends else 10**6
        air = night.air[start * EVERY :: PER_MINUTE, int(p.pit[lane])]
        stalls = stalls_of(meal.core[start::per_minute, lane], air, float(night.nature["low"][p.pit[lane]]), until)
    thick = float(p.said_thickness[lane])
    material = MATERIALS[int(p.material[lane])]
    shown = np.interp(fine, coarse, meal.shown[:, lane])
    return Piece(
        id=f"piece{number + 1}",
        cut=cut.word,
        weight=float(p.said_weight[lane]),
        thickness=None if np.isnan(thick) else thick,
        tender=cut.tender,
        wrap=(material, float(p.wrap_at[lane])) if p.told_wrap[lane] else None,
        mass=float(p.truth["mass"][lane]),
        half=float(p.truth["half"][lane]),
        core=np.interp(fine, coarse, meal.core[:, lane]),
        shown=np.round(shown * 4) / 4,
        on=on,
        wrapped=wrapped,
        material=material,
        off=off,
        tender_at=tender,
        stalls=tuple((on + a, on + b) for a, b in stalls) if on is not None else (),
    )
