"""Text lines: what they say, and above all what they are not taken to say."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.devices import LineFormat
from drivers.base import Batch, DeviceMisconfigured
from drivers.codecs import amplifier_words as words
from drivers.codecs import thermocouple
from drivers.codecs.crc import xor8
from drivers.codecs.line_formats import LONGEST_LINE, LineDecoder, LineSplitter, checked_line, word_line, words_line
from drivers.reading import Fault, Measurement, Quality


def decode(line: bytes, **form: object) -> Batch:
    return LineDecoder(LineFormat.model_validate({"kind": "json", **form}), {}).decode(line)


def values(batch: Batch) -> dict[str, float | Fault | None]:
    return {one.source: one.fault or one.celsius for one in batch.measurements}


def refusal(batch: Batch) -> str:
    assert not batch.measurements
    return batch.rejected[0].reason


# JSON --------------------------------------------------------------------------------------------------------------


def test_json_object() -> None:
    line = b'{"pit_left": 121.1, "chuck_roll": 63, "id": "grate board", "ok": true, "lamb": null}'
    assert values(decode(line)) == {"pit_left": 121.1, "chuck_roll": 63.0, "lamb": Fault.NOT_KNOWN}


def test_json_mapping_by_dotted_path() -> None:
    batch = decode(b'{"pit":{"left":121.1},"meat.a":60,"n":1}', fields={"1": "pit.left", "2": "meat.a", "3": "absent"})
    assert values(batch) == {"1": 121.1, "2": 60.0}


@pytest.mark.parametrize("number", [b"NaN", b"Infinity", b"-Infinity", b"null"])
def test_json_without_a_value_is_a_fault(number: bytes) -> None:
    assert values(decode(b'{"a":%s}' % number)) == {"a": Fault.NOT_KNOWN}


@pytest.mark.parametrize("number", [b"9999.9", b"-127", b"-9999", b"1e6", b"32767"])
def test_fill_in_numbers_are_out_of_range(number: bytes) -> None:
    assert values(decode(b'{"a":%s}' % number)) == {"a": Fault.OUT_OF_RANGE}


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b'{"a":1', "not-json"),
        (b"[1]", "not-json"),
        (b'"a"', "not-json"),
        (b'{"a":1,"a":2}', "duplicate-source"),
        (b"[" * 3000, "not-json"),
        (b'{"a":"\xff"}', "not-text"),
        (b'{"a":\x001}', "not-text"),
    ],
)
def test_json_refusals(line: bytes, reason: str) -> None:
    assert refusal(decode(line)) == reason


def test_one_mapped_field_that_is_no_number_leaves_the_others() -> None:
    batch = decode(b'{"a":true,"b":60,"c":[1]}', fields={"a": "a", "b": "b", "c": "c"})
    assert values(batch) == {"b": 60.0}
    assert [one.reason for one in batch.rejected] == ["not-a-number", "not-a-number"]


@pytest.mark.parametrize(
    "number", ["1e-999999999", "-4.9E-324", "1e-310", "1e999", "-1e999999999", "9" * 400, "0.%s1" % ("0" * 400)]
)
def test_a_number_no_float_can_hold_is_refused_and_not_taken_for_zero_or_infinity(number: str) -> None:
    """IEEE 754: below 2^-1022 a double underflows, above 2^1024 it overflows."""
    for form, line in (
        ({"kind": "json"}, f'{{"pit":{number},"meat":60}}'),
        ({"kind": "csv", "columns": ("pit", "meat")}, f"{number},60"),
        ({"kind": "keyvalue"}, f"pit={number},meat=60"),
    ):
        batch = decode(line.encode(), **form)
        assert "pit" not in values(batch)
        assert [one.reason for one in batch.rejected] == ["not-a-number"]


@pytest.mark.parametrize("number", ["0", "-0.0", "0e-999", "0.000e99", "1e-300"])
def test_true_zeros_stay(number: str) -> None:
    assert values(decode(b'{"pit":%s}' % number.encode())) == {"pit": pytest.approx(0.0, abs=1e-9)}


# CSV and key=value -------------------------------------------------------------------------------------------------


def test_csv_columns() -> None:
    assert values(decode(b"121.1, 60.5,,junk", kind="csv", columns=("pit", "meat", "lamb", ""))) == {
        "pit": 121.1,
        "meat": 60.5,
        "lamb": Fault.NOT_KNOWN,
    }


@pytest.mark.parametrize("line", [b"121.1", b"121.1,60.5,1", b"121.1,6O.5", b"1_0,60", "１２,60".encode(), b"0x10,60"])
def test_a_csv_line_with_a_wrong_cell_is_refused_whole(line: bytes) -> None:
    assert refusal(decode(line, kind="csv", columns=("pit", "meat"))) in ("wrong-columns", "not-a-number")


def test_fahrenheit() -> None:
    """250 °F = 121.11 °C, the definition."""
    batch = decode("250 °F,149F,32".encode(), kind="csv", columns=("a", "b", "c"), unit="F")
    assert values(batch) == {"a": pytest.approx(121.111, abs=1e-3), "b": pytest.approx(65.0), "c": pytest.approx(0.0)}


def test_a_number_in_the_other_unit_is_refused() -> None:
    assert refusal(decode(b"250F,149F", kind="csv", columns=("a", "b"))) == "other-unit"


def test_keyvalue() -> None:
    assert values(decode(b"pit=121.1 meat=nan", kind="keyvalue", separator=" ")) == {
        "pit": 121.1,
        "meat": Fault.NOT_KNOWN,
    }
    assert refusal(decode(b"pit=1,pit=2", kind="keyvalue")) == "not-keyvalue"
    assert refusal(decode(b"pit=1,me", kind="keyvalue")) == "not-keyvalue"


# Checksums ---------------------------------------------------------------------------------------------------------

CHECKED: dict[str, tuple[str, dict[str, Any]]] = {
    "json": ('{"pit":121.1,"meat":60}', {"kind": "json"}),
    "csv": ("121.1,60", {"kind": "csv", "columns": ("pit", "meat")}),
    "keyvalue": ("pit=121.1,meat=60", {"kind": "keyvalue"}),
}


@pytest.mark.parametrize("kind", CHECKED)
def test_a_line_with_crc_tells_every_single_wrong_bit_and_every_lost_byte(kind: str) -> None:
    body, form = CHECKED[kind]
    decoder = LineDecoder(LineFormat.model_validate({**form, "checksum": "crc16"}), {})
    good = checked_line(body).rstrip(b"\n")
    assert values(decoder.decode(good)) == {"pit": 121.1, "meat": 60.0}
    for place in range(len(good)):
        assert not decoder.decode(good[:place] + good[place + 1 :]).measurements
        for bit in range(8):
            bad = bytearray(good)
            bad[place] ^= 1 << bit
            batch = decoder.decode(bytes(bad))
            # 0x20 turns a hex letter of the CRC into the same digit in lower case
            assert not batch.measurements or bytes(bad).upper() == good.upper()


def test_xor8_checksum() -> None:
    body = b"121.1,60"
    form = {"kind": "csv", "columns": ("pit", "meat"), "checksum": "xor8"}
    assert values(decode(body + b"*%02X" % xor8(body), **form)) == {"pit": 121.1, "meat": 60.0}
    assert refusal(decode(b"221.1,60*%02X" % xor8(body), **form)) == "crc"
    assert refusal(decode(body, **form)) == "no-checksum"


def test_what_no_checksum_cannot_see() -> None:
    """Written down so that nobody trusts a bare line: a lost digit is still a number."""
    assert values(decode(b"21.1,60", kind="csv", columns=("pit", "meat"))) == {"pit": 21.1, "meat": 60.0}


# Register words ----------------------------------------------------------------------------------------------------


def test_a_max31855_word_is_linearised() -> None:
    """A type K probe at 250 °C with the amplifier at 25 °C: an ideal chip shows 246.75 °C (data sheet page 8)."""
    line = word_line("1", words.encode_max31855(246.75, 25.0)).strip()
    assert decode(line, kind="words").measurements == (
        Measurement("1", pytest.approx(250.0, abs=0.01), cold_junction=25.0),  # type: ignore[arg-type]
    )
    as_sent = LineDecoder(LineFormat(kind="words"), {}, linearise=False).decode(line)
    assert as_sent.measurements[0].celsius == 246.75


def test_a_probe_of_another_type_on_a_type_k_chip() -> None:
    shown = thermocouple.linear_chip_shows("J", 121.1, 25.0, thermocouple.SENSITIVITY_MAX31855["K"])
    line = word_line("1", words.encode_max31855(shown, 25.0)).strip()
    decoded = LineDecoder(LineFormat(kind="words"), {"1": "J"}).decode(line).measurements[0]
    assert decoded.celsius == pytest.approx(121.1, abs=0.13)
    as_k = LineDecoder(LineFormat(kind="words"), {}).decode(line).measurements[0]
    assert as_k.celsius is not None
    assert abs(as_k.celsius - 121.1) > 20


@pytest.mark.parametrize(
    ("chip", "word"),
    [
        ("max6675", words.encode_max6675(121.75)),
        ("max31856", words.encode_max31856(121.125, 30)),
        ("mcp9600", words.encode_mcp9600(121.125, 30)),
        ("mcp9601", words.encode_mcp9601(121.125, 30)),
    ],
)
def test_words_of_every_chip(chip: str, word: int) -> None:
    batch = decode(word_line("1", word, chip).strip(), kind="words", chip=chip)
    assert values(batch) == {"1": pytest.approx(121.1, abs=0.13)}


def test_several_sources_on_one_line_and_their_faults() -> None:
    line = words_line({"1": words.encode_max31855(0, 25, Fault.OPEN_CIRCUIT), "2": 0xFFFFFFFF, "3": 0, "4": 1 << 17})
    batch = decode(line.strip(), kind="words")
    assert values(batch) == {"1": Fault.OPEN_CIRCUIT, "2": Fault.DEAD_BUS, "3": pytest.approx(0, abs=0.01)}
    assert batch.measurements[2].quality is Quality.SUSPECT
    assert batch.rejected[0].reason == "impossible-word"


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("1,019019", "not-a-word"),
        ("1,0190190G", "not-a-word"),
        ("1", "wrong-columns"),
        ("1,01901900,2", "wrong-columns"),
        ("1,01901900,1,01901900", "duplicate-source"),
    ],
)
def test_word_lines_refused_though_their_crc_is_right(body: str, reason: str) -> None:
    assert refusal(decode(checked_line(body).strip(), kind="words")) == reason


def test_a_max31855_that_is_not_made_is_a_settings_error() -> None:
    with pytest.raises(DeviceMisconfigured):
        LineDecoder(LineFormat(kind="words", thermocouple="B"), {})


# Numbered lines ----------------------------------------------------------------------------------------------------


def counted(form: dict[str, object], lines: list[str]) -> tuple[int, int]:
    """(lost, restarts) that a decoder tells for the lines."""
    decoder = LineDecoder(LineFormat.model_validate(form), {})
    batches = [decoder.decode(line.encode()) for line in lines]
    assert sum(batch.lost for batch in batches) == decoder.count.lost
    return decoder.count.lost, decoder.count.restarts


def numbered(numbers: list[int]) -> list[str]:
    return [checked_line(f"1,01901900,#{number:02X}").decode().strip() for number in numbers]


@pytest.mark.parametrize(
    ("numbers", "lost", "restarts"),
    [
        ([0, 1, 2, 3], 0, 0),
        ([17, 18, 20], 1, 0),
        ([254, 255, 1, 2], 0, 0),
        ([254, 1], 1, 0),
        ([7, 0, 1], 0, 1),
        ([0, 0, 0], 0, 2),  # dies before it can send a second line
        ([7, 0, 3], 2, 1),
        ([7, 7], 254, 0),
    ],
)
def test_numbers_show_what_was_lost(numbers: list[int], lost: int, restarts: int) -> None:
    assert counted({"kind": "words"}, numbered(numbers)) == (lost, restarts)


@given(length=st.integers(1, 2000), kept=st.sets(st.integers(0, 1999)))
def test_losses_of_up_to_254_lines_in_a_row_are_counted_exactly(length: int, kept: set[int]) -> None:
    """Against counting in plain integers, as the firmware numbers its lines: 0, 1..255, 1..255, ..."""
    heard = sorted(index for index in kept | {0} if index < length)
    gaps = [later - sooner - 1 for sooner, later in itertools.pairwise(heard)]
    if all(gap < 255 for gap in gaps):
        numbers = [0 if index == 0 else (index - 1) % 255 + 1 for index in heard]
        assert counted({"kind": "words"}, numbered(numbers)) == (sum(gaps), 0)


@pytest.mark.parametrize("width", [8, 16, 32])
def test_a_plain_counter_of_any_width_fits(width: int) -> None:
    start = 2**width - 300
    lines = [f'{{"n":{number % 2**width},"pit":121.1}}' for number in range(start, start + 600) if number % 100]
    lost, restarts = counted({"kind": "json", "sequence": "n"}, lines)
    assert restarts == 0
    assert lost == pytest.approx(6, abs=3)  # a byte that wraps through 0 loses count of one line a turn


@pytest.mark.parametrize(
    ("form", "lines"),
    [
        ({"kind": "json", "sequence": "n"}, ['{"n":1,"pit":121.1}', '{"n":3,"pit":121.1}']),
        ({"kind": "csv", "columns": ("pit", "n"), "sequence": "n"}, ["121.1,1", "121.1,3"]),
        ({"kind": "keyvalue", "sequence": "n"}, ["n=1,pit=121.1", "n=3,pit=121.1"]),
        ({"kind": "json", "sequence": "n", "fields": {"1": "pit"}}, ['{"n":1,"pit":121.1}', '{"n":3,"pit":121.1}']),
    ],
)
def test_text_lines_may_be_numbered_too(form: dict[str, object], lines: list[str]) -> None:
    assert counted(form, lines) == (1, 0)
    decoder = LineDecoder(LineFormat.model_validate(form), {})
    assert [m.celsius for m in decoder.decode(lines[0].encode()).measurements] == [121.1]
    bad = (
        lines[0].replace("1,", "x,", 1)
        if form["kind"] == "json"
        else lines[0].replace(",1", ",x").replace("n=1", "n=x")
    )
    assert not decoder.decode(bad.encode()).measurements


# Cutting lines -----------------------------------------------------------------------------------------------------


@given(cuts=st.lists(st.integers(0, 60), max_size=20), end=st.sampled_from([b"\n", b"\r\n", b"\r"]))
def test_lines_come_whole_however_they_are_cut(cuts: list[int], end: bytes) -> None:
    stream = b"headless" + end + b"first" + end + end + b"second" + end + b"unfinished"
    splitter, lines = LineSplitter(), []
    edges = [0, *sorted(cuts), len(stream)]
    for start, stop in itertools.pairwise(edges):
        lines += splitter.feed(stream[start:stop])[0]
    assert lines == [b"first", b"second"]


def test_an_endless_line_is_refused_once_and_held_to_a_bound() -> None:
    splitter, refused = LineSplitter(joined_midway=False), []
    for _ in range(1000):
        refused += splitter.feed(b"9" * 1000)[1]
        assert splitter.held <= LONGEST_LINE
    assert [one.reason for one in refused] == ["endless-line"]
    assert splitter.feed(b"99\ngood\n") == ([b"good"], [])


@given(
    kind=st.sampled_from(["json", "csv", "keyvalue", "words"]),
    checksum=st.sampled_from(["none", "crc16", "xor8"]),
    line=st.binary(max_size=200) | st.text(max_size=100).map(str.encode),
)
def test_no_bytes_escape_as_an_accident(kind: str, checksum: str, line: bytes) -> None:
    batch = decode(line, kind=kind, checksum=checksum)
    assert all((one.celsius is None) == (one.fault is not None) for one in batch.measurements)
    assert all(len(one.detail) <= 80 and one.detail.isprintable() for one in batch.rejected)
