"""The unit of a recorded cook: said with the call, else °C, which is told and asked about where it can hardly be meant."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from statistics import median

from config.config_error import ConfigError
from config.problems import Problem
from config.rig import USUAL_PIT
from config.units import fahrenheit_meant, to_celsius, to_fahrenheit
from daemon.core.inputs import Input, Readings
from daemon.core.orders import SPOT_COLDEST, SPOT_HOTTEST
from daemon.core.settings import ChannelSettings, Role
from daemon.texts.composer import PLAIN
from drivers.reading import on_grid


def ask_unit(inputs: Iterable[tuple[float, Input]], channels: Iterable[ChannelSettings], log: str) -> None:
    """Raises ConfigError where a pit is hotter than pits are, or a core than wet meat gets, and neither would be in °F."""
    values = defaultdict[str, list[float]](list)
    for _, item in inputs:
        for reading in item.readings if isinstance(item, Readings) else ():
            if reading.celsius is not None:
                values[reading.channel].append(reading.celsius)
    usual = {Role.PIT: USUAL_PIT, Role.MEAT: (SPOT_COLDEST, SPOT_HOTTEST)}
    doubted = []
    for channel in channels:
        if channel.role in usual and (read := values[channel.id]):
            middle = median(read)
            if fahrenheit_meant(middle, usual[channel.role]):
                remedy = PLAIN.words(
                    "command.log.unit", unit="--unit F", meant="--unit C", fahrenheit=to_fahrenheit(middle)
                )
                doubted.append(Problem(log, channel.id, f"{middle:.0f}", remedy))
    if doubted:
        raise ConfigError(doubted)


def in_celsius(inputs: Iterable[tuple[float, Input]], unit: str) -> Iterator[tuple[float, Input]]:
    """Of a log in that unit."""
    for now, item in inputs:
        yield now, _converted(item) if unit == "F" and isinstance(item, Readings) else item


def all_in_celsius(
    inputs: list[tuple[float, Input]], unit: str, channels: Iterable[ChannelSettings], log: str
) -> list[tuple[float, Input]]:
    """A whole log; asked about where nobody said its unit. Raises ConfigError as `ask_unit` does."""
    if not unit:
        ask_unit(inputs, channels, log)
    return list(in_celsius(inputs, unit))


def assumed(log: str, unit: str) -> str:
    """What is told of a log whose unit nobody said, else ""."""
    return "" if unit else PLAIN.words("command.log.assumed", file=log)


def _converted(item: Readings) -> Readings:
    return Readings(
        tuple(r if r.celsius is None else r._replace(celsius=on_grid(to_celsius(r.celsius))) for r in item.readings)
    )
