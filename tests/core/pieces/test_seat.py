"""A probe that is seated anew: what it read before is no evidence of how the core moves. No outside source: the bound on what a
core can do is common practice, and the physics behind it stands in `test_no_core_moves_so_fast`."""

from __future__ import annotations

from math import isnan, nan

import pytest

from daemon.core.events import AlarmChanged, Event, ForecastWanted, StageChanged, StallChanged
from daemon.core.inputs import Readings
from daemon.core.orders import Mark, MarkKind, MoveProbe
from daemon.core.pieces.seat import (
    FASTEST_CORE,
    MOVING_AT_MOST,
    SETTLES_IN,
    last_seat,
    seats,
    settled,
    slope_of_one_seat,
)
from drivers.reading import Reading
from tests.core.test_changing_cook import Night


def test_no_core_moves_so_fast() -> None:
    """A sphere of 5 cm radius that is thrown from 5 into boiling water, without any resistance at its surface: its
    centre gains most a minute at Fo of about 0.1, dT/dFo = 16 K a tenth of the way (Carslaw & Jaeger, Conduction of Heat in
    Solids, section 9.3: first terms of the series); meat diffuses 1.35e-7 m²/s."""
    from math import exp, pi

    def centre(fourier: float) -> float:
        terms = (2.0 * (-1.0) ** (n + 1) * exp(-((n * pi) ** 2) * fourier) for n in range(1, 30))
        return 100.0 - 95.0 * sum(terms)

    minute = 60.0 * 1.35e-7 / 0.05**2  # Fourier number of a minute
    gains = [centre(0.02 + k * minute + minute) - centre(0.02 + k * minute) for k in range(300)]
    assert max(gains) < FASTEST_CORE


@pytest.mark.parametrize(
    ("cores", "found"),
    [
        ([50.0, 50.5, 51.0], []),
        ([50.0, 50.2, 72.0, 72.1], [2]),
        ([50.0, nan, nan, 58.0, 58.1], []),
        ([50.0, nan, nan, 61.0, 61.1], [3]),
        ([50.0, 80.0, 50.1, 50.2], []),
        ([50.0, 80.0, 95.0, 40.0, 40.1, 40.2], [1, 2, 3]),
        ([nan, nan], []),
    ],
)
def test_a_seat_is_a_jump_that_lasts(cores: list[float], found: list[int]) -> None:
    assert seats(cores) == found


def test_no_rate_is_taken_across_a_seat() -> None:
    cores = [60.0 + 0.1 * n for n in range(5)] + [20.0 + 0.05 * n for n in range(15)]
    assert slope_of_one_seat(cores) == pytest.approx(0.05)
    assert isnan(slope_of_one_seat(cores[: 5 + SETTLES_IN + 4]))
    assert slope_of_one_seat(cores[:5]) == pytest.approx(0.1)
    assert last_seat(cores, (12,)) == 12
    assert all(isnan(core) == (5 <= place < 5 + SETTLES_IN) for place, core in enumerate(settled(cores)))


def run(night: Night, minutes: int, climb: dict[str, float] | None = None) -> list[Event]:
    """Minute for minute, °C a minute of climb by channel; all events."""
    events: list[Event] = []
    for _ in range(minutes * 12):
        night.now += 5.0
        for channel, rate in (climb or {}).items():
            night.core[channel] += rate / 12.0
        while (due := night.engine.next_deadline()) is not None and due <= night.now:
            events += night.engine.handle_timer(due)
        values = {"pit": 120.0 + night.now % 3.0, **{c: v + night.now % 0.5 for c, v in night.core.items()}}
        events += night.engine.handle(Readings(tuple(Reading(c, v, night.now) for c, v in values.items())), night.now)
    return events


