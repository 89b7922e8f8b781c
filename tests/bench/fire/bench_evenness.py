"""Scores the map of the grate and the advice which piece to turn or move, on simulated pits whose true grate is known.

    python -m tests.bench.figures --only evenness --seed 4711

Three places a pit, each with a probe, and two pieces at places that were told. A probe is off by anything its class allows
(IEC 60584-1, class 2: ± 2.5 °C), for good. Two truths: places that take a share of the firebox's excess, and hot plates
whose places wander with the draught. No published target exists for any of this: each is our own, "common practice, no source".
Lines that miss say MISSED.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
import numpy.typing as npt

from daemon.core.pit.evenness import EVEN_WITHIN, Evenness, evenness
from daemon.core.pit.lessons import cook_lessons
from daemon.core.pit_profile import PitProfile, taught
from daemon.core.readout import CORE_MINUTES, EVENNESS_MINUTES
from drivers.simulated.meat import MeatBodies, MeatParameters
from drivers.simulated.pit import PitParameters, Pits, Stokers
from drivers.simulated.sensor import Probes
from tests.bench.figure import NO_TARGET, Figure
from tests.texts.english import in_english

Array = npt.NDArray[np.float64]
Grate = Callable[[np.random.Generator, Pits, int], "Callable[[], Array]"]

PLACES = ("left", "middle", "firebox-end")
PIECES = ("Chuck roll", "Lamb shoulder")
AMBIENT = 12.0
STEP, STEPS = 15.0, 4
"""s, and how many a minute; the minute's value is the median of so many readings."""
HOURS = 8
CLASS_2 = 2.5
"""± °C (IEC 60584-1, types K and N, class 2, below 333 °C)."""
SEATING = 0.5
"""± °C by which a probe reads another way when it is clipped on for the next cook, within its class."""
NOISE = 0.4
"""sd of one reading, °C."""
EXCHANGED = (10, 40)
"""Minutes after a question between which the exchanged probes are read: they take a while to warm and to settle."""
AGAIN = 120
"""Minutes for which a cook who has answered a question is not asked again."""
FIRST_LOOK = 29
"""Minutes after the meat went on."""
LOOK_EVERY = 5
"""Minutes between looks at the page; the watch works it out as often."""
TRUE_OVER = 60
"""Minutes whose true mean says whether an advice is needed: meat feels hours, not moments."""
CLEAR = 1.5 * EVEN_WITHIN
"""°C that nobody would leave alone."""
COOKS = 5
ASKS = "asks"
"""Stands for the verb of a question whether a difference is the place's or the probe's."""
CALIBRATED = 0.5
"""± °C left in a probe that was checked in ice and boiling water."""
SOURCE = "our own"


@dataclass(frozen=True, slots=True)
class Night:
    """One cook on each of N pits. read, true: (minutes, N, places), °C. cores, true_cores: (minutes, N, pieces), °C.
    lies: (N, pieces), the number of the place each piece lies at. bias: (N, places), °C, of the probe there."""

    read: Array
    true: Array
    cores: Array
    true_cores: Array
    lies: npt.NDArray[np.int64]
    bias: Array

    @property
    def pits(self) -> int:
        return int(self.true.shape[1])


# --- the grates ------------------------------------------------------------------------------------------


def shares(lowest: float, highest: float) -> Grate:
    """Places that take a share of what the firebox is hotter than the gas: the map breathes with the fire."""

    def drawn(rng: np.random.Generator, pits: Pits, n: int) -> Callable[[], Array]:
        share = rng.uniform(lowest, highest, (n, len(PLACES)))
        return lambda: np.stack([pits.place(share[:, k]) for k in range(len(PLACES))], axis=1)

    return drawn


