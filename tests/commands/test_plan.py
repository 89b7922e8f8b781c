"""`pitvigil plan` with and without what the pit has taught."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from config.cook import PieceSection
from config.loader import load_both
from daemon import cli
from daemon.cli import main
from daemon.core.pit_profile import FireProfile, ForecastMiss, PitProfile
from daemon.shell.journal.journal import Journal
from daemon.shell.journal.profile_note import keep_profile
from daemon.shell.library.records import CookRecords
from daemon.wiring.planning import FIRES_TELL, Weather, feeding_of, plan_lines

EXAMPLES = Path(__file__).parents[2] / "config" / "examples"
THE_DAY_BEFORE = datetime(2026, 11, 27, 12, tzinfo=UTC).timestamp()
"""Before the example has to be lit."""
LATE = tuple(ForecastMiss("night", piece, 6.0) for piece in "abc")


def told(state: Path, capsys: pytest.CaptureFixture[str]) -> str:
    files = ["--rig", str(EXAMPLES / "rig.toml"), "--cook", str(EXAMPLES / "cook.toml")]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cli, "wall_seconds", lambda: THE_DAY_BEFORE)
        assert main(["plan", *files, "--state", str(state)]) == 0
    return capsys.readouterr().out


def test_a_plan_uses_what_the_kept_cooks_taught(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    usual = told(tmp_path, capsys)
    assert "ordinary pit" in usual
    assert not list(tmp_path.iterdir()), "asking makes no journal"
    journal = Journal(tmp_path / "journal.sqlite")
    taught = PitProfile(FireProfile((), (70.0,) * 8), misses=LATE, cooks=("night",))
    keep_profile(journal.notes, taught)
    journal.commit(0.0)
    journal.close()
    assert CookRecords(tmp_path / "journal.sqlite").taught() == taught
    known = told(tmp_path, capsys)
    assert "1 kept cook" in known
    assert logs(known) < logs(usual), "logs that burn 70 min are fewer"
    assert known.splitlines()[1] != usual.splitlines()[1], "a pit that is late is lit earlier"


def test_weather_in_the_wrong_unit_is_asked_about(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = ["--rig", str(EXAMPLES / "rig.toml"), "--cook", str(EXAMPLES / "cook.toml"), "--state", str(tmp_path)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cli, "wall_seconds", lambda: THE_DAY_BEFORE)
        for unlikely in ("45", "70"):
            assert main(["plan", *files, "--ambient", unlikely, "--wind", "15"]) == 2 * (unlikely == "70")
            assert f'"{unlikely} F"' in capsys.readouterr().err
        assert main(["plan", *files, "--ambient", "70 F", "--wind", "15 mph"]) == 0
    assert capsys.readouterr().err == ""


def test_who_reads_fahrenheit_is_asked_which_unit_the_weather_has(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text((EXAMPLES / "rig.toml").read_text("utf-8").replace('unit = "C" ', 'unit = "F" '), "utf-8")
    plan = ["plan", "--rig", str(rig), "--cook", str(EXAMPLES / "cook.toml"), "--state", str(tmp_path)]
    for words, question in (
        (["--ambient", "30"], "--ambient 30: which unit? Write --ambient=30F"),
        (["--wind", "8"], "--wind 8: which unit? Write 8mph, or 8m/s"),
    ):
        assert main([*plan, *words]) == 2
        assert question in capsys.readouterr().err
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cli, "wall_seconds", lambda: THE_DAY_BEFORE)
        assert main([*plan, "--ambient", "30F", "--wind", "8mph"]) == 0
    assert capsys.readouterr().out.endswith("Made for 30 °F outside and 8 mph of wind.\n")


def test_a_plan_made_too_late_says_so_and_what_is_left() -> None:
    rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    assert cook is not None
    serve_at = cook.serve_at_utc(rig.people.zone)
    assert serve_at is not None

    def told_at(hours: float) -> str:
        return "\n".join(plan_lines(rig, cook, "cook.toml", Weather(), PitProfile(), serve_at - hours * 3600.0))

    assert "cannot be met" not in told_at(48.0)
    left = [int(told_at(hours).split("the chance is about ")[1].split(" %")[0]) for hours in (19.0, 16.0, 13.0, 3.0)]
    assert left == sorted(left, reverse=True) and left[0] > 60 and left[-1] < 5

    def promised(hours: float) -> int:
        hour, minute = told_at(hours).split("Serving at Sun ")[2].split(" is the earliest")[0].split(":")
        return int(hour) * 60 + int(minute)

    assert 12 * 60 + 30 < promised(19.0) < 19 * 60, "some hours after the one it was planned for: pieces may be slow"
    assert promised(18.0) == promised(19.0) + 60, "each hour lost is an hour later"
    past = told_at(-2.0)
    assert "Serving at Sun 12:30 cannot be met: that is past." in past and "the chance is about" not in past


def at(line: str) -> datetime:
    """The first day and hour of a line, in the week of the example."""
    found = re.search(r"(Thu|Fri|Sat|Sun|Mon) (\d\d):(\d\d)", line)
    assert found is not None, line
    days = {"Thu": 26, "Fri": 27, "Sat": 28, "Sun": 29, "Mon": 30}
    return datetime(2026, 11, days[found[1]], int(found[2]), int(found[3]), tzinfo=UTC)


@pytest.mark.parametrize("rig_file", ["rig.toml", "two-pits.toml"])
@pytest.mark.parametrize("ahead", [20.0, 6.0, 0.5, -3.0])
def test_no_hour_of_a_plan_is_past(rig_file: str, ahead: float) -> None:
    rig, cook = load_both(EXAMPLES / rig_file, EXAMPLES / "cook.toml")
    assert cook is not None
    serve_at = cook.serve_at_utc("UTC")
    assert serve_at is not None
    rig = rig.model_copy(update={"people": rig.people.model_copy(update={"zone": "UTC"})})
    now = serve_at - ahead * 3600.0
    told = list(plan_lines(rig, cook, "cook.toml", Weather(), PitProfile(), now))
    begin = next(number for number, line in enumerate(told) if line.startswith("to serve at"))
    today = datetime.fromtimestamp(now - 60.0, UTC)
    hours = [at(line) for line in told[begin:] if re.search(r"(light|on .*by|served?) .*[a-z] \d\d:", line)]
    assert hours and all(hour >= today for hour in hours), told


def test_logs_in_quiet_hours_end_with_the_meat() -> None:
    lines = lines_of(Weather())
    off = max(at(line.split("off about")[1]) for line in lines if "off about" in line)
    surely = next(line for line in lines if "  logs in quiet hours: " in line).rpartition(" ")[2]
    perhaps = next(line for line in lines if "only if the meat is slow: " in line).partition("slow: ")[2][:5]
    assert "00:00" < surely < f"{off:%H:%M}" <= perhaps < "12:00"


def test_of_two_pits_each_fire_and_each_piece_is_named() -> None:
    rig, cook = load_both(EXAMPLES / "two-pits.toml", EXAMPLES / "cook.toml")
    assert cook is not None
    lines = list(plan_lines(rig, cook, "cook.toml", Weather(), PitProfile(), 0.0))
    lit = {pit: at(next(line for line in lines if f"light {pit}: " in line)) for pit in ("Offset", "Drum")}
    on = {pit: at(next(line for line in lines if f"on {pit} by " in line)) for pit in ("Offset", "Drum")}
    for pit in ("Offset", "Drum"):
        lead = (on[pit] - lit[pit]).total_seconds()
        assert 3600.0 < lead < 2 * 3600.0, "each fire is lit for its own meat"
        assert any(f"quiet hours ({pit})" in line for line in lines)


def test_a_piece_with_a_serving_time_of_its_own_is_planned_to_it() -> None:
    """The lamb at lunch, the chuck roll at supper."""
    rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    assert cook is not None
    chuck, lamb = cook.pieces
    supper = chuck.model_copy(update={"serve_at": datetime.fromisoformat("2026-11-29T19:00")})  # local: the rig's zone
    own = cook.model_copy(update={"pieces": (supper, lamb)})
    both, apart = ([*plan_lines(rig, c, "c", Weather(), PitProfile(), 0.0)] for c in (cook, own))

    def on(lines: list[str], name: str) -> datetime:
        return at(next(line for line in lines if f"{name}: on by" in line))

    assert on(apart, "Lamb shoulder") == on(both, "Lamb shoulder")
    assert (on(apart, "Chuck roll") - on(both, "Chuck roll")).total_seconds() == 6.5 * 3600.0
    assert "    served at Sun 19:00" in apart
    near = cook.model_copy(
        update={"pieces": (chuck, lamb.model_copy(update={"serve_at": datetime.fromisoformat("2026-11-28T19:00")}))}
    )
    serve_at = cook.serve_at_utc(rig.people.zone)
    assert serve_at is not None
    told = [*plan_lines(rig, near, "c", Weather(), PitProfile(), serve_at - 26 * 3600.0)]
    assert any(line.startswith("Serving Lamb shoulder at Sat 19:00 cannot be met") for line in told)
    assert not any(line.startswith("Serving at") for line in told), "the rest can be"


def logs(plan: str) -> int:
    return int(plan.split("wood: about ")[1].split(" logs")[0])


def test_one_fire_is_no_habit() -> None:
    assert feeding_of(PitProfile(FireProfile((), (70.0,) * (FIRES_TELL - 1)))) == feeding_of(PitProfile())
    assert feeding_of(PitProfile(FireProfile((), (70.0,) * FIRES_TELL))).log_interval == 4200.0


def lines_of(weather: Weather, unit: str = "C") -> list[str]:
    rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    assert cook is not None
    cook = type(cook).model_validate({**cook.model_dump(exclude_none=True), "guests": 60})
    people = rig.people.model_copy(update={"unit": unit})
    rig = rig.model_copy(update={"people": people})
    return list(plan_lines(rig, cook, "cook.toml", weather, PitProfile(), 0.0))


def test_a_cold_or_windy_day_takes_more_wood_and_an_earlier_fire() -> None:
    mild, cold, windy = (lines_of(w) for w in (Weather(25.0), Weather(-10.0), Weather(10.0, 10.0)))
    assert logs("\n".join(mild)) < logs("\n".join(cold)) and logs("\n".join(lines_of(Weather()))) < logs(
        "\n".join(windy)
    )
    # Newton's law of cooling: at a middle of 121 °C, 131 K over the outside instead of 111 K.
    assert Weather(-10.0).demand(121.0) == pytest.approx(131.0 / 111.0)
    assert Weather().demand(121.0) == 1.0


def test_the_wait_is_said_with_its_place_and_its_rule() -> None:
    waits = [line for line in lines_of(Weather()) if "waits" in line]
    assert waits and all("Warmer" in line and "Food Code 3-501.16" in line for line in waits), waits


def test_the_plan_speaks_the_readers_unit() -> None:
    plan = "\n".join(lines_of(Weather(), "F"))
    assert " lb" in plan and " kg" not in plan and "135 °F" in plan and " oz" in plan and " g " not in plan


def with_keys(**keys: object) -> list[str]:
    """The example cook with these keys of its file as well."""
    rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    assert cook is not None
    more = type(cook).model_validate({**cook.model_dump(exclude_none=True), **keys})
    return list(plan_lines(rig, more, "cook.toml", Weather(), PitProfile(), 0.0))


def test_guests_are_counted_against_the_published_yields() -> None:
    """7.0 kg of chuck roll at 66 %, 2.4 kg of lamb shoulder at 58 % less a fifth of bone: 5.73 kg; 0.15 kg each feed 38."""
    lines = "\n".join(with_keys(guests=60))
    assert "60 at 150 g of cooked meat take 9.0 kg" in lines and "enough for 38" in lines
    assert "for 60 it takes about 15 kg raw" in lines and "USDA Table of Cooking Yields" in lines
    assert "enough for 38 only" in lines
    plenty = "\n".join(with_keys(guests=20))
    assert "it takes about" not in plenty and "enough for 38\n" in plenty


def test_heavier_splits_are_fewer_and_a_short_stock_is_said() -> None:
    usual, heavy = "\n".join(with_keys()), "\n".join(with_keys(wood={"split": 1.4, "kind": "oak", "stock": 6}))
    assert logs(heavy) < logs(usual) and "logs of oak" in heavy
    assert f"6 are at hand: that is {logs(heavy) - 6} too few" in heavy
    assert feeding_of(PitProfile(), split=1.4).log_interval == 2 * feeding_of(PitProfile(), split=0.7).log_interval


def test_check_says_when_a_piece_of_its_own_time_is_served(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cook = tmp_path / "cook.toml"
    own = (
        (EXAMPLES / "cook.toml")
        .read_text()
        .replace("# serve_at = 2026-11-29T19:00:00", "serve_at = 2026-11-29T19:00:00")
    )
    cook.write_text(own)
    assert main(["check", "--rig", str(EXAMPLES / "rig.toml"), "--cook", str(cook)]) == 0
    (lamb,) = (line for line in capsys.readouterr().out.splitlines() if line.startswith("  Lamb shoulder"))
    assert lamb.endswith("served Sunday 29 November 2026, 19:00")


def test_a_night_without_sleep_is_said_and_one_with_long_logs_is_not() -> None:
    (told,) = [line for line in lines_of(Weather()) if "nobody can sleep" in line]
    logs = next(line for line in lines_of(Weather()) if "  logs in quiet hours: " in line).count(":") - 1
    assert told.startswith(f"  {logs} logs in quiet hours, at most 40 min apart: ")
    long_logs = PitProfile(FireProfile((), (200.0,) * FIRES_TELL))
    rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    assert cook is not None
    lines = list(plan_lines(rig, cook, "cook.toml", Weather(), long_logs, THE_DAY_BEFORE))
    assert any("  logs in quiet hours: " in line for line in lines) and not any("nobody" in line for line in lines)


def test_a_piece_that_would_wait_longer_than_it_cooks_is_told_why_and_a_later_hour() -> None:
    rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    assert cook is not None
    shank = PieceSection(name="Shank", cut="lamb-shank", weight=0.45)
    lines = list(
        plan_lines(rig, cook.model_copy(update={"pieces": (cook.pieces[0], shank)}), "cook.toml", Weather(), PitProfile(),
                   THE_DAY_BEFORE)
    )  # fmt: skip
    (told,) = [line for line in lines if "it goes on so early" in line]
    shank_line = next(line for line in lines if "Shank: on by" in line)
    assert lines.index(told) > lines.index(shank_line), "the chuck roll waits for less long than it cooks"
    usual = float(shank_line.split("for about ")[1].split()[0])
    assert "a chance of 75 %" in told
    hours = (at(told) - at(shank_line)).total_seconds() / 3600.0
    assert hours > 3.0 and (datetime(2026, 11, 29, 11, 30, tzinfo=UTC) - at(told)).total_seconds() / 3600.0 > usual
