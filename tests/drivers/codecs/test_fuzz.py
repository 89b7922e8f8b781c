"""Mutated frames by the thousand (by the million with `-m soak`): no escape, no accepted bad checksum, no invention."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from config.devices import GattCharacteristic, LineFormat, ModbusSource
from drivers.base import Rejected
from drivers.codecs.adverts import Broadcaster, make_cipher
from drivers.codecs.amplifier_words import CHIPS, encode_max6675, encode_max31855, encode_max31856, encode_mcp9600
from drivers.codecs.gatt_values import decode as decode_value
from drivers.codecs.line_formats import LineDecoder, LineSplitter, checked_line, words_line
from drivers.codecs.modbus_registers import decode_register
from drivers.codecs.plausible import COLDEST, HOTTEST
from drivers.codecs.scpi_values import decode_values
from drivers.reading import Measurement

WORDS = {
    "max31855": [encode_max31855(121.0, 25.0), encode_max31855(60.5, 25.0)],
    "max6675": [encode_max6675(121.0), encode_max6675(60.5)],
    "max31856": [encode_max31856(121.0, 25.0), encode_max31856(60.5, 25.0)],
    "mcp9600": [encode_mcp9600(121.0, 25.0), encode_mcp9600(60.5, 25.0)],
}
BODIES = {"json": '{"1":121.0,"2":60.5}', "csv": "121.0,60.5", "keyvalue": "1=121.0,2=60.5"}
CHECKED = [*WORDS, *BODIES]
BARE = list(BODIES)


def crc_by_definition(data: bytes) -> int:
    """CRC-16/MODBUS by long division, sharing nothing with the code under test."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xA001 if register & 1 else 0)
    return register


def mutate(frame: bytes, chance: random.Random) -> bytes:
    """One to four accidents of a wire: flipped bits, lost, doubled, swapped and foreign bytes, a cut, noise."""
    bad = bytearray(frame)
    for _ in range(chance.randint(1, 4)):
        place = chance.randrange(len(bad) + 1)
        match chance.randrange(7):
            case 0 if place < len(bad):
                bad[place] ^= 1 << chance.randrange(8)
            case 1:
                del bad[place : place + chance.randint(1, 4)]
            case 2:
                bad[place:place] = bad[place : place + chance.randint(1, 4)]
            case 3 if place + 1 < len(bad):
                bad[place], bad[place + 1] = bad[place + 1], bad[place]
            case 4:
                bad[place : place + 1] = bytes([chance.choice(b'0123456789ABCDEFabcdef,.-+=eE{}[]":* \t')])
            case 5:
                del bad[place:]
            case _:
                bad[place:place] = chance.randbytes(chance.randint(1, 6))
    return bytes(bad)


def lawful(measurements: tuple[Measurement, ...]) -> bool:
    return all(
        one.fault is not None if one.celsius is None else COLDEST <= one.celsius <= HOTTEST for one in measurements
    )


def fuzz_checked(name: str, count: int) -> None:
    if name in WORDS:
        form = LineFormat.model_validate({"kind": "words", "chip": name})
        good = words_line({"1": WORDS[name][0], "2": WORDS[name][1]}, name).strip()
    else:
        form = LineFormat.model_validate({"kind": name, "columns": ("1", "2"), "checksum": "crc16"})
        good = checked_line(BODIES[name]).strip()
    decoder, chance = LineDecoder(form, {}), random.Random(name)
    assert len(decoder.decode(good).measurements) == 2
    for _ in range(count):
        bad = mutate(good, chance)
        batch = decoder.decode(bad)
        assert lawful(batch.measurements), bad
        if batch.measurements:
            body, _, tail = bad.rpartition(b",")
            assert int(tail, 16) == crc_by_definition(body), bad


def fuzz_bare(name: str, count: int) -> None:
    form = LineFormat.model_validate({"kind": name, "columns": ("1", "2")})
    decoder, chance = LineDecoder(form, {}), random.Random(name)
    for _ in range(count):
        assert lawful(decoder.decode(mutate(BODIES[name].encode(), chance)).measurements)


def fuzz_splitter(name: str, count: int) -> None:
    chance, splitter = random.Random(name), LineSplitter()
    for _ in range(count):
        for line in splitter.feed(mutate(b'{"1":121.0}\r\n{"2":60.5}\n', chance))[0]:
            assert line
            assert b"\n" not in line
            assert b"\r" not in line


def fuzz_bare_words(name: str, count: int) -> None:
    from drivers.codecs.amplifier_words import ImpossibleWord

    chip, chance = CHIPS[name], random.Random(name)
    for _ in range(count):
        try:
            value = chip.decode(chance.getrandbits(4 * chip.hex_digits))
        except ImpossibleWord:
            continue
        assert (value.celsius is None) == (value.fault is not None)


def fuzz_scpi(name: str, count: int) -> None:
    chance = random.Random(name)
    for _ in range(count):
        assert lawful(decode_values(mutate(b"+1.21000000E+02,+6.05000000E+01", chance), (1, 2)).measurements)


def fuzz_modbus(name: str, count: int) -> None:
    chance = random.Random(name)
    source = ModbusSource.model_validate({"source": "1", "slave": 1, "register": 0})
    for _ in range(count):
        assert lawful((decode_register(source, chance.getrandbits(16)),))


def fuzz_gatt(name: str, count: int) -> None:
    chance = random.Random(name)
    characteristic = GattCharacteristic.model_validate({"source": "1", "uuid": name})
    for _ in range(count):
        found = decode_value(characteristic, mutate(bytes.fromhex("00A60300FF4F2F"), chance)[: chance.randint(0, 9)])
        assert isinstance(found, Rejected) or lawful((found,)) or found.battery_percent is not None


def fuzz_advert(name: str, count: int) -> None:
    """Plain ones may only be refused or lawful; an encrypted one that was touched must never be opened."""
    chance = random.Random(name)
    plain, sealed = bytes.fromhex("40000945BB0401640209C4"), bytes.fromhex("41e445f3c9962b332211006c7c4519")
    key = make_cipher(bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932"))  # the vector published at bthome.io/encryption
    open_air, locked = Broadcaster("54:48:E6:8F:80:A5"), Broadcaster("54:48:E6:8F:80:A5", key)
    for number in range(count):
        assert lawful(open_air.heard(mutate(plain, chance), float(10 * number)).measurements)
        bad = mutate(sealed, chance)
        if bad != sealed and bad[:1] == sealed[:1]:
            assert not locked.heard(bad, float(10 * number)).measurements, bad


GATT = ("2a6e", "2c2e", "2bdf", "2b0d", "2a1c", "2a19")
CASES: list[tuple[str, Callable[[str, int], None]]] = [
    *((name, fuzz_checked) for name in CHECKED),
    *((name, fuzz_bare) for name in BARE),
    *((name, fuzz_bare_words) for name in CHIPS),
    ("splitter", fuzz_splitter),
    ("scpi", fuzz_scpi),
    ("modbus", fuzz_modbus),
    *((name, fuzz_gatt) for name in GATT),
    ("bthome", fuzz_advert),
]
IDS = [f"{fuzz.__name__}-{name}" for name, fuzz in CASES]


@pytest.mark.parametrize(("name", "fuzz"), CASES, ids=IDS)
def test_three_thousand_mutated_frames(name: str, fuzz: Callable[[str, int], None]) -> None:
    fuzz(name, 3_000)


@pytest.mark.soak
@pytest.mark.parametrize(("name", "fuzz"), CASES, ids=IDS)
def test_a_million_mutated_frames(name: str, fuzz: Callable[[str, int], None]) -> None:
    fuzz(name, 1_000_000)