def plates(lowest: float, highest: float) -> Grate:
    """Places beside hot steel: so many °C when the steel is hot, whatever the fire does, and a draught that wanders."""
    sd, forgets = 1.5, 40 * 60.0

    def drawn(rng: np.random.Generator, pits: Pits, n: int) -> Callable[[], Array]:
        offset = rng.uniform(lowest, highest, (n, len(PLACES)))
        hot = pits.steel - AMBIENT
        wander = sd * rng.standard_normal(offset.shape)
        kept = float(np.exp(-STEP / forgets))

        def now() -> Array:
            nonlocal wander
            wander = kept * wander + sd * np.sqrt(1 - kept**2) * rng.standard_normal(offset.shape)
            return np.asarray(pits.gas[:, None] + offset * ((pits.steel - AMBIENT) / hot)[:, None] + wander)

        return now

    return drawn


UNEVEN = {"shares of the fire": shares(-0.06, 0.08), "hot plates": plates(-8.0, 10.0)}
EVEN = {"shares of the fire": shares(-0.012, 0.012), "hot plates": plates(-1.0, 1.0)}


# --- the nights ------------------------------------------------------------------------------------------


def nights(
    rng: np.random.Generator, pits: int, grate: Grate, cooks: int, *, within: float = CLASS_2, exchanged: bool = False
) -> Iterator[Night]:
    """Cooks on the same pits with the same probes, ± `within`, at the same places; exchanged: after a cook each probe moves
    on a place."""
    world = Pits(
        PitParameters.uniform(
            pits,
            set_point=rng.uniform(112, 135, pits),
            gas_heat=14e3 * rng.uniform(0.7, 1.4, pits),
            steel_heat=58e3 * rng.uniform(0.6, 1.8, pits),
            steel_loss=25 * rng.uniform(0.75, 1.25, pits),
        )
    )
    world.settle(AMBIENT)
    places = grate(rng, world, pits)
    bias = rng.uniform(-within, within, (pits, len(PLACES)))
    for cook in range(cooks):
        world.settle(AMBIENT)
        seated = np.clip(bias + rng.uniform(-SEATING, SEATING, bias.shape), -within, within)
        yield _night(rng, world, places, within, np.roll(seated, cook, axis=1) if exchanged else seated)


def _night(rng: np.random.Generator, world: Pits, places: Callable[[], Array], within: float, bias: Array) -> Night:
    pits = world.gas.size
    stokers = Stokers(
        world,
        rng,
        look_every=rng.uniform(240, 720, pits),
        skill=rng.uniform(0.05, 0.3, pits),
        log_kg=rng.uniform(0.35, 0.65, pits),
    )
    lids = rng.random((HOURS * 60, pits)) < 1 / 90  # a look under the lid every hour and a half
    probes = Probes(rng, bias.size, lag=rng.uniform(20, 60, bias.size), noise=NOISE, bias=bias.ravel())
    lies = np.array([rng.permutation(len(PLACES))[: len(PIECES)] for _ in range(pits)])
    meat = MeatBodies(_meat(rng, lies.size))
    needles = Probes(rng, lies.size, lag=20.0, noise=0.2, bias=rng.uniform(-within, within, lies.size))
    probes.follow(STEP, places().ravel())
    rows: list[tuple[Array, ...]] = []
    for minute in range(HOURS * 60):
        stokers.act(minute * 60.0, probes.read().reshape(bias.shape).mean(axis=1), np.full(pits, AMBIENT))
        world.lid_open = lids[minute]
        readings, heats = [], []
        for _ in range(STEPS):
            world.step(STEP, AMBIENT, wind=2.0)
            heat = places()
            probes.follow(STEP, heat.ravel())
            heats.append(heat)
            readings.append(probes.read().reshape(bias.shape))
        air = np.take_along_axis(heats[-1], lies, axis=1).ravel()
        meat.step(60.0, air, np.repeat(world.radiant(), len(PIECES)), 5000.0)
        needles.follow(60.0, meat.core())
        needled = np.median([needles.read() for _ in range(STEPS)], axis=0).reshape(lies.shape)
        core = meat.core().reshape(lies.shape)
        rows.append((np.median(readings, axis=0), np.mean(heats, axis=0), needled, core))
    read, true, cores, true_cores = (np.array(column) for column in zip(*rows, strict=True))
    return Night(read, true, cores, true_cores, lies, bias)


