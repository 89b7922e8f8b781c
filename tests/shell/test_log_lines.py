"""What comes from outside cannot write a line of the log of its own."""

from __future__ import annotations

import logging
import os
import threading

from hypothesis import given
from hypothesis import strategies as st

from daemon.shell.log_lines import LINES_WAITING, LONGEST, Aside, OneLine, one_line
from tests.patience import PATIENCE


@given(st.text())
def test_a_line_is_one_line_for_every_reader(text: str) -> None:
    assert len(one_line(text).splitlines()) <= 1 and len(one_line(text)) <= LONGEST + 30


def test_a_forged_line_is_seen_for_what_it_is() -> None:
    record = logging.LogRecord("x", logging.WARNING, "", 0, "%s belongs to nobody", ("a\nERROR the pit is fine",), None)
    assert OneLine("%(levelname)s %(message)s").format(record) == (
        "WARNING a\\nERROR the pit is fine belongs to nobody"
    )


def test_a_log_that_nobody_takes_holds_up_nobody() -> None:
    """As a terminal held by Ctrl-S, or a pipe whose reader is stopped. What came is written once somebody reads again."""
    reads, writes = os.pipe()
    os.set_blocking(writes, False)
    filled = 0
    try:
        while True:
            filled += os.write(writes, b"." * 4096)
    except BlockingIOError:
        os.set_blocking(writes, True)
    log, handler = logging.getLogger("held"), Aside(writes)
    log.propagate = False
    log.addHandler(handler)

    def said() -> None:
        for number in range(2 * LINES_WAITING):
            log.error("line %d", number)

    speaker = threading.Thread(target=said, daemon=True)
    speaker.start()
    speaker.join(PATIENCE)
    assert not speaker.is_alive()
    log.removeHandler(handler)
    with os.fdopen(reads, "rb") as reader:
        assert len(reader.read(filled)) == filled
        lines: list[bytes] = []
        while not lines or b"were lost" not in lines[-1]:
            lines.append(reader.readline())
    assert lines[0] == b"line 0\n" and len(lines) - 1 >= LINES_WAITING
    assert int(lines[-1].split()[1]) == 2 * LINES_WAITING - (len(lines) - 1), "what is lost is counted"
    handler.flush()
    os.close(writes)
