"""Every problem at once, each naming file, key, value and remedy."""

import tomllib
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfoNotFoundError

import pytest
from pydantic import ValidationError

import config
import daemon
import drivers
from config.config_error import ConfigError
from config.cook import Cook, PlanSection
from config.cuts import CUTS
from config.loader import load_both, load_rig, read_both
from config.plain_errors import plain_problems
from config.problems import Unfit
from config.rig import PageSection, Rig
from config.units import parse_amount, parse_temperature, to_celsius
from config.zones import zones_meant
from daemon.texts.problems import in_a_line, why
from daemon.wiring.composers import composer_of_people
from tests.texts.english import in_english, problem_in_english

EXAMPLES = Path(config.__file__).parent / "examples"
ROOT = Path(__file__).parents[2]


def test_the_packages_are_ours() -> None:
    for package in (config, daemon, drivers):
        assert Path(package.__file__ or "").parents[1] == ROOT


def test_the_examples_load() -> None:
    rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    assert cook is not None
    assert {c.role for c in rig.channels} == {"pit", "meat", "ambient", "hold"}


def broken(tmp_path: Path, old: str, new: str, file: str = "rig.toml") -> list[str]:
    for name in ("rig.toml", "cook.toml"):
        text = (EXAMPLES / name).read_text()
        if name == file:
            assert old in text
            text = text.replace(old, new)
        (tmp_path / name).write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_both(tmp_path / "rig.toml", tmp_path / "cook.toml")
    return [problem_in_english(p) for p in caught.value.problems]


@pytest.mark.parametrize(
    ("old", "new", "file", "words"),
    [
        ('unit = "C"', 'unit = "C"\ncolour = 3', "rig.toml", ["people.colour", "3", "unknown key"]),
        ('unit = "C"', 'unit = "C"\nlead_mins = 30', "rig.toml", ["people.lead_mins", "30", "is lead_minutes meant?"]),
        ('device = "board"\nsource = "1"', 'device = "bord"\nsource = "1"', "rig.toml", ["device", "bord", "board"]),
        ("low = 107", 'low = "hot"', "rig.toml", ["pit.band.low", "hot", "250 F"]),
        ('zone = "Europe/London"', 'zone = "Mars/Base"', "rig.toml", ["people.zone", "Mars/Base", "tz database"]),
        ('quiet_from = "22:00"', 'quiet_from = "25:00"', "rig.toml", ["quiet_from", "25:00", "22:30"]),
        ('quiet_until = "07:00"', 'quiet_until = "10 PM"', "rig.toml", ["people.quiet_until", "10 PM", "another time"]),
        ('source = "2"', 'source = "1"', "rig.toml", ["board/1", "same source"]),
        ('cut = "lamb-shoulder"', 'cut = "lamb-wing"', "cook.toml", ["piece lamb, cut", "lamb-wing", "lamb-shoulder"]),
        ('channel = "lamb"', 'channel = "outside"', "cook.toml", ["piece lamb, channel", "ambient channel", "chuck"]),
        ("weight = 2.4", "weight = -2", "cook.toml", ["piece lamb, weight", "-2", "more than 0.05 kg"]),
        ("[pit]", "[pit", "rig.toml", ["not TOML", "line"]),
        (
            "tender = [92, 97]",
            "tender = [198, 207]",
            "cook.toml",
            ["piece chuck, tender = [198, 207]", 'if °F is meant, write tender = ["198 F", "207 F"]'],
        ),
        ('listen = "127.0.0.1"', 'listen = "0.0.0.0:80"', "rig.toml", ["page.listen", '"0.0.0.0"', "port = 80"]),
        ('listen = "127.0.0.1"', 'listen = "http://[::1]:80/"', "rig.toml", ["page.listen", '"::1"', "port = 80"]),
        ('host = "127.0.0.1"', 'host = "mqtt://hub.local"', "rig.toml", ["broker.host", "mqtt://hub.local", "alone"]),
        ('kind = "serial-line"', 'kind = "serial"', "rig.toml", ['device board, kind = "serial"', '"serial-line"']),
        ('kind = "serial-line"', "kind = 7", "rig.toml", ["device board, kind = 7", '"serial-line"']),
        ('kind = "mqtt"', "", "rig.toml", ["delivery bedroom, kind: say which kind"]),
        (
            "2026-11-29T12:30:00 ",
            "2026-11-29 12:30 ",
            "cook.toml",
            ["serve_at = 2026-11-29 12:30:", "line 4", "lacks its seconds; write 2026-11-29T12:30:00"],
        ),
        ("2026-11-29T12:30:00 ", "2026-11-29 1:30 PM ", "cook.toml", ["= 2026-11-29 1:30 PM:", "2026-11-29T13:30:00"]),
        ("low = 107", "low = 107,5", "rig.toml", ["low = 107,5", "a decimal comma; write a point: 107.5"]),
        ("weight = 2.4", "weight = 2,4 kg", "cook.toml", ["weight = 2,4 kg", 'write a point: "2.4 kg"']),
        ("low = 107", "low = 225F", "rig.toml", ["225F", 'stands in quotes; write "225F"']),
        ("low = 107", "\n low = 107", "rig.toml", ["a table in braces stands on one line"]),
        ("weight = 2.4", 'weight = "2,4 kg"', "cook.toml", ["2,4 kg", 'a decimal comma; write a point: "2.4 kg"']),
        ("weight = 2.4", 'weight = "2,4"', "cook.toml", ["2,4", "a decimal comma; write a point: 2.4"]),
        ("low = 107", 'low = "107,5 C"', "rig.toml", ["107,5 C", 'write a point: "107.5 C"']),
    ],
)
def test_a_problem_names_key_value_and_remedy(tmp_path: Path, old: str, new: str, file: str, words: list[str]) -> None:
    problems = broken(tmp_path, old, new, file)
    assert any(all(word in p for word in [file, *words]) for p in problems), problems


