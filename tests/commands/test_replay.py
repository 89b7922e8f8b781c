"""`pitvigil replay` and `check` as a user calls them: bad input is named and nothing of the rest is lost."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

import config
from config.config_error import ConfigError
from daemon import cli
from daemon.cli import main
from daemon.commands.cook_import import import_csv
from daemon.core.orders import Mark, MarkKind
from daemon.shell.library.order_words import mark_word, said_in

EXAMPLES = Path(config.__file__).parent / "examples"
RIG, COOK = str(EXAMPLES / "rig.toml"), str(EXAMPLES / "cook.toml")


def log_of_a_cook(path: Path) -> Path:
    """Three hours: lit, on, a climbing core, an open lid, a short, then silence from one pit probe."""
    lines = ["time,pit-left,pit-right,chuck,mark"]
    for minute in range(180):
        pit = min(121.0, 15 + 4.0 * minute)
        core = 5.0 if minute < 40 else 5 + 0.55 * (minute - 40)
        mark = {1: "fire-lit", 40: "meat-on:chuck", 90: "log", 120: "lid-open"}.get(minute, "")
        left = "short" if minute == 100 else f"{pit + 0.25 * (minute % 2):.2f}"
        right = "" if minute > 150 else f"{pit + 1:.2f}"
        lines.append(f"2026-11-28T{10 + minute // 60:02d}:{minute % 60:02d}:00+00:00,{left},{right},{core:.2f},{mark}")
    path.write_text("\n".join(lines) + "\n")
    return path


def replay(log: Path, tmp_path: Path) -> list[dict[str, object]]:
    events = tmp_path / "events.jsonl"
    assert main(["replay", str(log), "--rig", RIG, "--cook", COOK, "--events", str(events)]) == 0
    return [json.loads(line) for line in events.read_text().splitlines()]


def test_every_line_has_time_and_event_and_the_cook_is_followed(tmp_path: Path) -> None:
    events = replay(log_of_a_cook(tmp_path / "log.csv"), tmp_path)
    assert all(str(e["time"]).endswith("Z") and e["event"] for e in events)
    assert {"stage", "mark", "quality", "forecast"} <= {str(e["event"]) for e in events}
    stages = [(e["subject"], e["after"]) for e in events if e["event"] == "stage"]
    assert ("pit", "in-band") in stages and ("chuck", "cooking") in stages
    times = [str(e["time"]) for e in events]
    assert times == sorted(times)


def test_twice_the_same_log_gives_twice_the_same_events(tmp_path: Path) -> None:
    log = log_of_a_cook(tmp_path / "log.csv")
    assert replay(log, tmp_path) == replay(log, tmp_path)


def test_a_cook_file_with_a_plan_has_it_kept_from_the_first_line(tmp_path: Path) -> None:
    cook = tmp_path / "cook.toml"
    text = (
        Path(COOK)
        .read_text(encoding="utf-8")
        .replace("rest_minutes = 60\n", "rest_minutes = 60\nplan = { wind = 3 }\n")
    )
    cook.write_text(text, encoding="utf-8")
    log, events = log_of_a_cook(tmp_path / "log.csv"), tmp_path / "events.jsonl"
    assert main(["replay", str(log), "--rig", RIG, "--cook", str(cook), "--events", str(events)]) == 0
    (plan,) = (e for line in events.read_text().splitlines() if (e := json.loads(line))["event"] == "plan")
    assert plan["time"] == "2026-11-28T10:00:00.000Z" and plan["wake"] and plan["by"] == "cook file"
    kinds = [(step["kind"], step["piece"]) for step in plan["steps"]]
    assert kinds[0] == ("light", None) and ("put-on", "chuck") in kinds and kinds[-1] == ("serve", None)


def test_bad_cells_are_named_and_counted_and_the_rest_is_judged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = log_of_a_cook(tmp_path / "log.csv")
    lines = log.read_text().splitlines()
    lines[10] = lines[10].replace(",16", ",hot", 1) if ",16" in lines[10] else lines[10] + "x"
    before, _, after = lines[12].rpartition(",")
    head, _, _ = before.rpartition(",")
    lines[12] = f"{head},1e-999999999,{after}"  # below what a float can hold: not 0 °C
    lines[20] = "yesterday" + lines[20][25:]
    lines[30:33] = lines[3:6]
    lines[40] = lines[40].rsplit(",", 1)[0] + ",dance"
    log.write_text("\n".join([*lines[:60], lines[60][:30], *lines[61:]]) + "\n")
    events = replay(log, tmp_path)
    complaints = capsys.readouterr().err
    for words in ("line 13", "line 21", "RFC 3339", "line 31", "earlier", "dance", "could not be used"):
        assert words in complaints
    assert "line 32" not in complaints, "of a run of lines that go back the first is told"
    assert any(e["event"] == "forecast" for e in events)


@pytest.mark.parametrize(
    ("header", "words"),
    [("when,chuck", "first column must be `time`"), ("time,chick", "no channel of the rig"), ("", "the file is empty")],
)
def test_a_header_that_cannot_be_used_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], header: str, words: str
) -> None:
    log = tmp_path / "log.csv"
    log.write_text(header + "\n")
    assert main(["replay", str(log), "--rig", RIG, "--cook", COOK]) == 2
    assert words in capsys.readouterr().err


def test_a_missing_log_is_said_plainly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(tmp_path / "none.csv"), "--rig", RIG]) == 2
    assert "there is no such file; see" in capsys.readouterr().err


def test_check_says_everything_at_once_and_ends_with_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(
        (EXAMPLES / "rig.toml").read_text().replace("low = 107", "low = 1").replace('unit = "C"', 'unit = "K"')
    )
    assert main(["check", "--rig", str(rig), "--cook", COOK]) == 2
    errors = capsys.readouterr().err
    assert "pit.band.low" in errors and "people.unit" in errors
    assert main(["check", "--rig", RIG, "--cook", COOK]) == 0


def test_a_target_above_the_boiling_point_is_warned_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """At 5000 ft water boils at 202.83 °F (IF97 on the standard atmosphere, tests/data/boiling_altitude.csv): a 203 °F
    target cannot be reached while the meat is wet."""
    rig, cook = tmp_path / "rig.toml", tmp_path / "cook.toml"
    rig.write_text((EXAMPLES / "rig.toml").read_text().replace("altitude = 85", "altitude = 1524"))
    cook.write_text((EXAMPLES / "cook.toml").read_text().replace("tender = [92, 97]", 'tender = ["203 F", "207 F"]'))
    assert main(["check", "--rig", str(rig), "--cook", str(cook)]) == 0
    warning = capsys.readouterr().out
    assert "water boils at 94.9 °C" in warning and ", tender" in warning


def test_plan_counts_back_from_the_serving_time(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cli, "wall_seconds", lambda: datetime(2026, 11, 27, 12, tzinfo=UTC).timestamp())
    assert main(["plan", "--rig", RIG, "--cook", COOK]) == 0
    words = capsys.readouterr().out
    assert "serve at Sun 12:30" in words and "light the fire" in words
    assert "Chuck roll: on by" in words and "Lamb shoulder: on by" in words and "kg" in words


def test_a_rule_for_roasts_and_a_target_under_the_safe_minimum_are_warned_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Food Code 3-501.16: 130 °F is for whole roasts; USDA home guidance: poultry to 165 °F."""
    cook = tmp_path / "cook.toml"
    text = Path(COOK).read_text(encoding="utf-8").replace('rule = "food-code-135"', 'rule = "food-code-roast-130"')
    cook.write_text(text, encoding="utf-8")
    assert main(["check", "--rig", RIG, "--cook", str(cook)]) == 0
    assert "hold.rule" not in capsys.readouterr().out, "chuck roll and lamb shoulder are whole roasts"
    text = text.replace('cut = "lamb-shoulder"', 'cut = "chicken-whole"\ntarget = 70')
    cook.write_text(text, encoding="utf-8")
    assert main(["check", "--rig", RIG, "--cook", str(cook)]) == 0
    told = capsys.readouterr().out
    assert "hold.rule = food-code-roast-130: this is for whole roasts only, and Lamb shoulder is none" in told
    assert ", target" in told and "below the safe minimum of 73.9 °C (USDA home guidance)" in told


