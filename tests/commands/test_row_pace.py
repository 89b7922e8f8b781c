"""A log whose rows are slower than the rig's silence limit is judged by its own pace, and what that costs is said."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from config.config_error import ConfigError
from daemon.commands.cook_import import import_csv
from daemon.commands.replay import replay_log
from daemon.commands.row_pace import FEWEST, ROWS_MISSED, at_their_pace
from daemon.core.settings import ChannelSettings, Role
from daemon.shell.library.records import CookRecords

RIG = Path(__file__).parents[2] / "config" / "examples" / "rig.toml"
START = 1_795_200_000.0
HOUR = 3600.0


def lines(every: float, hours: float, gap: tuple[float, float] = (0.0, 0.0)) -> Iterator[str]:
    """A pit in its band and a core that climbs; no row falls in the gap, s from the start."""
    yield "time,pit-left,pit-right,chuck\n"
    for number in range(int(hours * HOUR / every)):
        seconds = number * every + (0.4 if number % 3 == 0 else 0.0)  # no logger is exact
        if not gap[0] < seconds < gap[1]:
            at = datetime.fromtimestamp(START + seconds, UTC).isoformat()
            yield f"{at},{118 + number % 3},{117 + number % 2},{20 + seconds / 600:.1f}\n"


def judged(log: Path) -> tuple[list[dict[str, object]], list[str]]:
    out = io.StringIO()
    _, mistakes = replay_log(log, RIG, None, out)
    return [json.loads(line) for line in out.getvalue().splitlines()], mistakes.said


@pytest.mark.parametrize("every", [5.0, 15.0, 30.0, 60.0])
def test_rows_of_any_usual_pace_are_believed(every: float, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("".join(lines(every, 1.5)))
    events, said = judged(log)
    stale = [e for e in events if e["event"] == "quality" and e["quality"] != "good" and e["channel"] == "chuck"]
    assert len(stale) <= 1, "at the end of the log, where every probe falls silent"
    assert bool(said) is (every >= 10.0)
    assert all("log.csv" in line and "time = a reading every" in line and "record" in line for line in said)


def test_a_probe_that_falls_silent_is_still_noticed_at_the_pace_of_its_log(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("".join(lines(30.0, 2.0, (HOUR, HOUR + 600.0))))
    events, _ = judged(log)
    quiet = [e for e in events if e["event"] == "quality" and e["channel"] == "chuck" and e["quality"] == "bad"]
    began = START + HOUR
    assert any(began < datetime.fromisoformat(str(e["time"])).timestamp() <= began + 200.0 for e in quiet)


def test_an_import_learns_the_pace_and_says_what_it_cannot_do(tmp_path: Path) -> None:
    log, journal = tmp_path / "log.csv", tmp_path / "state" / "journal.sqlite"
    log.write_text("".join(lines(300.0, 6.0)))
    found = import_csv(log, journal, "Slow log", "Brick pit", RIG)
    assert found.mistakes.count == 0
    assert any("cannot be told here" in line and "at least every 60" in line for line in found.mistakes.said)
    kept = {c.id: c.stale_after for c in CookRecords(journal).entry(found.id).channels}
    assert kept["chuck"] == pytest.approx(300.0 * ROWS_MISSED, rel=0.01)
    assert "lamb" not in kept, "what does not stand in the log is not kept"


def test_a_channel_that_keeps_its_limit_keeps_it() -> None:
    channels = (ChannelSettings("pit", "Pit", Role.PIT), ChannelSettings("chuck", "Chuck", Role.MEAT, stale_after=40.0))
    quick, slow = [9.0 * n for n in range(20)], [30.0 * n for n in range(20)]
    assert at_their_pace(channels, {"pit": quick, "chuck": slow}, "log.csv") == (channels, [])
    assert at_their_pace(channels, {"pit": slow[:FEWEST]}, "log.csv") == (channels, []), "too few to tell"


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("time,pit\n2026-11-20T18:00:00,110\n", "zone"),
        ("time;pit\n2026-11-20T18:00:00Z;110,5\n", "commas"),
        ("time,pit\n", "no line of it can be used"),
    ],
)
def test_a_log_of_which_nothing_can_be_used_says_why(text: str, remedy: str, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text)
    with pytest.raises(ConfigError, match=remedy):
        import_csv(log, tmp_path / "state" / "journal.sqlite", "Nothing", "Brick pit")