def test_a_time_without_seconds_hides_no_other_mistake(tmp_path: Path) -> None:
    (tmp_path / "cook.toml").write_text(
        'name = "Lunch"\n# serve_at = 2026-11-28 12:30\nserve_at = 2026-11-29 12:30\n'
        '[[pieces]]\nname = "A"\ncut = "lamb-leg"\nweight = -1\nserve_at = 2026-11-29T9:30\n'
    )
    found = read_both(EXAMPLES / "rig.toml", tmp_path / "cook.toml").problems
    assert [(p.key, p.value) for p in found] == [
        ("serve_at", "2026-11-29 12:30"), ("serve_at", "2026-11-29T9:30"), ("pieces.0.weight", "-1"),
    ]  # fmt: skip


@pytest.mark.parametrize("host", ["", "0.0.0.0", "::", "fe80::1%eth0", "pit.local", "my_hub", "192.168.1.20"])
def test_a_host_alone_may_be_a_name_or_an_address(host: str) -> None:
    assert PageSection(listen=host).listen == host


def test_problems_of_both_files_come_at_once(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text((EXAMPLES / "rig.toml").read_text().replace("low = 107", "low = 1"))
    (tmp_path / "cook.toml").write_text("name = 3\n")
    with pytest.raises(ConfigError) as caught:
        load_both(tmp_path / "rig.toml", tmp_path / "cook.toml")
    assert {Path(p.file).name for p in caught.value.problems} == {"rig.toml", "cook.toml"}


def test_a_rig_that_cannot_be_used_still_says_how_its_people_read(tmp_path: Path) -> None:
    text = (EXAMPLES / "rig.toml").read_text().replace('unit = "C"', 'unit = "F"').replace("low = 107", "low = 1")
    (tmp_path / "rig.toml").write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_rig(tmp_path / "rig.toml")
    (problem,) = caught.value.problems
    said = in_a_line(problem, composer_of_people(caught.value.people))
    assert said.endswith("pit.band.low = 1: must be at least 40 °C (104 °F)")


def test_a_system_without_time_zones_is_told_from_a_wrong_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bare Debian has no package tzdata, as a 64-bit ARM one showed."""

    def nothing(zone: str) -> None:
        raise ZoneInfoNotFoundError(zone)

    monkeypatch.setattr("config.rig.ZoneInfo", nothing)
    monkeypatch.setattr("config.rig.available_timezones", set)
    (problem,) = broken(tmp_path, 'zone = "Europe/London"', 'zone = "Europe/Berlin"')
    assert "apt install tzdata" in problem


def test_a_missing_file_is_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_rig(tmp_path / "none.toml")
    (problem,) = caught.value.problems
    assert "none.toml: error: there is no such file" in problem_in_english(problem)


def test_temperatures_in_either_unit() -> None:
    # Exact by definition of the scales: 212 °F = 100 °C, -40 °F = -40 °C.
    assert parse_temperature("212 F") == pytest.approx(100.0)
    assert parse_temperature("-40 °F") == pytest.approx(-40.0)
    assert parse_temperature(121) == 121.0
    for wrong in ("hot", "12", True, None, "12 K"):
        with pytest.raises(Unfit) as caught:
            parse_temperature(wrong)
        assert "250 F" in in_english(why(caught.value))


def test_weights_and_thicknesses_in_either_unit() -> None:
    # Exact by the international agreement of 1959: 1 lb = 0.45359237 kg, 16 oz = 1 lb, 1 in = 2.54 cm.
    for written, kilograms in (
        (7, 7.0),
        ("15 lb", 6.80388555),
        ("15LB", 6.80388555),
        ("8 oz", 0.22679618),
        ("900g", 0.9),
    ):
        assert parse_amount("file.weight", written) == pytest.approx(kilograms)
    assert parse_amount("file.thickness", "4 in") == pytest.approx(10.16)
    assert parse_amount("file.thickness", "75 mm") == pytest.approx(7.5)
    for wrong in ("heavy", "12", True, None, "12 stone", "15 lb or so"):
        for what, example in (
            ("file.weight", "15 lb"), ("file.thickness", "4 in"), ("file.altitude", "600 ft"), ("file.wind", "10 mph"),
            ("file.tolerance", "4.5 F"), ("file.volume", "500 ml"), ("file.pressure", "29.92 inHg"),
        ):  # fmt: skip
            with pytest.raises(Unfit) as caught:
                parse_amount(what, wrong)
            assert example in in_english(why(caught.value))


def test_every_key_with_a_unit_takes_it() -> None:
    """Exact by the agreement of 1959: 600 ft = 182.88 m, 1 mile = 1609.344 m. 29.92 inHg is the pressure of the standard
    atmosphere, 1013.25 hPa (ISO 2533), as read off an altimeter. 1.8 °F apart are 1 °C apart."""
    rig = tomllib.loads((EXAMPLES / "rig.toml").read_text(encoding="utf-8"))
    rig["pit"] |= {"altitude": "600 ft", "grease_tray": "1500 ml"}
    rig["channels"][0]["tolerance"] = "4.5 °F"
    made = Rig.model_validate(rig)
    assert made.pit.altitude == pytest.approx(182.88) and made.pit.grease_tray == pytest.approx(1.5)
    assert made.channels[0].tolerance == pytest.approx(2.5)
    assert PlanSection.model_validate({"wind": "10 mph"}).wind == pytest.approx(4.4704)
    assert PlanSection.model_validate({"wind": "36 km/h"}).wind == pytest.approx(10.0)
    assert parse_amount("file.pressure", "29.92 inHg") == pytest.approx(1013.25, abs=0.1)
    assert parse_amount("file.altitude", "-100 ft") == pytest.approx(-30.48)
    assert parse_amount("file.altitude", "5,280 ft") == pytest.approx(1609.344)
    assert parse_amount("file.weight", "14 pounds") == pytest.approx(parse_amount("file.weight", "14 lb"))


def test_safe_minima_are_the_published_consumer_figures() -> None:
    # USDA consumer guidance: roasts 145 °F, ground 160 °F, poultry 165 °F, fully cooked ham 140 °F.
    published = {"whole-roast": 145, "ground": 160, "poultry": 165, "cured": 140}
    for cut in CUTS.values():
        if cut.kind in published:
            assert cut.safe_minimum == pytest.approx(to_celsius(published[cut.kind]), abs=0.05)
        if cut.target is not None:
            assert cut.target >= cut.safe_minimum - 0.05


@pytest.mark.parametrize("year", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "1969-12-31T23:59:59"])
def test_a_serving_time_that_no_calendar_can_bring_to_utc_is_named(year: str) -> None:
    table = {"name": "x", "serve_at": datetime.fromisoformat(year), "pieces": []}
    with pytest.raises(ValidationError) as caught:
        Cook.model_validate(table)
    said = map(problem_in_english, plain_problems("cook.toml", caught.value.errors(include_url=False), table))
    assert any("serve_at" in line and line.endswith("write a year from 1970 to 2099") for line in said)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        (
            "CST",
            {"America/Chicago", "Asia/Shanghai"},
        ),  # tz database, northamerica and asia: Central and China Standard Time
        ("BST", {"Europe/London"}),  # europe: British Summer Time
        ("Chicago", {"America/Chicago"}),
        ("new york", {"America/New_York"}),
        ("Europe/Berln", {"Europe/Berlin"}),
        ("Mars/Olympus", set()),
    ],
)
def test_a_zone_that_is_none_is_answered_by_those_that_may_be_meant(written: str, meant: set[str]) -> None:
    found = zones_meant(written)
    assert meant <= set(found) and bool(meant) == bool(found), found
    rig = tomllib.loads((EXAMPLES / "rig.toml").read_text(encoding="utf-8"))
    rig["people"]["zone"] = written
    with pytest.raises(ValidationError) as caught:
        Rig.model_validate(rig)
    told = " ".join(problem_in_english(problem) for problem in plain_problems("rig.toml", caught.value.errors(), rig))
    assert all(name in told for name in meant) and "timedatectl" in told
    assert bool(found) != ("London" in told) or "Europe/London" in meant
