"""The rig file: what hangs on the pit and who is told. Changes when a wire changes, not from cook to cook."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import BeforeValidator, Field, ModelWrapValidatorHandler, field_validator, model_validator

from config.delivery import Delivery
from config.devices import Device, Strict, ThermocoupleLetter
from config.hosts import Host
from config.hours import minute_of_day
from config.problems import Unfit
from config.units import Apart, Celsius, Kilograms, Litres, Metres, parse_temperature, to_celsius
from config.zones import zones_meant

Identifier = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")]
"""Lower-case letters, digits and hyphens: what an MQTT topic and a file name can carry unchanged."""

MINUTES_PER_DAY = 24 * 60


def _minute_of_day(value: object) -> object:
    minute = minute_of_day(value) if isinstance(value, str) else None
    if minute is None:
        raise Unfit("file.time-of-day")
    return minute


MinuteOfDay = Annotated[int, BeforeValidator(_minute_of_day)]


NARROWEST_BAND = 5.0
"""°C: no log fire holds less; common practice, no source."""
USUAL_PIT = (80.0, 190.0)
"""°C between which a hand-fed pit with big cuts in it is kept: common practice, no source."""


def _turned_round(low: float | str, high: float | str) -> Unfit:
    """What is said of a band whose low end is the hotter one. low, high: as written."""
    if (
        isinstance(high, str)
        and not isinstance(low, str)
        and USUAL_PIT[1] < low
        and to_celsius(low) < parse_temperature(high)
    ):
        return Unfit("file.band-low", low=low)
    shown = [f'"{end}"' if isinstance(end, str) else f"{end:g}" for end in (high, low)]
    return Unfit("file.band-turned", low=shown[0], high=shown[1])


class BandSection(Strict):
    low: Celsius = Field(ge=40, le=350)
    high: Celsius = Field(ge=45, le=400)

    @model_validator(mode="wrap")
    @classmethod
    def ordered(cls, given: Any, handler: ModelWrapValidatorHandler[BandSection]) -> BandSection:
        band = handler(given)
        if band.high < band.low:
            written = given if isinstance(given, Mapping) else {}
            raise _turned_round(written.get("low", band.low), written.get("high", band.high))
        if band.high - band.low < NARROWEST_BAND:
            raise Unfit("file.band-narrow", least=NARROWEST_BAND)
        return band


class PitSection(Strict):
    id: Identifier = "pit"
    name: str = "Pit"
    band: BandSection
    altitude: Metres = Field(default=0.0, ge=-430, le=5500)
    """metres above sea level: sets the boiling point"""
    grease_tray: Litres = Field(default=0.0, ge=0, le=50)
    """litres that the tray under the meat holds; 0 = none to watch"""


MOST_PITS = 8
"""In one watch: more than one person feeds; our bound."""
LONGEST_PIT_NAME = 12
"""Letters, in a rig with several pits: one message must have room for two of them."""


OF_THE_WATCH = ("-watch", "-cabinet")
"""After the id of the first of several pits: what the watch and the cabinet are called on the broker, beside the pits."""


class WoodSection(Strict):
    """kind: the cook's own word. split: kg of one log as it goes into the fire."""

    kind: str = Field(default="", max_length=40)
    split: Kilograms | None = Field(default=None, gt=0.05, le=10)


class PeopleSection(Strict):
    """unit, clock: what people read, clock the hours of its face. quiet_from/quiet_until: local time in `zone`."""

    unit: Literal["C", "F"] = "C"
    clock: Literal[12, 24] = 24
    zone: str = "UTC"
    quiet_from: MinuteOfDay = 22 * 60
    quiet_until: MinuteOfDay = 7 * 60
    wake_for_wrap: bool = False
    lead_minutes: float = Field(default=22.0, ge=5, le=90)

    @field_validator("zone")
    @classmethod
    def known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            if not available_timezones():
                raise Unfit("file.no-zones") from error
            meant = zones_meant(zone)
            raise (Unfit("file.zone-meant", meant=meant) if meant else Unfit("file.zone")) from error
        return zone