def _meat(rng: np.random.Generator, n: int) -> MeatParameters:
    return MeatParameters.uniform(
        n, thickness=rng.uniform(0.085, 0.14, n), shape=rng.uniform(0.9, 1.4, n), start=rng.uniform(3, 12, n)
    )


# --- what is said ----------------------------------------------------------------------------------------


def looked(night: Night, pit: int, minute: int, tolerance: float) -> Evenness:
    """What the page shows at the end of this minute, from the readings alone."""
    hour, late = (slice(max(0, minute + 1 - length), minute + 1) for length in (EVENNESS_MINUTES, CORE_MINUTES))
    places = {name: night.read[hour, pit, k].tolist() for k, name in enumerate(PLACES)}
    cores = {name: (PLACES[night.lies[pit, k]], night.cores[late, pit, k].tolist()) for k, name in enumerate(PIECES)}
    return evenness(places, cores, dict.fromkeys(PLACES, tolerance))


@dataclass(frozen=True, slots=True)
class Told:
    """One advice as a cook reads it. verb: its first word. hot, cool: numbers of the places it compares."""

    verb: str
    hot: int
    cool: int


Method = Callable[[Night, int, int], Told | None]


def watch(tolerance: float) -> Method:
    """The watch's own advice."""

    def told(night: Night, pit: int, minute: int) -> Told | None:
        seen = looked(night, pit, minute, tolerance)
        if not seen.advice:
            return None
        hot, cool = (PLACES.index(seen.places[at].place) for at in (0, -1))
        return Told(in_english(seen.advice).split()[0] if seen.certain else ASKS, hot, cool)

    return told


def momentary(night: Night, pit: int, minute: int) -> Told | None:
    """Whoever looks at the numbers of this moment: turn what lies at the hottest place."""
    now = night.read[minute, pit]
    return Told("Turn", int(now.argmax()), int(now.argmin())) if np.ptp(now) >= EVEN_WITHIN else None


@dataclass
class Score:
    """Counts of looks. firm, right: advices, and those that are true; needed, clear: looks at a grate that truly is
    uneven, and so plainly; given, answered, clear_answered: of these, with a firm advice, and with an advice or a question.
    onsets, asked: advices and questions that began. hours: watched."""

    firm: int = 0
    right: int = 0
    needed: int = 0
    given: int = 0
    answered: int = 0
    clear: int = 0
    clear_answered: int = 0
    onsets: int = 0
    asked: int = 0
    hours: float = 0.0


def score(night: Night, method: Method) -> Score:
    total = Score()
    for pit in range(night.pits):
        before: Told | None = None
        for minute in range(FIRST_LOOK, len(night.true), LOOK_EVERY):
            true = night.true[max(0, minute + 1 - TRUE_OVER) : minute + 1, pit].mean(axis=0)
            told = method(night, pit, minute)
            firm = told is not None and told.verb != ASKS
            needed, clear = bool(np.ptp(true) >= EVEN_WITHIN), bool(np.ptp(true) >= CLEAR)
            total.needed += needed
            total.clear += clear
            total.given += needed and firm
            total.clear_answered += clear and told is not None
            total.answered += needed and told is not None
            if told is not None and firm:
                total.firm += 1
                total.right += _right(told, true, night, pit, minute)
            if told is not None and (before is None or (before.verb == ASKS) == firm):
                total.onsets += firm
                total.asked += not firm
            before = told
        total.hours += len(night.true) / 60
    return total


