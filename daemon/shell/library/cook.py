"""One finished (or running) cook as the journal kept it: the single form that lists, comparisons, exports and reports read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import nan
from typing import Any

from daemon.core.readings.trace import MINUTE
from daemon.core.settings import Band, ChannelSettings, CookSettings, PieceSettings, Role
from daemon.shell.library.kept_pits import KeptPit, pit_called
from daemon.shell.library.worked import Homes, Probes


@dataclass(frozen=True, slots=True)
class KeptCook:
    """started, ended: engine time, s (ended None while it runs); add wall_offset for UTC.
    minutes: engine minute numbers (time // 60) from first to last without a gap.
    series: channel id -> one value per minute, °C, NaN where nothing good was read.
    events: event objects as written to the event file (instants RFC 3339 UTC; texts as `Said`), oldest first.
    wood: kg. weights: piece id -> (raw kg, served kg), 0 = not weighed. photos: file names.
    bands: the bands that were set while it ran, each with its engine time, oldest first.
    settings: as the cook was last meant, with every piece that was in it. probes: piece id -> what read it and since when; of a
    piece that is not named its own channel all the time. homes: piece id -> where it was and since when.
    pits: where there were several. viewed: the one whose curve, figures and lessons these are, as the core calls it.
    imported: from a table: no watch ran in it, and what its events tell is what one would have told."""

    id: str
    name: str
    pit: str
    started: float
    ended: float | None
    wall_offset: float
    settings: CookSettings
    channels: tuple[ChannelSettings, ...]
    minutes: tuple[int, ...] = field(repr=False)
    series: Mapping[str, tuple[float, ...]] = field(repr=False)
    events: tuple[Mapping[str, Any], ...] = field(repr=False)
    verdict: str = ""
    weather: str = ""
    photos: tuple[str, ...] = ()
    wood: float | None = None
    weights: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    bands: tuple[tuple[float, Band], ...] = ()
    probes: Mapping[str, Probes] = field(default_factory=dict)
    homes: Mapping[str, Homes] = field(default_factory=dict)
    pits: tuple[KeptPit, ...] = ()
    viewed: str = ""
    imported: bool = False

    def of(self, pit: str) -> KeptCook:
        """The cook as this pit had it: its band, and the pieces that were on it. pit: as the core calls it."""
        own = next((one for one in self.pits if one.key == pit), None)
        if own is None:
            return self
        pieces = tuple(piece for piece in self.settings.pieces if any(home == pit for _, home in self.homes_of(piece)))
        settings = replace(self.settings, band=own.band, pieces=pieces)
        return replace(self, viewed=pit, pit=own.name, settings=settings, bands=own.bands)

    def view(self, pit: str = "") -> KeptCook:
        """As the pit of this id or name had it; "": the first that had meat. Raises UnknownPit."""
        if pit:
            return self.of(pit_called(pit, self.pits, self.pit))
        return self.of(next(iter(self.pits_with_meat), ""))

    @property
    def pits_with_meat(self) -> tuple[str, ...]:
        """As the core calls them, the first first; with a single pit that one."""
        homes = {home for piece in self.settings.pieces for _, home in self.homes_of(piece)}
        return tuple(pit.key for pit in self.pits if pit.key in homes) if self.pits else ("",)

    def homes_of(self, piece: PieceSettings) -> Homes:
        return self.homes.get(piece.id, ((self.started, piece.pit),))

    def home(self, piece: str, time: float) -> str:
        """The pit that a piece was on at this engine time."""
        homes = self.homes.get(piece, ())
        return next((home for since, home in reversed(homes) if since <= time), homes[0][1] if homes else self.viewed)

    @property
    def pit_channels(self) -> tuple[ChannelSettings, ...]:
        """Those of the viewed pit that were read."""
        return tuple(c for c in self.channels if c.role is Role.PIT and c.pit == self.viewed and c.id in self.series)

    def probes_of(self, piece: PieceSettings) -> Probes:
        return self.probes.get(piece.id, ((self.started, piece.channel),))

    def readers(self, piece: PieceSettings) -> tuple[str | None, ...]:
        """For each minute the channel that read this piece, as the watch counted it: a minute in which a probe moved is the
        new one's."""
        probes = [(int(since // MINUTE), channel) for since, channel in self.probes_of(piece)]
        readers, channel = [], None
        for minute in self.minutes:
            while probes and probes[0][0] <= minute:
                channel = probes.pop(0)[1]
            readers.append(channel)
        return tuple(readers)

    def core(self, piece: PieceSettings) -> tuple[float, ...]:
        """What its probes read in each minute, °C, NaN where none did."""
        nothing = (nan,) * len(self.minutes)
        columns = {channel: self.series.get(channel or "", nothing) for channel in set(self.readers(piece))}
        return tuple(columns[channel][at] for at, channel in enumerate(self.readers(piece)))