class CalibrationSection(Strict):
    """corrected = (read - ice) * slope, as `pitvigil calibrate` writes it."""

    ice: float = Field(default=0.0, ge=-5, le=5)
    slope: float = Field(default=1.0, ge=0.9, le=1.1)
    on: date
    residual: float = Field(default=0.0, ge=0, le=5)

    def apply(self, celsius: float) -> float:
        return (celsius - self.ice) * self.slope


class ChannelSection(Strict):
    """One probe. device and source: where its value comes from."""

    id: Identifier
    name: str = ""
    role: Literal["pit", "meat", "ambient", "hold", "spot"]
    """spot: a handheld probe that is held into a piece for a moment"""
    device: str
    source: str
    pit: Identifier | None = None
    """in a rig with several pits: which one, of a pit or meat channel"""
    place: str | None = None
    pair: str | None = None
    thermocouple: ThermocoupleLetter | None = None
    tolerance: Apart = Field(default=2.5, ge=0, le=10)
    stale_after: float = Field(default=10.0, ge=2, le=600)
    calibration: CalibrationSection | None = None


class TlsSection(Strict):
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None


class BrokerSection(Strict):
    host: Host
    port: int = Field(default=1883, ge=1, le=65535)
    user: str | None = None
    password_file: str | None = None
    tls: TlsSection | None = None
    client_id: str | None = None
    discovery: Literal["device", "per-entity", "none"] = "device"
    discovery_prefix: str = "homeassistant"
    birth_topic: str = "homeassistant/status"
    homie_root: str = "homie"


class PageSection(Strict):
    listen: Host = "127.0.0.1"
    port: int = Field(default=8734, ge=0, le=65535)
    hosts: tuple[str, ...] = ()
    """further host names the page may be asked under, such as "pit.local" """
    token_file: str | None = None
    open_view: bool = False


class DeadManSection(Strict):
    """An outside address that raises the alarm when it has not been called for a while."""

    url: str = Field(pattern=r"^https?://")
    every: float = Field(default=60.0, ge=10, le=3600)


class FleetSection(Strict):
    """A crew's centre, told by `pitvigil ship`. pit: this pit's name there, as in its certificate. keys: a directory with
    ca.crt, pit.crt and pit.key. share_learning: send what this pit's fires have shown, as estimates, spreads and counts, and
    begin from what pits of its class have shown."""

    host: Host = Field(min_length=1)
    port: int = Field(default=5432, ge=1, le=65535)
    pit: Identifier
    keys: str = "/etc/pitvigil/fleet"
    share_learning: bool = False


def with_first_pit(table: dict[str, Any]) -> dict[str, Any]:
    """A file's `[[pits]]` as a first pit and others. Beside a `[pit]` it counts for nothing: that is a problem of its own."""
    pits = table.get("pits")
    if not isinstance(pits, list) or not pits:
        return table
    rest = {key: value for key, value in table.items() if key != "pits"}
    return rest if "pit" in table else {**rest, "pit": pits[0], "other_pits": pits[1:]}


class Rig(Strict):
    """The whole rig file, with one `[pit]` or `[[pits]]`: pit is the first, most often the only one, other_pits the rest."""

    pit: PitSection
    other_pits: tuple[PitSection, ...] = Field(default=(), max_length=MOST_PITS - 1)
    people: PeopleSection = PeopleSection()
    devices: tuple[Device, ...] = Field(min_length=1)
    channels: tuple[ChannelSection, ...] = Field(min_length=1)
    broker: BrokerSection | None = None
    delivery: tuple[Delivery, ...] = ()
    page: PageSection | None = PageSection()
    dead_man: DeadManSection | None = None
    fleet: FleetSection | None = None
    wood: WoodSection = WoodSection()
    state_directory: str | None = None

    @model_validator(mode="before")
    @classmethod
    def first_pit(cls, table: object) -> object:
        return with_first_pit(table) if isinstance(table, dict) else table

    @property
    def pits(self) -> tuple[PitSection, ...]:
        return (self.pit, *self.other_pits)

    def pit_key(self, name: str | None) -> str:
        """What the core calls the pit of this id: "" the first. Raises Unfit for another."""
        if name is None or name == self.pit.id:
            return ""
        if name not in [pit.id for pit in self.other_pits]:
            raise Unfit("file.no-such-pit", name=name, known=tuple(pit.id for pit in self.pits))
        return name
