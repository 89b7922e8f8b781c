"""Amplifier words against the data sheets' own tables, and no word escapes as an accident."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.codecs import amplifier_words as words
from drivers.reading import Fault, Quality

MAX31855_HOT = [  # MAX31855 data sheet Table 4
    (1600.00, "01100100000000"), (1000.00, "00111110100000"), (100.75, "00000110010011"), (25.00, "00000001100100"),
    (0.00, "00000000000000"), (-0.25, "11111111111111"), (-1.00, "11111111111100"), (-250.00, "11110000011000"),
]  # fmt: skip
MAX31855_COLD = [  # MAX31855 data sheet Table 5
    (127.0, "011111110000"), (100.5625, "011001001001"), (25.0, "000110010000"), (0.0, "000000000000"),
    (-0.0625, "111111111111"), (-1.0, "111111110000"), (-20.0, "111011000000"), (-55.0, "110010010000"),
]  # fmt: skip


@pytest.mark.parametrize(("celsius", "bits"), MAX31855_HOT)
def test_max31855_hot_junction_table(celsius: float, bits: str) -> None:
    word = int(bits, 2) << 18 | 0x190 << 4
    assert words.decode_max31855(word) == words.ChipValue(celsius, 25.0)
    assert words.encode_max31855(celsius, 25.0) == word


@pytest.mark.parametrize(("celsius", "bits"), MAX31855_COLD)
def test_max31855_cold_junction_table(celsius: float, bits: str) -> None:
    word = 100 << 18 | int(bits, 2) << 4
    assert words.decode_max31855(word) == words.ChipValue(25.0, celsius)
    assert words.encode_max31855(25.0, celsius) == word


@pytest.mark.parametrize(
    ("word", "fault"),
    [(0x00011901, Fault.OPEN_CIRCUIT), (0x00011902, Fault.SHORT_TO_GROUND), (0x00011904, Fault.SHORT_TO_SUPPLY)],
)
def test_max31855_fault_bits(word: int, fault: Fault) -> None:
    """Bit places: MAX31855 data sheet page 10."""
    assert words.decode_max31855(word) == words.ChipValue(None, 25.0, fault, Quality.BAD)
    assert words.encode_max31855(0, 25, fault) == word


@pytest.mark.parametrize(("word", "celsius"), [(0x0320, 25.0), (0x0C98, 100.75), (0x7FF8, 1023.75)])
def test_max6675_codes(word: int, celsius: float) -> None:
    """MAX6675 data sheet, serial interface: D14..D3 in 0.25 °C; codes worked by hand."""
    assert words.decode_max6675(word) == words.ChipValue(celsius)
    assert words.encode_max6675(celsius) == word


@pytest.mark.parametrize(
    ("hot", "hot_word", "cold", "cold_word"),
    [
        (1600.0, 0x640000, 127.0, 0x7F00),
        (1000.0, 0x3E8000, 25.0, 0x1900),
        (100.9375, 0x064F00, 0.015625, 0x0004),
        (0.0625, 0x000100, -0.015625, 0xFFFC),
        (-0.0625, 0xFFFF00, -55.0, 0xC900),
        (-250.0, 0xF06000, 25.0, 0x1900),
    ],
)
def test_max31856_codes(hot: float, hot_word: int, cold: float, cold_word: int) -> None:
    """Shifts and steps as in the Linux kernel's max31856.c; codes worked by hand."""
    word = cold_word << 32 | hot_word << 8
    assert words.decode_max31856(word) == words.ChipValue(hot, cold)
    assert words.encode_max31856(hot, cold) == word


@pytest.mark.parametrize("bit", range(8))
def test_every_max31856_status_bit_is_a_named_fault(bit: int) -> None:
    """Bit order: Linux kernel max31856.c and the register map it follows."""
    named = [
        Fault.OPEN_CIRCUIT, Fault.OVER_OR_UNDER_VOLTAGE, Fault.OUT_OF_RANGE, Fault.OUT_OF_RANGE,
        Fault.COLD_JUNCTION_OUT_OF_RANGE, Fault.COLD_JUNCTION_OUT_OF_RANGE, Fault.OUT_OF_RANGE,
        Fault.COLD_JUNCTION_OUT_OF_RANGE,
    ]  # fmt: skip
    decoded = words.decode_max31856(words.encode_max31856(121, 30) | 1 << bit)
    assert (decoded.fault, decoded.celsius) == (named[bit], None)


