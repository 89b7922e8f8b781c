"""A kept cook as a table anybody can open, and `pitvigil replay` as well: a row a minute, and a row for each mark."""

from __future__ import annotations

import csv
import io
from math import isnan

from daemon.core.readings.trace import MINUTE
from daemon.shell.library.cook import KeptCook
from daemon.shell.wording import mark_word, rfc3339


def kept_csv(cook: KeptCook) -> str:
    """time (RFC 3339), a column a channel in °C (empty = nothing good was read), and mark (see `mark_word`)."""
    channels = [channel.id for channel in cook.channels if channel.id in cook.series]
    rows = [
        (
            rfc3339(minute * MINUTE + cook.wall_offset),
            *("" if isnan(value := cook.series[channel][at]) else f"{value:.3f}" for channel in channels),
            "",
        )
        for at, minute in enumerate(cook.minutes)
    ]
    rows += [
        (event["time"], *("" for _ in channels), mark_word(event["kind"], event["piece"], event.get("note", "")))
        for event in cook.events
        if event["event"] == "mark"
    ]
    table = io.StringIO()
    writer = csv.writer(table)
    writer.writerow(("time", *channels, "mark"))
    writer.writerows(sorted(rows))  # the instants are all in the same form, so words sort as they pass
    return table.getvalue()
