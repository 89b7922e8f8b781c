"""One cook after another on the same hot pit."""

from daemon.core.engine import Engine
from daemon.core.orders import Mark, MarkKind, StartCook
from tests.core.night import engine_at_night


def minutes(engine: Engine, count: int) -> float:
    now = engine.next_deadline() or 0.0
    end = now + 60.0 * count
    while now < end:
        engine.handle_timer(now)
        now = engine.next_deadline() or end
    return now


def test_the_next_cook_on_a_hot_pit_is_watched_like_the_first() -> None:
    engine = engine_at_night()
    now = minutes(engine, 1)
    engine.handle(Mark(MarkKind.FIRE_LIT), now)
    engine.handle(Mark(MarkKind.MEAT_ON), now)
    engine.handle(Mark(MarkKind.OFF), now)
    now = minutes(engine, 2)
    assert engine.pit.stage.stage == "cooling", "low fires need no feeding once all is off"
    engine.handle(StartCook(engine.settings.cook, by="page"), now)
    now = minutes(engine, 2)
    assert engine.pit.stage.stage == "cooling", "nothing is on yet"
    engine.handle(Mark(MarkKind.MEAT_ON), now)
    minutes(engine, 2)
    assert engine.pit.stage.stage != "cooling"
