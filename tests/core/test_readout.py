"""What the readout says of a channel from which nothing may be foretold."""

from __future__ import annotations

from datetime import UTC

import pytest

from daemon.core.readings.conditioning import Conditioner
from daemon.core.readings.trace import Trace
from daemon.core.readout import Readout
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    QuietHours,
    Role,
    WatchSettings,
)
from drivers.reading import Fault, Quality, Reading
from tests.texts.english import in_english

SETTINGS = WatchSettings(
    "pit",
    "Pit",
    (ChannelSettings("lamb", "Lamb", Role.MEAT, stale_after=30.0),),
    CookSettings("lunch", "Lunch", Band(107.0, 135.0)),
    AnnouncingSettings(QuietHours(22 * 60, 6 * 60, UTC)),
)


def doubt(after: Reading | None, seconds: float = 0.0) -> str:
    """After ten good readings, this one and so many silent seconds."""
    conditioner = Conditioner(SETTINGS)
    readout = Readout(SETTINGS, conditioner, Trace())
    assert in_english(readout.doubt("lamb")) == "it gives no value"
    for second in range(10):
        conditioner.judge(Reading("lamb", 60.0 + 0.25 * (second % 2), float(second)), float(second))
    assert in_english(readout.doubt("lamb")) == ""
    if after is not None:
        conditioner.judge(after, after.measured_at)
    conditioner.scan(10.0 + seconds)
    return in_english(readout.doubt("lamb"))


@pytest.mark.parametrize(
    ("reading", "silent", "words"),
    [
        (Reading("lamb", None, 10.0, Fault.OPEN_CIRCUIT), 0.0, "the device reports open"),
        (Reading("lamb", 60.0, 10.0, quality=Quality.SUSPECT), 0.0, "implausible"),
        (None, 60.0, "stale"),
    ],
)
def test_it_names_what_is_wrong_and_not_only_that_something_is(
    reading: Reading | None, silent: float, words: str
) -> None:
    assert doubt(reading, silent) == words
