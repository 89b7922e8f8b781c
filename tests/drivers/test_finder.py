"""Serial ports found on a pty; every stanza is read back by the rig's own schema."""

from __future__ import annotations

import asyncio
import os
import pty
import tomllib
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from config.devices import Device, LineFormat, SerialLineDevice
from drivers import finder
from drivers.base import DeviceUnavailable
from drivers.ble_radio import radio_errors
from drivers.codecs.crc import crc16_modbus
from drivers.codecs.line_formats import word_line
from drivers.finder import describe_port, find_serial, guess_line_format, quoted, stable_name
from tests.texts.english import told_in_english


def device(stanza: str) -> Device:
    (one,) = tomllib.loads(stanza)["devices"]
    return TypeAdapter(Device).validate_python(one)


@asynccontextmanager
async def board(lines: list[bytes], every: float = 0.02) -> AsyncIterator[str]:
    """A microcontroller on a pty that repeats its lines. Yields the port."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)

    async def talk() -> None:
        while True:
            for line in lines:
                with suppress(BlockingIOError):
                    os.write(ours, line + b"\r\n")
            await asyncio.sleep(every)

    task = asyncio.create_task(talk())
    try:
        yield os.ttyname(theirs)
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        os.close(ours)
        os.close(theirs)


def crc_line(body: bytes) -> bytes:
    return body + b",%04X" % crc16_modbus(body)


@pytest.mark.parametrize(
    ("lines", "expected", "sources"),
    [
        ([b'{"pit": 121.0, "chuck": 63.5}'] * 2, {"kind": "json"}, ("pit", "chuck")),
        ([b"pit=121.0,chuck=63.5"] * 2, {"kind": "keyvalue"}, ("pit", "chuck")),
        ([b"pit=121.0;chuck=63.5"] * 2, {"kind": "keyvalue", "separator": ";"}, ("pit", "chuck")),
        ([b"121.0,63.5"] * 2, {"kind": "csv"}, ("1", "2")),
        ([b"121.0;63.5"] * 2, {"kind": "csv", "separator": ";"}, ("1", "2")),
        ([crc_line(b"121.0,63.5")] * 2, {"kind": "csv", "checksum": "crc16"}, ("1", "2")),
        (
            [word_line("pit", 0x01900190 & 0xFFF0FFF0).strip()] * 2,
            {"kind": "words", "chip": "max31855"},
            ("pit",),
        ),
        ([word_line("pit", 0x0320, "max6675").strip()] * 2, {"kind": "words", "chip": "max6675"}, ("pit",)),
    ],
)
def test_formats_are_guessed(lines: list[bytes], expected: dict[str, str], sources: tuple[str, ...]) -> None:
    assert guess_line_format(lines) == (LineFormat.model_validate(expected), sources)


@pytest.mark.parametrize("lines", [[], [b"121.0,63.5"], [b"Hello, pit"] * 3, [b"\xff\xfe\xfd"] * 3, [b"nan,nan"] * 2])
def test_too_little_or_nonsense_is_no_guess(lines: list[bytes]) -> None:
    assert guess_line_format(lines) == (None, ())


@given(st.lists(st.binary(max_size=60), max_size=4))
def test_no_line_escapes(lines: list[bytes]) -> None:
    guess_line_format(lines)


async def test_a_talking_board_gives_a_stanza_that_works() -> None:
    async with board([b"pit=121.0,chuck=63.5"]) as port:
        found = await describe_port(port, "board", listen=2.0)
    parsed = device(found.stanza)
    assert isinstance(parsed, SerialLineDevice)
    assert (parsed.port, parsed.baud, parsed.line.kind) == (port, 115200, "keyvalue")
    remarks = " ".join(map(told_in_english, found.remarks))
    assert '"pit", "chuck"' in remarks and "°F" in remarks


async def test_a_silent_board_gives_a_stanza_to_complete(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finder, "BAUDS", (115200, 9600))
    async with board([]) as port:
        task = asyncio.create_task(describe_port(port, "", listen=0.05))
        found = await task
    assert "only when asked" in told_in_english(found.detail)
    assert "not known" in " ".join(map(told_in_english, found.remarks))
    assert isinstance(device(found.stanza), SerialLineDevice)
    gone = await describe_port("/dev/there-is-no-such-port", "", listen=0.05)
    assert "not there" in told_in_english(gone.detail)


async def test_ports_of_this_machine_are_listed_by_stable_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools import list_ports, list_ports_common

    port = tmp_path / "ttyACM0"
    port.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-board-if00").symlink_to(port)
    assert stable_name(str(port), by_id) == str(by_id / "usb-board-if00")
    assert stable_name(str(tmp_path / "other"), by_id) == str(tmp_path / "other")
    assert stable_name(str(port), tmp_path / "absent") == str(port)
    monkeypatch.setattr(list_ports, "comports", lambda: [list_ports_common.ListPortInfo(str(port))])
    (found,) = await find_serial()
    assert found.where == str(port)
    assert isinstance(device(found.stanza), SerialLineDevice)


@given(st.text(max_size=40))
def test_any_name_is_safe_in_a_stanza(text: str) -> None:
    assert tomllib.loads(f"x = {quoted(text)}")["x"] == text.encode("utf-8", "replace").decode()


def test_a_board_without_the_bluetooth_service_says_so() -> None:
    with pytest.raises(DeviceUnavailable) as told, radio_errors("Bluetooth"):
        raise FileNotFoundError(2, "No such file or directory")
    assert told.value.why.key == "device.ble.no-service"
