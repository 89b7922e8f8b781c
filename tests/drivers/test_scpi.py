"""An instrument of our own that speaks SCPI, on a real tty."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.devices import ScpiDevice
from drivers.base import DeviceMisconfigured, DeviceUnavailable
from drivers.codecs.scpi_values import decode_values
from drivers.reading import Fault
from drivers.scpi import PATIENCE, ScpiLink, from_device

IDENTITY = "Village Hall Instruments,TC-3,0001,1.0"
GOOD = {"*IDN?": IDENTITY, "UNIT:TEMP?": "C", "MEAS:TEMP? TC,K,(@101,102)": "+1.21100000E+02,+6.05000000E+01"}


@contextmanager
def instrument(
    far_end: Any, answers: dict[str, str], send: Callable[[bytes], None] | None = None
) -> Iterator[list[str]]:
    """Answers the queries it knows and keeps what it was sent."""
    loop = asyncio.get_running_loop()
    heard: list[str] = []

    def listen() -> None:
        for command in os.read(far_end.master, 4096).decode().splitlines():
            heard.append(command)
            if command in answers:
                (send or far_end.send)(answers[command].encode() + b"\n")

    loop.add_reader(far_end.master, listen)
    try:
        yield heard
    finally:
        loop.remove_reader(far_end.master)


def device(port: str, **more: Any) -> ScpiDevice:
    values = {"kind": "scpi", "id": "bench", "port": port, "channel_list": (101, 102), "every": 0.01, "timeout": 0.3}
    return ScpiDevice.model_validate({**values, **more})


async def test_identify_then_read_a_list_of_channels(far_end: Any) -> None:
    with instrument(far_end, GOOD) as heard:
        async with from_device(device(far_end.port), {}).open() as link:
            assert isinstance(link, ScpiLink) and link.identity == IDENTITY
            for _ in range(3):
                batch = await link.receive()
                assert [(one.source, one.celsius) for one in batch.measurements] == [("101", 121.1), ("102", 60.5)]
    assert heard[:3] == ["*IDN?", "UNIT:TEMP C", "UNIT:TEMP?"]


@pytest.mark.parametrize(
    ("number", "fault"),
    [
        ("9.9E37", Fault.OPEN_CIRCUIT),
        ("+9.90000000E+37", Fault.OPEN_CIRCUIT),
        ("-9.9E37", Fault.OPEN_CIRCUIT),
        ("9.91E37", Fault.NOT_KNOWN),
        ("+9E+9", Fault.OUT_OF_RANGE),
    ],
)
def test_fill_in_values_are_faults(number: str, fault: Fault) -> None:
    """SCPI-1999: 9.9E37 is infinity, 9.91E37 is not a number. +9E+9: a data logger's manual, open thermocouple."""
    assert decode_values(f"121.1,{number}".encode(), (1, 2)).measurements[1].fault is fault


@pytest.mark.parametrize("answer", [b"", b"121.1", b"121.1,60.5,1", b"121.1,6O.5", b"121.1,nan", b"1_0,60", b"\xff,1"])
def test_an_answer_that_is_not_one_number_a_channel_is_refused_whole(answer: bytes) -> None:
    batch = decode_values(answer, (1, 2))
    assert not batch.measurements
    assert batch.rejected


@given(st.binary(max_size=100) | st.text("0123456789.,eE+-", max_size=40).map(str.encode))
def test_no_answer_escapes_as_an_accident(answer: bytes) -> None:
    for one in decode_values(answer, (1, 2)).measurements:
        assert (one.celsius is None) == (one.fault is not None)


async def test_an_instrument_set_to_fahrenheit_is_a_settings_error(far_end: Any) -> None:
    with instrument(far_end, {**GOOD, "UNIT:TEMP?": "F"}), pytest.raises(DeviceMisconfigured, match=r"scpi\.unit"):
        async with from_device(device(far_end.port), {}).open():
            pass


async def test_nobody_there(far_end: Any) -> None:
    with pytest.raises(DeviceUnavailable, match="no-answer"):
        async with from_device(device(far_end.port), {}).open():
            pass


async def test_an_instrument_that_falls_silent_is_given_up_after_some_patience(far_end: Any) -> None:
    silent = {name: answer for name, answer in GOOD.items() if not name.startswith("MEAS")}
    with instrument(far_end, silent):
        async with from_device(device(far_end.port, timeout=0.1), {}).open() as link:
            for _ in range(PATIENCE - 1):
                assert (await link.receive()).rejected[0].reason == "no-answer"
            with pytest.raises(DeviceUnavailable, match="silent"):
                await link.receive()


async def test_unplugging(far_end: Any) -> None:
    with instrument(far_end, GOOD):
        async with from_device(device(far_end.port), {}).open() as link:
            await link.receive()
            asyncio.get_running_loop().remove_reader(far_end.master)
            far_end.unplug()
            with pytest.raises(DeviceUnavailable, match="unplugged"):
                await link.receive()


@pytest.mark.parametrize("query", ["MEAS? {channel}", "MEAS? {0}", "MEAS? {"])
def test_a_query_with_other_braces_is_a_settings_error(query: str) -> None:
    with pytest.raises(DeviceMisconfigured, match="query"):
        from_device(device("/dev/null", query=query), {})
