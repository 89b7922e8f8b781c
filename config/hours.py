"""A local time of day as people write it: "22:30", "10:30 PM", "10:30pm", "10 PM"."""

from __future__ import annotations

import re

_HOUR = re.compile(r"(\d{1,2})(?::(\d{2}))?(?:\s*([ap])\.?m\.?)?", re.IGNORECASE | re.ASCII)
MINUTES_PER_HOUR, HOURS_OF_A_FACE = 60, 12


def minute_of_day(text: str) -> int | None:
    """Minutes since midnight, or None. On a face of twelve hours 12:00 AM is midnight and 12:00 PM is noon."""
    match = _HOUR.fullmatch(" ".join(text.split()))
    if match is None:
        return None
    hour, minute, half = int(match[1]), int(match[2] or 0), (match[3] or "").lower()
    if match[2] is None and not half:
        return None  # a bare number is no time
    if minute >= MINUTES_PER_HOUR or not (1 <= hour <= HOURS_OF_A_FACE if half else hour < 2 * HOURS_OF_A_FACE):
        return None
    if half:
        hour = hour % HOURS_OF_A_FACE + (HOURS_OF_A_FACE if half == "p" else 0)
    return hour * MINUTES_PER_HOUR + minute
