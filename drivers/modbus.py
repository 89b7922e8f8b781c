"""Thermocouple modules on an RS-485 bus: Modbus RTU, several slaves, one round of reads per receive."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pymodbus.client import AsyncModbusSerialClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ExceptionResponse

from config.devices import ModbusDevice
from config.problems import Remedy, remedy
from drivers.base import Batch, DeviceUnavailable, Driver, Rejected
from drivers.codecs.modbus_registers import EXCEPTIONS, SETTINGS_EXCEPTIONS, Run, decode_register, runs
from drivers.reading import Measurement
from drivers.serial_port import opened

LONGEST_PAUSE: Final = 16
"""rounds that a slave which never answers is left alone, so that its time-outs do not slow the others"""
LATEST_ANSWER: Final = 1.0
"""s after a time-out in which a slave is not asked: RTU answers carry no number, and one that comes late would pass
for the answer to the next question. No slave worth its bus takes longer (common practice, no source)."""
QUIET_ROUNDS: Final = 3
"""rounds without any answer after which we say so in words"""

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)  # every time-out is in a batch already


@dataclass(slots=True)
class SlavePatience:
    """Doubles the rounds a slave is skipped each time it does not answer. Times in s, by the event loop."""

    misses: int = 0
    skip: int = 0
    not_before: float = 0.0

    def missed(self, now: float) -> None:
        self.misses += 1
        self.skip = min(2 ** (self.misses - 1), LONGEST_PAUSE)
        self.not_before = now + LATEST_ANSWER

    def answered(self) -> None:
        self.misses = 0

    def due(self, now: float) -> bool:
        if self.skip:
            self.skip -= 1
            return False
        return now >= self.not_before


class ModbusLink:
    """An open bus."""

    def __init__(self, client: AsyncModbusSerialClient, device: ModbusDevice) -> None:
        self._client = client
        self._device = device
        self._runs = runs(device.sources)
        self._patience = {run.slave: SlavePatience() for run in self._runs}
        self._next_round = asyncio.get_running_loop().time()
        self._quiet_rounds = 0

    async def receive(self) -> Batch:
        """One round over the bus: what answered, and what did not and why. Raises DeviceUnavailable when unplugged."""
        loop = asyncio.get_running_loop()
        await asyncio.sleep(self._next_round - loop.time())
        self._next_round = max(self._next_round + self._device.every, loop.time())
        measurements: list[Measurement] = []
        rejected: list[Rejected] = []
        hint: Remedy | None = None
        asked = answered = False
        awaited = {slave for slave, patience in self._patience.items() if patience.due(loop.time())}
        for run in self._runs:
            if run.slave not in awaited:
                continue
            asked = True
            outcome = await self._read(run)
            if isinstance(outcome, Rejected):
                rejected.append(outcome)
                if outcome.reason == "no-answer":
                    self._patience[run.slave].missed(loop.time())
                    awaited.discard(run.slave)
                    continue
                if outcome.reason == "settings":
                    hint = remedy("device.modbus.settings", answer=outcome.detail)
            else:
                measurements += outcome
            answered = True
            self._patience[run.slave].answered()
        self._quiet_rounds = 0 if answered else self._quiet_rounds + asked
        if self._quiet_rounds >= QUIET_ROUNDS:
            hint = remedy("device.modbus.silent", port=self._device.port)
        return Batch(tuple(measurements), tuple(rejected), hint)

    def _plugged(self) -> bool:
        return bool(self._client.connected) and Path(self._device.port).exists()

    async def _read(self, run: Run) -> list[Measurement] | Rejected:
        if not self._plugged():
            raise DeviceUnavailable("device.unplugged", port=self._device.port)
        read = self._client.read_holding_registers if run.function == 3 else self._client.read_input_registers
        where = f"slave {run.slave} register {run.start}"
        try:
            answer = await read(run.start, count=run.count, device_id=run.slave)
        except ModbusException:
            if not self._plugged():
                raise DeviceUnavailable("device.unplugged", port=self._device.port) from None
            return Rejected("no-answer", f"{where}: no answer in {self._device.timeout:g} s")
        if isinstance(answer, ExceptionResponse):
            code = answer.exception_code
            reason = "settings" if code in SETTINGS_EXCEPTIONS else "exception"
            return Rejected(reason, f"{where}: {EXCEPTIONS.get(code, 'unknown exception')} ({code:02X})")
        if answer.isError() or len(answer.registers) != run.count or answer.function_code != run.function:
            return Rejected("no-answer", f"{where}: an answer to another question")
        return [decode_register(source, answer.registers[source.register_ - run.start]) for source in run.sources]


class Modbus:
    """The driver of one `ModbusDevice`."""

    def __init__(self, device: ModbusDevice) -> None:
        self._device = device

    @asynccontextmanager
    async def open(self) -> AsyncIterator[ModbusLink]:
        device = self._device
        with opened(device.port, device.baud):
            pass  # the client below only says "failed"; this says why, in our two classes
        client = AsyncModbusSerialClient(
            device.port,
            baudrate=device.baud,
            parity=device.parity,
            stopbits=device.stop_bits,
            timeout=device.timeout,
            retries=0,
            reconnect_delay=0,
        )
        if not await client.connect():
            raise DeviceUnavailable("device.not-opened", port=device.port)
        try:
            yield ModbusLink(client, device)
        finally:
            client.close()


def from_device(device: ModbusDevice, channel_types: Mapping[str, str]) -> Driver:
    """channel_types is not used: the modules linearise for the type set in them."""
    return Modbus(device)
