"""What comes from outside cannot write a line of the log of its own."""

from __future__ import annotations

import logging

from hypothesis import given
from hypothesis import strategies as st

from daemon.shell.log_lines import LONGEST, OneLine, one_line


@given(st.text())
def test_a_line_is_one_line_for_every_reader(text: str) -> None:
    assert len(one_line(text).splitlines()) <= 1 and len(one_line(text)) <= LONGEST + 30


def test_a_forged_line_is_seen_for_what_it_is() -> None:
    record = logging.LogRecord("x", logging.WARNING, "", 0, "%s belongs to nobody", ("a\nERROR the pit is fine",), None)
    assert OneLine("%(levelname)s %(message)s").format(record) == (
        "WARNING a\\nERROR the pit is fine belongs to nobody"
    )
