"""Any reading that a journal may be given, for hypothesis."""

from __future__ import annotations

from hypothesis import strategies as st

from drivers.reading import Fault, Quality, Reading, on_grid

celsius = st.one_of(st.none(), st.floats(-300, 1020).map(on_grid))
times = st.integers(0, 2_000_000_000_000).map(lambda ms: ms / 1000)
"""Engine time, s, to the millisecond."""
readings = st.builds(
    Reading,
    channel=st.sampled_from(["pit-left", "chuck", "lamb"]),
    celsius=celsius,
    measured_at=times,
    fault=st.one_of(st.none(), st.sampled_from(list(Fault))),
    quality=st.sampled_from(list(Quality)),
    cold_junction=celsius,
)