def _right(told: Told, true: Array, night: Night, pit: int, minute: int) -> bool:
    """The one place truly is so much hotter, and of two pieces the one that is said to be ahead is."""
    if true[told.hot] - true[told.cool] < EVEN_WITHIN:
        return False
    cores = {int(place): float(night.true_cores[minute, pit, k]) for k, place in enumerate(night.lies[pit])}
    if told.verb == "Swap":
        return cores[told.hot] > cores[told.cool]
    return told.verb != "Leave" or cores[told.hot] < cores[told.cool]


def settled(night: Night, tolerance: float) -> tuple[int, int, int]:
    """What comes of the questions when the cook does what they say: how many were asked, how many were answered rightly,
    and at how many the place truly was hot."""
    asked = right = hot = 0
    for pit in range(night.pits):
        quiet_until = 0
        for minute in range(FIRST_LOOK, len(night.true) - EXCHANGED[1], LOOK_EVERY):
            seen = looked(night, pit, minute, tolerance)
            if not seen.advice or seen.certain or minute < quiet_until:
                continue
            quiet_until = minute + AGAIN
            upper, lower = (PLACES.index(seen.places[at].place) for at in (0, -1))
            after = slice(minute + EXCHANGED[0], minute + EXCHANGED[1])
            made = night.bias[pit, upper] - night.bias[pit, lower]
            reads = float((night.read[after, pit, upper] - night.read[after, pit, lower]).mean()) - 2 * made
            (enough,) = re.findall(r"reads (\d+) °C", in_english(seen.advice))
            true = night.true[max(0, minute + 1 - TRUE_OVER) : minute + EXCHANGED[1], pit].mean(axis=0)
            needed = bool(true[upper] - true[lower] >= EVEN_WITHIN)
            asked, hot, right = asked + 1, hot + needed, right + ((reads >= float(enough)) == needed)
    return asked, right, hot


# --- figures ---------------------------------------------------------------------------------------------


def advice_figures(name: str, uneven: Night, even: Night, tolerance: float) -> list[Figure]:
    """Advices on uneven grates and on even ones, the advice of the moment beside; no advice gives none that is needed."""
    mine, plain = score(uneven, watch(tolerance)), score(uneven, momentary)
    quiet, chatty = score(even, watch(tolerance)), score(even, momentary)

    def share(part: int, whole: int) -> float:
        return part / whole if whole else nan

    right, given = share(mine.right, mine.firm), share(mine.given, mine.needed)
    answered, clear = share(mine.answered, mine.needed), share(mine.clear_answered, mine.clear)
    false, asked = quiet.onsets * 10 / quiet.hours, quiet.asked * 10 / quiet.hours
    questions, answers, hot = settled(uneven, tolerance)
    told = share(answers, questions)
    return [
        Figure(f"{name}: advices that are right", right, ">= .95", right >= 0.95,
               f"of the moment {share(plain.right, plain.firm):.2f}; {SOURCE}; n {mine.firm}"),
        Figure(f"{name}: clearly needed ({CLEAR:.0f} °C), given or asked", clear, ">= .95", clear >= 0.95,
               f"of the moment {share(plain.clear_answered, plain.clear):.2f}, no advice 0; {SOURCE}; n {mine.clear}"),
        Figure(f"{name}: needed ({EVEN_WITHIN:.0f} °C), given or asked", answered, ">= .80", answered >= 0.8,
               f"of the moment {share(plain.given, plain.needed):.2f}, no advice 0; {SOURCE}; n {mine.needed}"),
        Figure(f"{name}: needed and given outright", given, NO_TARGET, True, "what the probes' tolerance leaves"),
        Figure(f"{name}: advices that begin in 10 h of an uneven grate", mine.onsets * 10 / mine.hours, NO_TARGET, True,
               f"of the moment {plain.onsets * 10 / plain.hours:.2f}"),
        Figure(f"{name}: questions answered rightly by exchanged probes", told, ">= .80", told >= 0.8,
               f"all taken for hot places {share(hot, questions):.2f}; {SOURCE}; n {questions}"),
        Figure(f"{name}: false advices in 10 h of an even grate", false, "<= 0.1", false <= 0.1,
               f"of the moment {chatty.onsets * 10 / chatty.hours:.2f}; {SOURCE}"),
        Figure(f"{name}: needless questions in 10 h of an even grate", asked, "<= 0.1", asked <= 0.1, SOURCE),
    ]  # fmt: skip


