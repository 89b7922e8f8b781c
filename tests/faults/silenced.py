"""What once silenced or falsified the watch, each with the tests that show it cannot any more, and a wrong build that those
tests find out: the row runs them on the code as it stands and on a copy made wrong in one place."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.faults.row import Fault, NotHere, Row

ROOT = Path(__file__).parents[2]
COPIED = ("config", "drivers", "daemon", "tests", "pyproject.toml", "DEVELOPERS.md", "README.md", "deploy")
LONGEST = 900.0
"""s for one run of the tests of a row."""
BUSY_LOOPS = 8
"""For a row that is measured under load: four a core on the smallest machine."""


@dataclass(frozen=True, slots=True)
class Silenced:
    """tests: what must pass, and must fail once `before`, which stands once in `file`, has become `after`.
    wrong: that build in words. busy: loops that run beside."""

    name: str
    fault: str
    bar: str
    tests: tuple[str, ...]
    file: str
    before: str
    after: str
    wrong: str
    busy: int = 0

    def row(self) -> Fault:
        async def fault(home: Path, full: bool) -> Row:
            if not (ROOT / "tests").is_dir():
                raise NotHere("needs the sources")
            return await asyncio.to_thread(self._measured, home)

        fault.__name__ = self.name
        return fault

    def _measured(self, home: Path) -> Row:
        copy = home / "tree"
        for name in COPIED:
            if (ROOT / name).is_dir():
                shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__", "node_modules"))
            else:
                copy.mkdir(exist_ok=True)
                shutil.copy(ROOT / name, copy / name)
        with busy(self.busy):
            begin = time.monotonic()
            met = self._pass(copy)
            seconds = time.monotonic() - begin
            file = copy / self.file
            right = file.read_text(encoding="utf-8")
            file.write_text(right.replace(self.before, self.after), encoding="utf-8")
            caught = right.count(self.before) == 1 and not self._pass(copy)
        figure = f"{'all' if met else 'not all'} of {len(self.tests)} checks hold ({seconds:.0f} s)"
        return Row(
            self.fault, ", ".join(t.partition("::")[2] for t in self.tests), figure, self.bar, met, self.wrong, caught
        )

    def _pass(self, copy: Path) -> bool:
        environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *self.tests]
        with contextlib.suppress(subprocess.TimeoutExpired):
            return (
                subprocess.run(command, cwd=copy, env=environment, capture_output=True, timeout=LONGEST).returncode == 0
            )
        return False


@contextlib.contextmanager
def busy(loops: int) -> Iterator[None]:
    """So many processes that do nothing but keep the machine busy."""
    made = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(loops)]
    try:
        yield
    finally:
        for process in made:
            process.kill()
            process.wait()


_API, _HOSTILE = "tests/shell/web/test_api.py::", "tests/shell/web/test_hostile.py::"
_LOOP, _RESTART = "tests/shell/test_loop.py::", "tests/core/test_restart.py::"
_LIST, _ENGINE = "tests/core/annunciation/test_green_list.py::", "tests/core/test_engine.py"

SILENCED = (
    Silenced(
        "dies_every_45_s", "the watch is killed every 45 s while the pit runs away", "somebody is woken in the third life",
        (_RESTART + "test_a_watch_that_dies_every_45_s_wakes_somebody_within_three_lives",),
        "daemon/core/engine.py",
        "spared = not settled and (condition.rule in SPEAKS_OF_SILENCE or condition.subject not in heard)",
        "spared = now < self.grace.resumed_at + 60.0 if self.grace.resumed_at else False",
        "one that judges nothing for a minute in each life",
    ),
    Silenced(
        "blind_lives", "the watch is killed every 45 s while no pit probe is heard", "a blind pit is told within 25 lives",
        (_RESTART + "test_a_pit_that_stays_blind_over_many_short_lives_is_told",),
        "daemon/core/grace.py", "granted = min(GRACE, abs(watched - used))", "granted = GRACE",
        "one that gives the grace anew to each life",
    ),
    Silenced(
        "stands_still", "the process is frozen in quiet hours while the pit is well", "nobody is woken; a gap is a gap",
        (_LOOP + "test_a_process_that_stood_still_takes_the_gap_for_a_gap",),
        "daemon/shell/loop.py", "if self._runs and self._now - before > GAP * self._scale:", "if False:",
        "one that takes the gap for silence of the probes",
    ),
    Silenced(
        "endless_span", "the page is asked for a history of two hundred years", "memory and time of the trace that there is",
        ("tests/faults/test_start.py::test_a_history_of_two_hundred_years_costs_what_a_night_costs",),
        "daemon/shell/web/page.py", "max(int(start // MINUTE), int(now // MINUTE) - MEMORY_MINUTES)",
        "int(now // MINUTE) - 400 * MEMORY_MINUTES",
        "one that builds every minute asked for",
    ),
    Silenced(
        "foreign_page", "a foreign page with 140 images of the acknowledgement", "the cook's own is taken at once",
        (_HOSTILE + "test_a_foreign_page_full_of_images_does_not_lock_the_cook_out",),
        "daemon/shell/web/server.py", "        holds_key = self._is_paired(request) or self._has_bearer(request)\n",
        "        self._limit(self._commands, request)\n        self._commands.note(request.remote or '', self._seconds())\n"
        "        holds_key = self._is_paired(request) or self._has_bearer(request)\n",
        "one that counts before it looks for the key",
    ),
    Silenced(
        "keyless_guests", "80 connections and 200 event streams without the key", "who holds it is answered",
        (_HOSTILE + "test_event_streams_of_guests_are_bounded_and_the_cook_has_a_place",
         "tests/shell/web/test_access.py::test_a_newcomer_takes_the_place_of_a_guest_and_never_of_the_cook"),
        "daemon/shell/web/server.py", "self._connections.known(request.protocol)", "pass",
        "one that does not know whose connection it is",
    ),
    Silenced(
        "junk_bytes", "headers of 70 kB, TLS, random bytes on the page's port", "one plain line of the log, no traceback",
        ("tests/shell/web/test_junk.py::test_whatever_bytes_come_the_log_gets_one_plain_line",),
        "daemon/shell/web/server.py", "WIRE_LOG.addFilter(self._junk)", "pass",
        "one that lets the library log each with a traceback",
    ),
    Silenced(
        "bad_orders", "a hub client with twenty bad orders a second", "another's orders are carried out",
        ("tests/shell/hub/test_commands.py::test_the_flood_of_one_leaves_another_his_orders",),
        "daemon/shell/hub/commands.py", "return self._allowances.setdefault(user,", "return self._allowances.setdefault('',",
        "one allowance for all",
    ),
    Silenced(
        "deleted_state", "the state directory, the journal or its log is deleted under the watch",
        "written anew with all that the connection holds",
        ("tests/shell/journal/test_mending.py::test_what_is_deleted_under_the_watch_is_noticed_and_written_anew",),
        "daemon/shell/journal/disk.py", "elif self._is_gone():", "elif False:", "one that writes on into the deleted file",
    ),
    Silenced(
        "endless_names", "200,000 channel names that nobody knows on serial", "64 KiB held, ten-odd lines of the log",
        ("tests/shell/test_supervisor.py::test_endless_unknown_names_cost_neither_memory_nor_log",),
        "daemon/shell/life/supervisor.py", "if len(self.unknown) < NAMES_KEPT:", "if True:", "one that remembers each",
    ),
    Silenced(
        "silent_broker", "a broker that takes everything and acknowledges nothing", "ill within 120 s, connected anew",
        ("tests/shell/hub/test_silent_broker.py",),
        "daemon/shell/hub/link.py", "asyncio.get_running_loop().time() - oldest.since > OWED_TOO_LONG", "False",
        "one that waits for ever",
    ),
    Silenced(
        "one_audience", "a rig whose only delivery is a sounder, or a second person", "called with the first rung",
        ("tests/core/annunciation/test_annunciator.py::test_each_rung_starts_at_the_first_audience_that_exists",),
        "daemon/core/annunciation/reach.py", "return audiences if first is None else (first,)", "return audiences",
        "one that calls an absent phone first",
    ),
    Silenced(
        "no_delivery", "a rig without any delivery", "no line that needs one is green",
        (_LIST + "test_without_a_delivery_no_line_that_needs_one_is_green",),
        "daemon/core/annunciation/nap.py", "bool(announcing.wake_channels) and ", "", "one that finds no channel that fails",
    ),
    Silenced(
        "swamped", "20,000 inputs wait for the loop, then what a person says", "readings are lost and counted, nothing else",
        (_LOOP + "test_a_swamped_loop_loses_readings_and_never_a_word",),
        "daemon/shell/input_queue.py", "if isinstance(item, Readings):\n            if self._readings >=",
        "if True:\n            if self._readings >=", "one bound for all",
    ),
    Silenced(
        "sleep_promise", "a restart in the night", "the promise of sleep goes on, with what is known by then",
        (_RESTART + "test_the_sleep_promise_survives_and_goes_on_with_what_is_known",),
        "daemon/core/watch_state.py", 'self._asleep_since, self._acted_at = dumped["asleep_since"],',
        "self._asleep_since, self._acted_at = None,",
        "one that forgets that somebody sleeps",
    ),
    Silenced(
        "failing_listener", "a listener raises", "it is cut off, the watch goes on",
        (_LOOP + "test_a_listener_that_fails_is_cut_off_and_the_watch_goes_on",),
        "daemon/shell/loop.py", "                self.listeners.remove(listener)\n", "                raise\n",
        "one that ends with it",
    ),
    Silenced(
        "edited_cook", "a comment is added to the cook file, and the watch started again", "the running cook goes on",
        ("tests/wiring/test_cook_file.py::test_a_comment_or_another_way_to_write_it_changes_nothing",),
        "daemon/wiring/cook_file.py", "if file == meant_by(before):", "if before is None:",
        "one that takes any edit for a change",
    ),
    Silenced(
        "second_cook", "a cook is started while one runs", "409 and what would end; only `replace` ends it",
        (_API + "test_a_running_cook_is_not_thrown_away_by_a_second_start",),
        "daemon/shell/web/api.py", "if now.pieces and not order.replace:", "if False:", "one that throws the cook away",
    ),
    Silenced(
        "live_list", "an alarm comes up hours after the cook went to sleep", "its line is green no more",
        (_LIST + "test_the_list_is_that_of_now_and_not_of_the_moment_of_pressing",),
        "daemon/core/annunciation/nap.py", 'if answered else say("missing.answered"), answered),', ', True),',
        "one that believes the moment of pressing",
    ),
    Silenced(
        "odd_logs", "a log without a pit column is imported, and one of 300,000 columns", "kept; refused with a remedy",
        ("tests/commands/test_replay.py::test_a_log_without_a_pit_probe_is_kept_and_one_with_endless_columns_refused",),
        "daemon/commands/replay.py", "if len(header) > MOST_COLUMNS:", "if False:", "one that takes any number of columns",
    ),
    Silenced(
        "forged_lines", "a key with a line break in it; cells that begin with =, +, - or @", "one line; no formula",
        ("tests/shell/test_log_lines.py", "tests/commands/test_cook_import.py"),
        "daemon/shell/library/tables.py", "return GUARD + text if text.startswith(FORMULA_BEGINS) else text", "return text",
        "one that writes cells as they come",
    ),
    Silenced(
        "under_load", "the broker away for eight hours, with eight busy loops beside", "slow, but never wrong",
        ("tests/faults/test_broker_away.py",),
        "tests/faults/test_broker_away.py",
        "time.monotonic() - begin < PATIENCE:\n        await asyncio.sleep(0.005)\n    await asyncio.sleep(0.02)\n",
        "False:\n        await asyncio.sleep(0.005)\n",
        "a test that depends on how fast it runs: it does not wait for the wire", busy=BUSY_LOOPS,
    ),
    Silenced(
        "unnoticed_turns", "a wrong turn in the engine", "its tests find it (all of them: python -m tests.mutations.run)",
        (_ENGINE,),
        "daemon/core/engine.py", "item.band.high - item.band.low >= MIN_BAND", "item.band.high - item.band.low >= 0",
        "one that takes a band without width",
    ),
)  # fmt: skip
FAULTS: tuple[Fault, ...] = tuple(one.row() for one in SILENCED)
