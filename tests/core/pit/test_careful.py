"""What is said of a pit beyond everything that was learned from: never later, never surer. Relations, no figures of a source."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, sin

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.pit.careful import AT, carefully, plain_minutes
from daemon.core.pit.exit_model import LEVELS, MIDDLE, SHIFT, ExitForecast, ExitModel
from daemon.core.pit.fire import FireWatch
from daemon.core.pit.fire_features import FEATURES, UNKNOWN
from daemon.core.settings import Band
from daemon.wiring.learned import learned

told = st.lists(st.floats(log(SHIFT), log(243.0)), min_size=len(LEVELS), max_size=len(LEVELS)).map(sorted)


@given(told, st.floats(0, 240))
def test_it_is_never_later_and_never_surer_than_what_was_learned(left: list[float], plain: float) -> None:
    found = carefully(left, plain)
    assert found == sorted(found) and found[0] >= log(SHIFT)
    assert found[MIDDLE] <= left[MIDDLE] + 1e-9 and found[-1] >= left[-1] - 1e-9 and found[0] <= left[0] + 1e-9
    assert found[MIDDLE] >= left[MIDDLE - 1] - 1e-9, "the plain figures are the worse ones: they do not take over"
    for minutes in (5.0, 22.0, 34.0):
        before, after = (ExitForecast.of(0.0, logs).chance_by(60 * minutes) for logs in (left, found))
        if minutes <= exp(found[MIDDLE]) - SHIFT:
            assert after >= before - 0.25


def test_plain_figures_are_the_trend_and_the_pits_own_fires() -> None:
    seen = [0.0] * len(FEATURES)
    for name, minutes in (
        ("to the edge at slope 12", 30.0), ("to the edge at slope 20", 50.0), ("height at the usual fall", 20.0),
        ("as earlier falls", UNKNOWN), ("as earlier fires", UNKNOWN),
    ):  # fmt: skip
        seen[AT[name]] = minutes
    assert plain_minutes(seen) == 20.0, "no fire of this pit is known yet"
    seen[AT["as earlier fires"]] = 44.0
    assert plain_minutes(seen) == 30.0
    seen[AT["to the edge at slope 12"]] = 240.0
    assert plain_minutes(seen) == 44.0


def test_unknown_is_not_beyond_and_a_bound_nobody_knows_bounds_nothing() -> None:
    model = learned().fire
    assert isinstance(model, ExitModel)
    middle = [
        0.0 if np.isnan(low + high) else (low + high) / 2 for low, high in zip(model.lowest, model.highest, strict=True)
    ]
    assert not model.is_beyond(middle) and not model.is_beyond([UNKNOWN] * len(FEATURES))
    for name in ("slope 12", "usual gap", "swing 120"):
        for edge, way in ((model.lowest, -1), (model.highest, 1)):
            beyond = list(middle)
            beyond[AT[name]] = float(edge[AT[name]]) + way * 0.1
            assert model.is_beyond(beyond)
    blind = replace(model, lowest=np.full(len(FEATURES), np.nan), highest=np.full(len(FEATURES), np.nan))
    assert not blind.is_beyond([1e9] * len(FEATURES))


@pytest.mark.parametrize(("low", "beyond"), [(118.0, False), (45.0, True)])
def test_a_pit_that_is_kept_as_none_was_gets_a_wider_forecast(low: float, beyond: bool) -> None:
    """A band of 105 °C is beyond all that was learned from, one of 32 °C is not."""
    model = learned().fire
    assert isinstance(model, ExitModel)
    wide: dict[bool, float] = {}
    for bounded in (True, False):
        own = model if bounded else replace(model, lowest=model.lowest * np.nan, highest=model.highest * np.nan)
        watch = FireWatch(own)
        for minute in range(1, 96):
            pit = 20.0 + min(1.6 * minute, 120.0) - 0.4 * max(0, minute - 80) + 0.3 * sin(2.1 * minute)
            watch.scan(60.0 * minute, pit)
            watch.minute(60.0 * minute, pit, Band(low, 150.0), 15.0)
        forecast = watch.exit.forecast
        assert forecast is not None
        wide[bounded] = forecast.exits[-1] - forecast.exits[0]
    assert wide[True] > wide[False] if beyond else wide[True] == wide[False]
