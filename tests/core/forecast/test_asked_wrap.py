"""The cook's own "if wrapped at": asked at once, kept over a restart, refused where there is nothing to wrap."""

from __future__ import annotations

from math import inf, nan

import pytest

from daemon.core.engine import Engine
from daemon.core.events import CommandRefused, Event, ForecastWanted
from daemon.core.forecast_request import ForecastRequest
from daemon.core.orders import AskWrap, Mark, MarkKind
from tests.core.night import NIGHT, engine_at_night, readings, restarted, step
from tests.texts.english import in_english

BOTH_ON = NIGHT + 5.0


@pytest.fixture
def engine() -> Engine:
    """The chuck roll is on the fire, the lamb shoulder is not."""
    made = engine_at_night()
    step(made, Mark(MarkKind.MEAT_ON, "chuck"), BOTH_ON)
    for second in range(10, 605, 5):
        step(made, readings(NIGHT + second, pit_left=124.0, pit_right=120.0, chuck=40.0, lamb=8.0), NIGHT + second)
    return made


def questions(events: list[Event]) -> list[ForecastRequest]:
    return [event.request for event in events if isinstance(event, ForecastWanted)]


def test_the_question_goes_to_the_forecaster_at_once_and_into_every_forecast_to_come(engine: Engine) -> None:
    (at_once,) = questions(step(engine, AskWrap("chuck", 70.0, "page"), NIGHT + 606.0))
    assert (at_once.piece.id, at_once.asked_wrap) == ("chuck", 70.0)
    later = questions(step(engine, None, NIGHT + 1300.0))
    assert [q.asked_wrap for q in later if q.piece.id == "chuck"] == [70.0]
    assert next(p for p in engine.snapshot(NIGHT + 1300.0).pieces if p.id == "chuck").asked_wrap == 70.0


def test_a_question_taken_back_is_asked_no_more(engine: Engine) -> None:
    step(engine, AskWrap("chuck", 70.0, "page"), NIGHT + 606.0)
    (at_once,) = questions(step(engine, AskWrap("chuck", None, "page"), NIGHT + 607.0))
    assert at_once.asked_wrap is None


@pytest.mark.parametrize(
    ("piece", "celsius", "words"),
    [
        ("goat", 70.0, "no piece is called goat"),
        ("lamb", 70.0, "is not on the fire"),
        ("chuck", nan, "no temperature"),
        ("chuck", inf, "no temperature"),
    ],
)
def test_what_cannot_be_asked_is_refused(engine: Engine, piece: str, celsius: float, words: str) -> None:
    (refused,) = step(engine, AskWrap(piece, celsius, "hub"), NIGHT + 606.0)
    assert isinstance(refused, CommandRefused) and words in in_english(refused.reason)


def test_a_piece_that_is_wrapped_is_not_wrapped_again(engine: Engine) -> None:
    step(engine, Mark(MarkKind.WRAPPED, "chuck"), NIGHT + 606.0)
    (refused,) = step(engine, AskWrap("chuck", 70.0, "page"), NIGHT + 607.0)
    assert isinstance(refused, CommandRefused) and "wrapped already" in in_english(refused.reason)


def test_the_question_outlives_a_restart(engine: Engine) -> None:
    step(engine, AskWrap("chuck", 76.7, "page"), NIGHT + 606.0)
    other = restarted(engine)
    now = NIGHT + 1300.0
    asked, again = (questions(step(one, None, now)) for one in (engine, other))
    assert asked and repr(again) == repr(asked)  # by their words: minutes without a reading are NaN
    assert other.pieces["chuck"].asked_wrap == 76.7


def test_a_checkpoint_from_before_the_question_existed_is_still_read(engine: Engine) -> None:
    dumped = engine.dump()
    del dumped["pieces"]["chuck"]["asked_wrap"]
    other = engine_at_night()
    other.load(dumped)
    assert other.pieces["chuck"].asked_wrap is None
