"""From what is said to the sentence, for each kind of value and reader. Conversions: exact by definition (ISO 80000-5)."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.said import Said, Text, Value, said, say
from daemon.texts.catalogue import Catalogue, catalogue
from daemon.texts.composer import GLANCE, Composer, ahead
from daemon.texts.reader import Reader

CASES: list[tuple[str, Value, str, str]] = [
    ("temperature", 121.0, "121 °C", "250 °F"),
    ("temperature.1", 57.2, "57.2 °C", "135.0 °F"),
    ("temperature", None, "unknown", "unknown"),
    ("temperatures", (107.0, 135.0), "107 to 135 °C", "225 to 275 °F"),
    ("degrees", 100.0, "100", "212"),
    ("difference", 10.0, "10 °C", "18 °F"),
    ("kelvins.1", 2.5, "2.5", "4.5"),
    ("rate", -50.0, "−50 °C/h", "−90 °F/h"),
    ("rate", 50.0, "+50 °C/h", "+90 °F/h"),
    ("rise", 50.0, "50 °C/h", "90 °F/h"),
    ("creep.2", 0.5, "+0.50 °C/min", "+0.90 °F/min"),
    ("share", 0.25, "25 %", "25 %"),
    ("percent", 12.0, "12 %", "12 %"),
    ("number", 3.0, "3", "3"),
    ("seconds", 12.4, "12 s", "12 s"),
    ("minutes", 720.0, "12 min", "12 min"),
    ("duration", 7199.0, "119 min", "119 min"),
    ("hours", 11100.0, "3 h 05 min", "3 h 05 min"),
    ("clock", 1_795_834_800.0, "03:00", "03:00"),
    ("mass.1", 6.35, "6.3 kg", "14.0 lb"),
    ("length.1", 0.1016, "10.2 cm", "4.0 in"),
    ("name", "Chuck roll", "Chuck roll", "Chuck roll"),
    ("", "as it is", "as it is", "as it is"),
]


@pytest.mark.parametrize(("kind", "value", "metric", "customary"), CASES, ids=[f"{k} {v}" for k, v, _, _ in CASES])
def test_kinds(kind: str, value: Value, metric: str, customary: str) -> None:
    texts = Catalogue({"some.text": f"is {{it:{kind}}}."})
    for fahrenheit, words in ((False, metric), (True, customary)):
        assert Composer(Reader(fahrenheit), texts).say(say("some.text", it=value)) == f"is {words}."


def test_the_clock_is_the_readers() -> None:
    texts = Catalogue({"light.at": "Light it at {at:clock}"})
    noon = 1_795_867_200.0
    assert Composer(Reader(zone="Europe/London"), texts).say(say("light.at", at=noon)) == "Light it at 12:00"
    assert (
        Composer(Reader(zone="America/Chicago", twelve=True), texts).say(say("light.at", at=noon))
        == "Light it at 6:00 AM"
    )
    assert Composer(texts=texts).at(3600.0).say(say("light.at", at=noon)) == "Light it at 13:00"


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (None, "now"),
        (59.0, "now"),
        (1119.0, "in 18 min"),
        (90000.0, "in 25 h"),
        ((600.0, 1500.0), "in 10 to 25 min"),
        ((0.0, 1500.0), "in 0 to 25 min"),
        ((10.0, 50.0), "now"),
        ((3000.0, 10800.0), "in 50 min to 3 h"),
        ((8000.0, 20000.0), "in 2 to 5 h"),
        ((600.0, 610.0), "in 10 min"),
        ((659.0, 1559.0), "in 10 to 25 min"),
        ((600.0, 600.0), "in 10 min"),
    ],
)
def test_how_far_off(value: float | tuple[float, float] | None, words: str) -> None:
    assert ahead(value) == words


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ((600.0, 1500.0), "in 10 to 25 min"),
        ((600.0, 2460.0), "in 10 min or later"),
        ((20.0, 2460.0), "any minute"),
        ((20.0, 50.0), "now"),
        (1119.0, "in 18 min"),
        (None, "now"),
    ],
)
def test_a_message_says_of_a_wide_range_when_to_be_there(value: float | tuple[float, float] | None, words: str) -> None:
    assert Composer().coming(value) == words


@given(st.floats(0, 200000), st.floats(0, 200000))
def test_an_interval_never_promises_more_than_is_foretold(one: float, other: float) -> None:
    early, late = sorted((one, other))
    words = ahead((early, late))
    if words == "now" or words.startswith("in 0 to "):
        assert early < 60.0
        return
    length = {"m": 60.0, "h": 3600.0, "d": 86400.0}
    number, _, unit = words.removeprefix("in ").partition(" ")
    unit = unit if unit[:2] != "to" else words.rpartition(" ")[2]
    assert float(number) * length[unit[0]] <= early
    most, _, unit = words.removeprefix("in ").rpartition(" to ")[2].partition(" ")
    assert float(most) * length[unit[0]] <= late


def test_words_from_elsewhere_stay_as_they_are() -> None:
    assert (
        Composer(Reader(fahrenheit=True)).say("as an earlier version wrote it: 121 °C")
        == "as an earlier version wrote it: 121 °C"
    )


@given(st.text(max_size=80), st.floats(-40, 400))
def test_a_message_is_read_at_a_glance_whatever_the_name(name: str, celsius: float) -> None:
    message = say("alarm.pit-falling.text", name=name, value=celsius, limit=100.0, left=(3000.0, 9000.0))
    for text in (message, *(say(f"message.{more}", text=message, others=12) for more in ("more", "more-safety"))):
        for fahrenheit in (False, True):
            assert len(Composer(Reader(fahrenheit)).say(text)) <= GLANCE


TEXTS_SAID: list[Text] = [
    "plain",
    say("a.b"),
    say("a.b", core=62.8, name="Chuck", nothing=None, between=(1.0, 2.0)),
    say("a.b", inner=say("c.d", at=5.0), several=(say("e.f"), "plain", say("g.h", x=1.5))),
]


@pytest.mark.parametrize("text", TEXTS_SAID, ids=str)
def test_what_is_said_survives_a_checkpoint(text: Text) -> None:
    plain = json.loads(json.dumps(asdict(text) if isinstance(text, Said) else text))
    assert said(plain) == text


@dataclass(frozen=True)
class Inner:
    words: Text
    number: float = 1.0


@dataclass(frozen=True)
class Whole:
    words: Text
    inner: Inner
    several: tuple[Inner, ...]
    lines: tuple[Text, ...]
    plain: tuple[float, ...] = (1.0, 2.0)


def test_every_text_of_a_value_is_made_into_words() -> None:
    text = say("message.test-wake")
    words = catalogue()["message.test-wake"]
    found = Composer().spoken(Whole(text, Inner(text), (Inner(text), Inner("old")), ("old", text)))
    assert found == Whole(words, Inner(words), (Inner(words), Inner("old")), ("old", words))
    assert Composer().spoken({"text": text, "more": [text]}) == {"text": words, "more": [words]}