@pytest.mark.parametrize(
    ("hot_word", "celsius"),
    [(0x0190, 25.0), (0x0792, 121.125), (0x0FA0, 250.0), (0xFFF0, -1.0), (0xF060, -250.0)],
)
def test_mcp9600_codes(hot_word: int, celsius: float) -> None:
    """MCP9600 data sheet DS20005426C pages 24, 26: T = upper x 16 + lower / 16, less 4096 when negative."""
    word = hot_word << 24 | 0x0190 << 8 | 0x40
    assert words.decode_mcp9600(word) == words.ChipValue(celsius, 25.0)
    assert words.encode_mcp9600(celsius, 25.0) == word


def test_mcp9600_and_mcp9601_status_bits() -> None:
    """Data sheet page 28; MCP9601 bits as in the Linux kernel's mcp9600.c."""
    assert words.decode_mcp9600(words.encode_mcp9600(121, 25) | 0x10).fault is Fault.OUT_OF_RANGE
    assert words.decode_mcp9601(words.encode_mcp9601(121, 25) | 0x10).fault is Fault.OPEN_CIRCUIT
    short = words.decode_mcp9601(words.encode_mcp9601(121, 25) | 0x20)
    assert (short.celsius, short.quality) == (121.0, Quality.SUSPECT)
    assert words.decode_mcp9600(words.encode_mcp9600(121, 25) | 0x20).quality is Quality.GOOD  # not used there


@pytest.mark.parametrize("chip", words.CHIPS)
def test_a_bus_stuck_high_is_dead(chip: str) -> None:
    ones = 16 ** words.CHIPS[chip].hex_digits - 1
    assert words.CHIPS[chip].decode(ones) == words.DEAD


@pytest.mark.parametrize("chip", words.CHIPS)
def test_a_bus_stuck_low_is_suspect(chip: str) -> None:
    decoded = words.CHIPS[chip].decode(0)
    assert (decoded.celsius, decoded.quality) == (0.0, Quality.SUSPECT)


@pytest.mark.parametrize("hot_word", [0x0101, 0xFFFF])
def test_known_false_mcp9600_words_are_suspect(hot_word: int) -> None:
    """0x0101: reported when polled before the first update, forum.seeedstudio.com/t/grove-mcp9600-data-output/7337."""
    assert words.decode_mcp9600(hot_word << 24 | 0x0190 << 8).quality is Quality.SUSPECT


@pytest.mark.parametrize("word", [1 << 17 | 0x01901900, 1 << 3 | 0x01901900, 0x01911900, 0x01901901])
def test_impossible_max31855_words_are_refused(word: int) -> None:
    with pytest.raises(words.ImpossibleWord):
        words.decode_max31855(word)


@pytest.mark.parametrize("word", [0x8320, 0x0322])
def test_impossible_max6675_words_are_refused(word: int) -> None:
    with pytest.raises(words.ImpossibleWord):
        words.decode_max6675(word)


@given(chip=st.sampled_from(sorted(words.CHIPS)), data=st.data())
def test_any_word_is_a_value_a_fault_or_refused(chip: str, data: st.DataObject) -> None:
    word = data.draw(st.integers(0, 16 ** words.CHIPS[chip].hex_digits - 1))
    with contextlib.suppress(words.ImpossibleWord):
        decoded = words.CHIPS[chip].decode(word)
        assert (decoded.celsius is None) == (decoded.fault is not None)
        assert decoded.celsius is None or words.HOT_SPAN[0] <= decoded.celsius <= words.HOT_SPAN[1]


@pytest.mark.parametrize("encode", [words.encode_max31855, words.encode_max31856, words.encode_mcp9600])
def test_encoders_refuse_what_does_not_fit(encode: object) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        encode(9999.9, 25.0)  # type: ignore[operator]
    with pytest.raises(ValueError, match="cannot tell"):
        encode(25.0, 25.0, Fault.DEAD_BUS)  # type: ignore[operator]