@pytest.mark.parametrize(
    "mark",
    [
        Mark(MarkKind.LOG),
        Mark(MarkKind.WRAPPED, "chuck"),
        Mark(MarkKind.WRAPPED, "chuck", note="foil"),
        Mark(MarkKind.WRAPPED, None, note="boat"),
    ],
)
def test_a_mark_in_a_cell_says_also_what_a_piece_was_wrapped_in(mark: Mark) -> None:
    assert said_in(mark_word(mark.kind, mark.piece, mark.note)) == mark


def test_a_note_is_no_wrap_and_a_strange_wrap_is_no_mark() -> None:
    assert mark_word("wrapped", "chuck", "a bit early: so what") == "wrapped:chuck"
    assert mark_word("off", "chuck", "foil") == "off:chuck"
    for text in ("wrapped:chuck:leaf", "off:chuck:foil", "wrapped:chuck:foil:more", "sung", ""):
        assert said_in(text) is None


def test_what_a_piece_is_wrapped_in_reaches_the_judging_of_a_log(tmp_path: Path) -> None:
    log = log_of_a_cook(tmp_path / "log.csv")
    text = log.read_text(encoding="utf-8").splitlines()
    at = next(i for i, line in enumerate(text) if "T12:30" in line)
    text[at] = text[at].rpartition(",")[0] + ",wrapped:chuck:boat"
    text.insert(at + 1, text[at].partition(",")[0] + "," * (text[at].count(",") - 1) + ",damper")  # at the same time
    log.write_text("\n".join(text) + "\n", encoding="utf-8")
    events = replay(log, tmp_path)
    (mark,) = [e for e in events if e["event"] == "mark" and e["kind"] == "wrapped"]
    assert mark["time"] in [e["time"] for e in events if e["event"] == "mark" and e["kind"] == "damper"]
    assert (mark["piece"], mark["note"]) == ("chuck", "boat")


def test_a_log_without_a_pit_probe_is_kept_and_one_with_endless_columns_refused(tmp_path: Path) -> None:
    meat_only, wide = tmp_path / "meat.csv", tmp_path / "wide.csv"
    lines = [f"2026-11-28T12:{minute:02}:00Z,{10 + minute},11" for minute in range(0, 60, 5)]
    meat_only.write_text("\n".join(["time,chuck,lamb", *lines]))
    assert import_csv(meat_only, tmp_path / "journal.sqlite", "Meat only", "The long pit").readings == 24
    wide.write_text("time," + ",".join(f"pit{n}" for n in range(300_000)) + "\n")
    with pytest.raises(ConfigError, match="512"):
        import_csv(wide, tmp_path / "journal.sqlite", "Wide", "The long pit")
