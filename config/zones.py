"""Names of time zones that may be meant by what is none: "CST", "Chicago", "Europe/Berln"."""

from __future__ import annotations

import sysconfig
from collections import Counter
from contextlib import suppress
from datetime import UTC, datetime
from difflib import get_close_matches
from pathlib import Path
from zoneinfo import TZPATH, ZoneInfo, available_timezones

SEASONS = (datetime(2026, 1, 15, tzinfo=UTC), datetime(2026, 7, 15, tzinfo=UTC))
"""One moment in each half of a year: a zone has at most two names in it."""
SUGGESTED = 4
"""Names that a remedy has room for."""


def zones_meant(written: str) -> tuple[str, ...]:
    """Zones of the tz database that use this abbreviation, one for each clock that goes by it, those of most countries first;
    else those of this city, or spelt alike. () where there are none."""
    by_clock: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for countries, name in _in_use():
        seasons = [at.astimezone(ZoneInfo(name)) for at in SEASONS]
        if written.upper() in (at.tzname() for at in seasons):
            by_clock.setdefault(tuple(f"{at:%Z%z}" for at in seasons), []).append((countries, name))
    if by_clock:
        clocks = sorted(by_clock.values(), key=len, reverse=True)
        return tuple(_chief(zones) for zones in clocks)[:SUGGESTED]
    known, city = sorted(available_timezones()), written.strip().replace(" ", "_").casefold()
    of_city = [name for name in known if city and city == name.rpartition("/")[2].casefold()]
    return tuple(of_city or get_close_matches(written, known, SUGGESTED, 0.75))[:SUGGESTED]


def _chief(zones: list[tuple[str, str]]) -> str:
    """The one that most countries share, or else of the country with most of them; the table names each country's chief one
    first."""
    own = Counter(countries for countries, _ in zones)
    return max(zones, key=lambda zone: (zone[0].count(","), own[zone[0]]))[1]


def _in_use() -> list[tuple[str, str]]:
    """(countries, zone) of each clock that has been in use since 1970 (zone1970.tab of the tz database); all zones where that
    table is not installed."""
    names = available_timezones()
    for folder in (*TZPATH, f"{sysconfig.get_paths()['purelib']}/tzdata/zoneinfo"):
        with suppress(OSError):
            lines = Path(folder, "zone1970.tab").read_text(encoding="utf-8").splitlines()
            rows = [line.split("\t") for line in lines if line and not line.startswith("#")]
            return [(row[0], row[2]) for row in rows if row[2] in names]
    return [("", name) for name in sorted(names)]