def _offsets(celsius: Array) -> Array:
    """°C above the mean of all places."""
    return np.asarray(celsius - celsius.mean(axis=-1, keepdims=True))


def _off(told: Sequence[dict[str, float]], true: Array) -> float:
    """Mean absolute error of the maps of N pits, °C; a place that was left out counts as even."""
    maps = np.array([[row.get(place, 0.0) for place in PLACES] for row in told])
    return float(np.abs(maps - true).mean())


def map_figures(name: str, cooks: list[Night], exchanged: list[Night]) -> list[Figure]:
    """How far the map of the grate is from the truth, by hours of the first cook and by cooks kept."""
    first = cooks[0]
    true = _offsets(first.true.mean(axis=0))
    probes = float(np.abs(_offsets((first.read - first.true).mean(axis=0))).mean())
    rows = []
    for hours in (1, 2, 4):
        seen = [looked(first, pit, hours * 60 - 1, CLASS_2) for pit in range(first.pits)]
        off = _off([{heat.place: heat.offset for heat in one.places} for one in seen], true)
        moment = float(np.abs(_offsets(first.read[hours * 60 - 1]) - true).mean())
        rows.append(Figure(f"{name}: map after {hours} h, mean off °C", off, "<= 1.5", off <= 1.5,
                           f"of the moment {moment:.2f}; the probes alone {probes:.2f}; {SOURCE}"))  # fmt: skip
    for kept, target in ((1, 1.3), (COOKS, 1.3)):
        off = _off(_profiles(cooks[:kept]), _offsets(np.mean([n.true.mean(axis=0) for n in cooks[:kept]], axis=0)))
        rows.append(Figure(f"{name}: kept map after {kept} cooks, mean off °C", off, f"<= {target}", off <= target,
                           f"the probes alone {probes:.2f}; {SOURCE}"))  # fmt: skip
    off = _off(_profiles(exchanged), _offsets(np.mean([n.true.mean(axis=0) for n in exchanged], axis=0)))
    rows.append(Figure(f"{name}: kept map, the probes exchanged {len(exchanged)} times, mean off °C", off, "<= 0.5",
                       off <= 0.5, SOURCE))  # fmt: skip
    return rows


def _profiles(cooks: Sequence[Night]) -> list[dict[str, float]]:
    """What each pit's profile says of its places after these cooks."""

    told = []
    for pit in range(cooks[0].pits):
        profile = PitProfile()
        for number, night in enumerate(cooks):
            places = {name: night.read[:, pit, k].tolist() for k, name in enumerate(PLACES)}
            middle = night.read[:, pit].mean(axis=1).tolist()
            profile = taught(profile, cook_lessons(f"cook-{number}", 0, middle, (), (), places, ()))
        told.append({lesson.place: lesson.offset for lesson in profile.places})
    return told


def figures(pits: int, seed: int) -> list[Figure]:
    """Every figure of this bench, on `pits` pits of each truth."""
    found = []
    for at, name in enumerate(UNEVEN):
        rng = np.random.default_rng([seed, at])
        cooks = list(nights(rng, pits, UNEVEN[name], COOKS))
        found += map_figures(name, cooks, list(nights(rng, pits, UNEVEN[name], len(PLACES), exchanged=True)))
        (even,) = nights(rng, pits, EVEN[name], 1)
        found += advice_figures(name, cooks[0], even, CLASS_2)
        (good,), (even,) = (nights(rng, pits, kind[name], 1, within=CALIBRATED) for kind in (UNEVEN, EVEN))
        found += advice_figures(f"{name}, probes calibrated to ± {CALIBRATED} °C", good, even, CALIBRATED)
    return found
