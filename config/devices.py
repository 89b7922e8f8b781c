"""The devices of a rig: one frozen model a kind. Drivers read these; they are the only options a driver has."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

ThermocoupleLetter = Literal["K", "J", "T", "N", "E", "S", "R", "B"]


class Strict(BaseModel):
    """Unknown keys are errors; nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class SerialPort(Strict):
    """How to open a serial line. port: prefer a stable /dev/serial/by-id name."""

    port: str
    baud: int = Field(default=115200, ge=300, le=4_000_000)


class LineFormat(Strict):
    """How one text line becomes measurements.

    kind "json" and "keyvalue": field name = source. "csv": columns gives a source per column, "" to skip.
    "words": `source,HEX,CRC` lines with raw register words of `chip`; one line may hold several source,HEX pairs.
    unit: what numbers in text lines are in.
    checksum "crc16" = CRC-16/MODBUS over everything before the last separator, 4 hex digits (always so for "words");
    "xor8" = exclusive or of everything before "*", two hex digits after it.
    """

    kind: Literal["json", "csv", "keyvalue", "words"]
    columns: tuple[str, ...] = ()
    fields: dict[str, str] = Field(default_factory=dict)
    """source -> field name or dotted path in the JSON object, when they differ"""
    separator: str = ","
    unit: Literal["C", "F"] = "C"
    checksum: Literal["none", "crc16", "xor8"] = "none"
    chip: Literal["max31855", "max6675", "max31856", "mcp9600", "mcp9601"] = "max31855"
    thermocouple: ThermocoupleLetter = "K"
    """what the chip itself is built for; a channel may name the type of its own probe"""
    sequence: str = ""
    """the field or column that numbers the lines, so that lost ones are counted: 0 after a start, then up by one a line.
    Word lines carry it as their last cell, `source,HEX,#2A,CRC`, without being asked."""


class SerialLineDevice(SerialPort):
    kind: Literal["serial-line"]
    id: str
    line: LineFormat
    linearise: bool = True
    """correct chips that assume a constant sensitivity (max31855, max6675)"""


class ModbusSource(Strict):
    """One register of one slave. source: the name channels refer to."""

    source: str
    slave: int = Field(ge=1, le=247)
    register_: int = Field(alias="register", ge=0, le=65535)
    function: Literal[3, 4] = 4
    scale: float = 0.1
    signed: bool = True
    open_circuit: tuple[int, ...] = (0x7FFF, 0x8000)
    """register words (unsigned) that mean "open circuit"; they differ by maker"""


class ModbusDevice(SerialPort):
    kind: Literal["modbus"]
    id: str
    baud: int = Field(default=9600, ge=300, le=4_000_000)
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    every: float = Field(default=1.0, gt=0)
    timeout: float = Field(default=0.5, gt=0)
    sources: tuple[ModbusSource, ...] = Field(min_length=1)


class ScpiDevice(SerialPort):
    """An IEEE 488.2 instrument. query: the SCPI query that returns one comma-separated value a listed channel."""

    kind: Literal["scpi"]
    id: str
    baud: int = Field(default=9600, ge=300, le=4_000_000)
    channel_list: tuple[int, ...] = Field(min_length=1)
    query: str = "MEAS:TEMP? TC,{type},(@{channels})"
    thermocouple: ThermocoupleLetter = "K"
    every: float = Field(default=2.0, gt=0)
    timeout: float = Field(default=5.0, gt=0)


class GattCharacteristic(Strict):
    """One characteristic. layout "standard" decodes by its assigned number; otherwise offset, type, scale say how."""

    source: str
    uuid: str
    service: str | None = None
    number: int = Field(default=1, ge=1, le=32)
    """which one, counted by handle, where several carry the same UUID"""
    layout: Literal["standard", "uint8", "int8", "uint16", "int16", "uint24", "int24", "uint32", "int32", "float32"] = (
        "standard"
    )
    offset: int = Field(default=0, ge=0, le=511)
    byte_order: Literal["little", "big"] = "little"
    scale: float = 1.0
    add: float = 0.0
    not_known: tuple[int, ...] = ()
    poll_every: float = Field(default=2.0, gt=0)
    """used only where the characteristic can neither notify nor indicate"""


class BleGattDevice(Strict):
    kind: Literal["ble-gatt"]
    id: str
    address: str
    adapter: str | None = None
    characteristics: tuple[GattCharacteristic, ...] = Field(min_length=1)
    silence_limit: float = Field(default=30.0, gt=0)


class BleAdvertDevice(Strict):
    """A BTHome v2 broadcaster. sources are "temperature", "temperature-2", ... in order of appearance."""

    kind: Literal["ble-advert"]
    id: str
    address: str
    adapter: str | None = None
    bind_key_file: str | None = None
    """0600 file with 32 hex digits, for encrypted broadcasts"""
    silence_limit: float = Field(default=60.0, gt=0)


class IioDevice(Strict):
    """An amplifier chip bound to a kernel driver. path: /sys/bus/iio/devices/iio:deviceN, or give `name`/`label` to find it."""

    kind: Literal["iio"]
    id: str
    name: str | None = None
    label: str | None = None
    root: str = "/sys/bus/iio/devices"
    source: str = "1"
    every: float = Field(default=1.0, gt=0)


class PluginDevice(Strict):
    """A driver from another package: entry point group `pitvigil.drivers`, name `driver`."""

    kind: Literal["plugin"]
    id: str
    driver: str
    options: dict[str, Any] = Field(default_factory=dict)


Device = Annotated[
    SerialLineDevice | ModbusDevice | ScpiDevice | BleGattDevice | BleAdvertDevice | IioDevice | PluginDevice,
    Field(discriminator="kind"),
]
