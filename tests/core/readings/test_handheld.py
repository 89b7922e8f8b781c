"""A handheld probe gives a reading when it comes to rest in something warm, and at no other time. Our own rules, no source."""

from __future__ import annotations

import json
from dataclasses import replace
from math import exp

import pytest

from daemon.core.events import Event, SpotRead, SpotSettled
from daemon.core.inputs import Readings
from daemon.core.orders import AddPiece, ChooseSpot
from daemon.core.readings.handheld import Handheld
from daemon.core.settings import ChannelSettings, Role
from drivers.reading import Reading
from tests.core.night import CHUCK, NIGHT, SETTINGS, engine_at_night, step

SPOT = ChannelSettings("handheld", "Handheld", Role.SPOT, tolerance=0.7)
RIG = replace(SETTINGS, channels=(*SETTINGS.channels, SPOT))


def rests(handheld: Handheld, course: list[float], start: float = 0.0) -> list[float]:
    """What a value a second comes to rest at."""
    taken = (handheld.take("handheld", value, 0.7, start + second) for second, value in enumerate(course))
    return [round(reading.celsius, 1) for reading in taken if reading is not None]


def into(celsius: float, start: float = 20.0, seconds: int = 40, answers_in: float = 3.0) -> list[float]:
    """A thin probe pushed into something: the first-order answer of a thermometer."""
    return [celsius + (start - celsius) * exp(-second / answers_in) for second in range(seconds)]


def test_a_probe_pushed_into_meat_gives_one_reading_within_its_tolerance() -> None:
    (reading,) = rests(Handheld(), [20.0] * 10 + into(63.4))
    assert reading == pytest.approx(63.4, abs=0.7)


@pytest.mark.parametrize(
    "course",
    [[20.0] * 60, [34.0] * 60, into(21.0, 63.0, 300, 60.0), [60.0 + 3.0 * (n % 2) for n in range(60)], [63.0] * 3],
    ids=["put away", "in a pocket", "cooling in the air", "restless", "too short"],
)
def test_no_reading(course: list[float]) -> None:
    assert rests(Handheld(), course) == []


def test_two_pieces_one_after_the_other() -> None:
    handheld = Handheld()
    assert len(rests(handheld, into(63.4))) == 1
    assert rests(handheld, into(63.6, 63.4), start=40.0) == [], "the same place"
    assert len(rests(handheld, into(74.0, 63.5), start=80.0)) == 1
    assert len(rests(handheld, into(74.0), start=400.0)) == 1, "used anew after it was away"


def test_what_it_remembers_survives_a_restart() -> None:
    handheld, other = Handheld(), Handheld()
    rests(handheld, into(63.4))
    handheld.choose("chuck", 50.0)
    other.load(json.loads(json.dumps(handheld.dump())))
    assert other.dump() == handheld.dump()
    assert rests(other, into(63.5, 63.4), start=40.0) == []


def read(seconds: float, course: list[float], *orders: ChooseSpot | AddPiece) -> list[Event]:
    engine = engine_at_night(RIG)
    events = [e for order in orders for e in step(engine, order, NIGHT + seconds)]
    for second, value in enumerate(course):
        now = NIGHT + seconds + second
        events += step(engine, Readings((Reading("handheld", value, now),)), now)
    if not any(isinstance(e, SpotRead) for e in events):
        asked = engine.snapshot(NIGHT + seconds + len(course)).handheld
        assert asked is not None and asked.celsius == pytest.approx(63.4, abs=0.7)
        events += step(engine, ChooseSpot("chuck", "Ann"), NIGHT + seconds + len(course))
    return events


def test_the_reading_goes_to_the_piece_chosen_before_or_after() -> None:
    before = read(60.0, into(63.4), ChooseSpot("chuck", "Ann"))
    after = read(60.0, into(63.4))
    for events in (before, after):
        (taken,) = [e for e in events if isinstance(e, SpotRead)]
        assert (taken.piece, taken.tolerance, taken.thermometer) == ("chuck", 0.7, "handheld")
        assert taken.celsius == pytest.approx(63.4, abs=0.7)
    assert [e.channel for e in before + after if isinstance(e, SpotSettled)] == ["handheld"], "only the second asks"


def test_its_silence_is_no_fault() -> None:
    engine = engine_at_night(RIG)
    now = NIGHT + 5.0
    step(engine, Readings((Reading("handheld", 20.0, now),)), now)
    told = step(engine, None, NIGHT + 3600.0)
    assert not [e for e in told if getattr(e, "channel", "") == "handheld"]
    (view,) = [c for c in engine.snapshot(NIGHT + 3600.0).channels if c.id == "handheld"]
    assert view.celsius is None, "put away"


def test_a_piece_without_a_probe_reads_by_hand() -> None:
    engine = engine_at_night(RIG)
    step(engine, AddPiece(replace(CHUCK, id="other", channel=None), "Ann"), NIGHT + 1.0)
    shown = {p.id: p for p in engine.snapshot(NIGHT + 2.0).pieces}["other"]
    assert shown.channel is None and shown.celsius is None