def told_of(events: list[Event], piece: str) -> list[Event]:
    """Stages, stalls and goals of a piece."""
    goals = ("tender-range", "target-reached", "wrap-target", "past-tender", "meat-cooling")
    return [
        e
        for e in events
        if (isinstance(e, StageChanged) and e.subject == piece)
        or (isinstance(e, StallChanged) and e.piece == piece)
        or (isinstance(e, AlarmChanged) and e.subject == piece and e.rule in goals)
    ]


@pytest.mark.parametrize("said", ["at once", "before", "after"])
@pytest.mark.parametrize("to", [93.0, 43.0])
def test_nothing_is_told_from_the_step_of_a_moved_probe(said: str, to: float) -> None:
    """The lamb's probe is moved into the chuck, whose own is taken out."""
    night = Night()
    run(night, 40, {"m1": 0.15, "m2": 0.15})
    events: list[Event] = []
    rates: list[float | None] = []
    for minute in range(60):
        if minute == {"before": 3, "at once": 8, "after": 14}[said]:
            events += night.give(MoveProbe("chuck", "m2", "page"))
        if minute == 8:
            night.core |= {"m1": 25.0, "m2": to}
        events += run(night, 1, {"m2": 0.12})
        rates.append(night.engine.pieces["chuck"].rate)
        view = next(c for c in night.engine.snapshot(night.now).channels if c.id == "m2")
        rates.append(view.rate)
    assert all(rate is None or abs(rate) < 60.0 for rate in rates), rates
    stalls = [e for e in told_of(events, "chuck") if isinstance(e, StallChanged)]
    stages = [e for e in told_of(events, "chuck") if isinstance(e, StageChanged) and e.after == "stall"]
    assert not stalls and not stages
    asked = [e.request for e in events if isinstance(e, ForecastWanted) and e.request.piece.id == "chuck"][-1]
    known = [core for core in asked.core if not isnan(core)]
    assert len(asked.seated) >= 1 and known[-1] > to - 1.0
    mine = [core for core in known if abs(core - known[0]) < 12.0 or abs(core - to) < 12.0]
    assert mine == known, "what the probe read in the lamb is not the chuck's"
    tender = [e for e in told_of(events, "chuck") if isinstance(e, AlarmChanged) and e.rule == "tender-range"]
    assert bool(tender) == (to > 90.0)
    if tender:  # not before the probe has come to rest
        assert tender[0].time >= night.now - (60 - 8 - SETTLES_IN) * 60.0


def test_a_stall_that_was_told_stands_and_is_not_ended_by_a_step() -> None:
    night = Night()
    night.core["m1"] = 70.0
    run(night, 15, {"m1": 0.3})
    events = run(night, 70, {"m1": 0.01})
    assert any(isinstance(e, StallChanged) and e.stalled for e in told_of(events, "chuck"))
    night.core["m1"] += 6.0  # seated anew, a little further out, and nobody says so
    after = run(night, 35, {"m1": 0.01})
    assert not [e for e in after if isinstance(e, StallChanged) and e.piece == "chuck"]
    assert night.engine.pieces["chuck"].stall.stalled


def test_a_core_that_never_comes_to_rest_is_judged_as_read() -> None:
    night = Night()
    run(night, 10)
    for _ in range(MOVING_AT_MOST + 5):
        night.core["m1"] = 95.0 if night.core["m1"] < 93.0 else 91.0
        run(night, 1)
    assert not night.engine.pieces["chuck"].settling


def test_a_restart_in_the_middle_of_a_move_changes_nothing() -> None:
    import json

    from daemon.core.engine import Engine

    night = Night()
    run(night, 20)
    night.give(MoveProbe("chuck", "m2", "page"))
    run(night, 2)
    dumped = json.loads(json.dumps(night.engine.dump()))
    again = Engine(night.engine.settings)
    again.load(dumped)
    assert again.pieces["chuck"].settling and json.loads(json.dumps(again.dump())) == dumped
    assert night.engine.handle(Mark(MarkKind.WRAPPED, "chuck"), night.now) == again.handle(
        Mark(MarkKind.WRAPPED, "chuck"), night.now
    )
