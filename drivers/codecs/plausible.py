"""The last gate of every codec: a number becomes a measurement only if it can be one."""

from __future__ import annotations

import math
import re
import sys

from drivers.reading import Fault, Measurement, Quality

COLDEST = -90.0
"""°C. Colder than any weather a cook stands in (-89.2 °C is the coldest air on record, WMO), so that the -127,
-196 or -200 many sketches send for "no probe" is a fault and not a temperature. Common practice, no source."""
HOTTEST = 1023.0
"""°C. A Reading holds up to 1023.97 °C in its 16-bit word; 9999.9 and other fill-in values are far above."""


def number_of(text: str) -> float:
    """The number, if a float can hold it: 1e-999 is not 0 and 1e999 is not infinity, but a damaged text (IEEE 754
    underflow and overflow). Raises ValueError."""
    value = float(text)
    too_small = (
        abs(value) < sys.float_info.min and re.search("[1-9]", re.split("[eE]", text, maxsplit=1)[0]) is not None
    )
    if too_small or math.isinf(value):
        raise ValueError(f"no float can hold {text[:40]}")
    return value


def measured(
    source: str, celsius: float, cold_junction: float | None = None, quality: Quality = Quality.GOOD
) -> Measurement:
    """`celsius` as a measurement, or the fault that it stands for: NaN and infinities are NOT_KNOWN,
    anything outside COLDEST..HOTTEST is OUT_OF_RANGE."""
    if not math.isfinite(celsius):
        return faulted(source, Fault.NOT_KNOWN, cold_junction)
    if not COLDEST <= celsius <= HOTTEST:
        return faulted(source, Fault.OUT_OF_RANGE, cold_junction)
    return Measurement(source, celsius, quality=quality, cold_junction=cold_junction)


def faulted(source: str, fault: Fault, cold_junction: float | None = None) -> Measurement:
    """A source that says it has no value, and why."""
    return Measurement(source, None, fault, Quality.BAD, cold_junction)
