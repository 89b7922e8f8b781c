"""What would have woken you: the same settings give the night as it was, others a different one, nonsense is refused."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import main
from daemon.commands.what_if import BadSetting, Judged, calls, changed, inputs_of_cook, known_keys, settings_of
from daemon.core.alarms.rules import RULES_BY_ID, WakePolicy
from daemon.core.annunciation.annunciator import TEST_WAKE
from daemon.core.events import Priority
from daemon.core.settings import Band
from daemon.shell.library.records import CookEntry, CookRecords
from tests.shell.kept_cooks import FIRST, SECOND, make_journal, write_files


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_journal(tmp_path_factory.mktemp("what-if"))


@pytest.fixture(scope="module")
def entry(journal: Path) -> CookEntry:
    return CookRecords(journal).entry(FIRST)


@pytest.fixture(scope="module")
def then(entry: CookEntry) -> Judged:
    return Judged(settings_of(entry))


@pytest.fixture(scope="module")
def told(journal: Path) -> list[Mapping[str, Any]]:
    """What called in the night itself."""
    return [
        e
        for e in CookRecords(journal).kept(FIRST).events
        if e["event"] == "notification" and e["level"] == "wake" and e["alarm"] != TEST_WAKE
    ]


@pytest.mark.soak
def test_the_same_settings_call_when_the_night_itself_called(
    entry: CookEntry, then: Judged, told: list[Mapping[str, Any]]
) -> None:
    """At every run the command below counts them."""
    assert [one.id for one in calls(then, inputs_of_cook(entry))] == [one["id"] for one in told] and len(told) >= 2


def test_a_band_up_there_calls_sooner(entry: CookEntry, then: Judged, told: list[Mapping[str, Any]]) -> None:
    hotter = changed(then, ["band.low=112"])
    first = datetime.fromisoformat(told[0]["time"]).timestamp()  # engine time is UTC here
    night = list(inputs_of_cook(entry))
    before = [(now, item) for now, item in night if now < first]
    assert 0 < len(before) < len(night)
    assert calls(hotter, before), "sooner: the band that was set that night does not undo it"


def test_each_key_changes_what_it_names(then: Judged) -> None:
    now = changed(
        then,
        [
            "band.low=212 F", "band.high = 150", "quiet.from=21:15", "quiet.until=6:00", "lead_minutes=30",
            "wake_for_wrap=true", "repeat_after=90", "rule.fire-out.on_delay=600", "rule.fire-out.priority=low",
            "rule.pit-high.margin=12", "rule.lid-left-open.wake=now",
        ],
    )  # fmt: skip
    announcing = now.settings.announcing
    assert now.settings.cook.band == Band(100.0, 150.0) and now.band_fixed
    assert (announcing.quiet.start, announcing.quiet.end) == (21 * 60 + 15, 360)
    assert announcing.sleeper.lead == pytest.approx(1800) and announcing.wake_for_wrap and announcing.repeat_after == 90
    rules = {rule.id: rule for rule in now.rules}
    assert rules["fire-out"] == replace(RULES_BY_ID["fire-out"], on_delay=600.0, priority=Priority.LOW)
    assert rules["pit-high"].margin == 12 and rules["lid-left-open"].wake is WakePolicy.NOW
    others = rules.keys() - {"fire-out", "pit-high", "lid-left-open"}
    assert all(rules[rule] == RULES_BY_ID[rule] for rule in others)


@pytest.mark.parametrize(
    ("assignment", "words"),
    [
        ("bond.low=1", 'unknown key "bond.low"; known keys: band.low, band.high'),
        ("rule.fire-out.text=x", "unknown key"),
        ("rule.fire-lost.on_delay=1", 'no rule is called "fire-lost"; known rules: runaway, fire-out'),
        ("band.low", "KEY=VALUE"),
        ("band.low=warm", "with its unit"),
        ("band.low=140", "band would run from 140 °C to 135 °C"),
        ("quiet.from=25:00", "local time of day"),
        ("quiet.until=22:30", "no quiet hours"),
        ("lead_minutes=nan", "between 5 and 90"),
        ("repeat_after=-1", "seconds between"),
        ("wake_for_wrap=yes", "true or false"),
        ("rule.fire-out.priority=urgent", "one of low, medium"),
        ("rule.fire-out.margin=much", "write a number"),
        ("rule.pit-high.margin=nan", "finite"),
    ],
)
def test_what_cannot_be_is_refused_with_what_is_known(then: Judged, assignment: str, words: str) -> None:
    with pytest.raises(BadSetting, match=words):
        changed(then, [assignment])


def test_every_known_key_is_taken() -> None:
    assert {"band.low", "quiet.until", "lead_minutes", "rule.RULE.on_delay", "rule.RULE.priority"} <= set(known_keys())


def test_the_command_prints_both_nights(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ask = ["replay", "--journal", str(journal.parent), "--cook", SECOND]
    assert main([*ask, "--what-if", "--set", "rule.pit-falling.wake=never"]) == 0
    told = capsys.readouterr()
    found = re.search(r"then woken (\w+)(?: times)?, now (\w+)", told.out)
    assert found is not None and "Add 1-2 splits" in told.out
    before, after = ({"never": 0, "once": 1}.get(word) for word in found.groups())
    assert (before, after) == (1, 0), "the call for wood is gone"
    assert "Both nights hold the deeds of that night" in told.out
    assert "that night itself" not in told.err
    with pytest.raises(SystemExit):
        main(["replay", "--help"])
    assert "had you done the same" in " ".join(capsys.readouterr().out.split())
    assert main([*ask, "--set", "bond=1"]) == 2
    assert "known keys" in capsys.readouterr().err
    assert main(["replay", "--journal", str(journal.parent), "--cook", "none", "--what-if"]) == 2
    assert "no such cook" in capsys.readouterr().err


def test_a_recorded_log_can_be_asked_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Four hours in the band, then the fire goes out and nobody comes."""
    rig, _ = write_files(tmp_path)
    lines = ["time,pit-left,pit-right,pit-firebox,chuck,mark"]
    for minute in range(360):
        pit = min(121.0, 15 + 4.0 * minute) if minute < 240 else max(20.0, 121 - 1.5 * (minute - 240))
        core, mark = 5 + 0.15 * minute, {1: "fire-lit", 40: "meat-on:chuck"}.get(minute, "")
        wiggle = 0.25 * (minute % 3)
        at = f"2026-11-28T{minute // 60:02d}:{minute % 60:02d}:00Z"
        lines.append(f"{at},{pit + wiggle:.2f},{pit - wiggle:.2f},{pit:.2f},{core:.2f},{mark}")
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")
    off = [arg for rule in RULES_BY_ID for arg in ("--set", f"rule.{rule}.wake=never")]
    assert main(["replay", str(tmp_path / "log.csv"), "--rig", str(rig), "--what-if", *off]) == 0
    told = capsys.readouterr().out
    assert "changed never" in told and "as set never" not in told and "no watch is known" in " ".join(told.split())


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (["replay"], "name a recorded cook and its --rig"),
        (["replay", "x.csv"], "name a recorded cook and its --rig"),
        (["replay", "x.csv", "--journal", ".", "--cook", "a"], "takes the id of a kept cook"),
        (["replay", "--journal", "."], "takes the id of a kept cook"),
        (["replay", "--journal", "nowhere", "--cook", "a"], "no journal is there"),
    ],
)
def test_half_a_question_is_answered_with_the_other_half(
    call: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(call) == 2
    assert words in capsys.readouterr().err
