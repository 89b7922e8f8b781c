"""The journal loses nothing it accepted and gives back exactly what it was told."""

import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.inputs import Acknowledge, Input, Mark, MarkKind, Readings, SetBand
from daemon.core.settings import Band
from daemon.shell.journal import Checkpoint, Journal, JournalUnavailable, OutboxRow
from daemon.shell.reading_pack import PackDamaged, pack, unpack
from drivers.reading import Fault, Quality, Reading, on_grid

celsius = st.one_of(st.none(), st.floats(-300, 1020).map(on_grid))
readings = st.builds(
    Reading,
    channel=st.sampled_from(["pit-left", "chuck", "lamb"]),
    celsius=celsius,
    measured_at=st.integers(0, 2_000_000_000_000).map(lambda ms: ms / 1000),
    fault=st.one_of(st.none(), st.sampled_from(list(Fault))),
    quality=st.sampled_from(list(Quality)),
    cold_junction=celsius,
)
batches = st.lists(st.tuples(st.integers(0, 2_000_000_000_000).map(lambda ms: ms / 1000),
                             st.lists(readings, max_size=8).map(lambda r: Readings(tuple(r)))), max_size=20)  # fmt: skip


@given(batches)
def test_a_pack_gives_back_every_bit(minute: list[tuple[float, Readings]]) -> None:
    assert list(unpack(pack(minute))) == minute


@given(st.binary(max_size=200))
@settings(max_examples=200)
def test_a_damaged_pack_is_refused_not_guessed_at(body: bytes) -> None:
    with pytest.raises(PackDamaged):
        list(unpack(body))


def test_a_minute_of_a_quiet_rig_costs_under_a_byte_a_reading() -> None:
    def word(channel: int, second: int) -> float:
        return on_grid(100 + channel + (0.25 if (second * 7 + channel) % 5 == 0 else 0.0))

    minute = [
        (float(t), Readings(tuple(Reading(f"c{c}", word(c, t), float(t), cold_junction=24.5) for c in range(8))))
        for t in range(60)
    ]
    assert len(pack(minute)) < 8 * 60


def test_inputs_come_back_in_order_and_exactly(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j.sqlite")
    told: list[tuple[float, Input]] = [
        (1.0, Readings((Reading("chuck", 63.25, 1.0),))),
        (2.0, Readings((Reading("chuck", None, 2.0, Fault.OPEN_CIRCUIT, Quality.BAD),))),
        (2.5, Mark(MarkKind.LOG, None, "cook", "oak")),
        (3.0, Readings((Reading("chuck", 63.5, 3.0, cold_junction=24.0625),))),
        (4.0, SetBand(Band(110.0, 130.0), "page")),
        (5.0, Acknowledge("pit-falling/pit", "cook")),
    ]
    for now, item in told:
        journal.take_input(item, now)
    journal.commit(5.0)
    journal.close()
    assert list(Journal(tmp_path / "j.sqlite").inputs()) == told


def test_checkpoint_and_outbox_survive(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j.sqlite")
    row = OutboxRow("a#1.0", "bell", "a", 1.0, 99.0, "waiting", 0, 1.0, "{}")
    journal.take_outbox(row)
    journal.take_outbox(row)
    journal.take_checkpoint(600.0, {"stage": "hold"})
    journal.commit(600.0)
    journal.close()
    again = Journal(tmp_path / "j.sqlite")
    assert again.outbox("waiting") == [row]
    assert again.newest_checkpoint() == Checkpoint(0, 0, 600.0, {"stage": "hold"})


def test_a_refusing_disk_loses_nothing(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j.sqlite")
    journal._db.execute("PRAGMA max_page_count = 1")  # SQLite's own "disk full"
    journal.take_input(Mark(MarkKind.LOG, note="x" * 100_000), 1.0)
    with pytest.raises(JournalUnavailable, match="full"):
        journal.commit(1.0)
    journal._db.execute("PRAGMA max_page_count = 100000")
    journal.commit(2.0)
    assert len(list(journal.inputs())) == 1


WRITER = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from daemon.core.inputs import Mark, MarkKind
    from daemon.shell.journal import Journal
    journal = Journal(Path(sys.argv[1]))
    number = int(sys.argv[2])
    while True:
        number += 1
        journal.take_input(Mark(MarkKind.LOG, note=str(number)), float(number))
        journal.commit(float(number))
        print(number, flush=True)
    """
)


def kill_and_count(path: Path, kills: int) -> None:
    """Kill the writer at arbitrary moments; whatever it said was committed must be there, once and in order."""
    said = 0
    for _ in range(kills):
        process = subprocess.Popen([sys.executable, "-c", WRITER, str(path), str(said)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        for line in process.stdout:
            said = int(line)
            if said % 7 == 0:
                break
        os.kill(process.pid, signal.SIGKILL)
        for line in process.stdout:
            said = int(line)
        process.wait()
        process.stdout.close()
        journal = Journal(path)
        kept = [int(item.note) for _, item in journal.inputs() if isinstance(item, Mark)]
        journal.close()
        assert kept[:said] == list(range(1, said + 1))
        said = kept[-1]


def test_kill_9_loses_no_accepted_input(tmp_path: Path) -> None:
    kill_and_count(tmp_path / "j.sqlite", kills=8)


@pytest.mark.soak
def test_kill_9_a_thousand_times(tmp_path: Path) -> None:
    kill_and_count(tmp_path / "j.sqlite", kills=1000)
