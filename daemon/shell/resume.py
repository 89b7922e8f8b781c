"""Restart: the newest checkpoint and what came after it, heard again without a sound.

What the engine says meanwhile has been said before; only its state is kept. The same replay, from the first input,
turns a journal into its events.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator

from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.inputs import Input, Resumed
from daemon.shell.clock import PLAUSIBLE_SINCE
from daemon.shell.journal.journal import Journal

log = logging.getLogger(__name__)

A_DAY = 86400.0
ROUNDED = 1.0
"""s that engine time may lie beyond the boot clock by rounding."""


def restored(make_engine: Callable[[], Engine], journal: Journal, forgot: Callable[[], None] = lambda: None) -> Engine:
    """An engine where the journal ends. A checkpoint that this version cannot read (another one wrote it) is passed over:
    then the inputs are heard again from the start of the running cook, or of the last day if that is longer. forgot: called
    where it begins anew although there was something to remember."""
    engine, after, known_at = make_engine(), 0, None
    checkpoint = journal.newest_checkpoint()
    if checkpoint is not None:
        try:
            engine.load(checkpoint.state)
            after, known_at = checkpoint.input, checkpoint.time
        except Exception as error:  # whatever is wrong with it: the watch must start
            log.warning(
                "the checkpoint is damaged or of another version (%r): replaying the running cook instead", error
            )
            a_day_ago = journal.first_input_since(checkpoint.time - A_DAY)
            engine, after = make_engine(), min(a_day_ago, journal.running_cook_input() or a_day_ago) - 1
    inputs = _watched(journal.inputs(after=after), known_at)
    try:
        for _ in replayed(engine, inputs, until=_believed(journal.newest_event_time(), journal)):
            pass
    except Exception:  # damage that no check knows: a watch that begins anew wakes, one that does not start never does
        log.exception("what the journal holds cannot be heard again; the watch begins anew")
        forgot()
        return make_engine()
    return engine


def _watched(inputs: Iterable[tuple[float, Input]], known_at: float | None) -> Iterator[tuple[float, Input]]:
    """The inputs; where more than a day lies before one, a start between them was lost with the damage that took it: nobody
    watched then, and hearing weeks of nothing would take for ever. known_at: engine time of what is known already."""
    for now, item in inputs:
        if known_at is not None and now - known_at > A_DAY and not isinstance(item, Resumed):
            yield now, Resumed(watched_until=known_at)
        yield now, item
        known_at = now


def _believed(newest_event: float | None, journal: Journal) -> float | None:
    """The time of the newest event, if the inputs and checkpoints do not speak against it: replaying years of nothing would
    take for ever."""
    known = [time for time in (journal.newest_input_time(), journal.newest_checkpoint_time()) if time is not None]
    if newest_event is None or not known:
        return None
    return newest_event if newest_event < max(known) + A_DAY else max(known)


def engine_time_at_start(journal: Journal | None, boot: str, boot_seconds: float, wall: float) -> float | None:
    """Where engine time goes on after a stop, or None for a first start.

    On the same boot the time that passed is known exactly; after a reboot the wall clock is believed if it has plainly
    been set and lies ahead. Engine time never goes back.
    """
    start = journal.newest_start() if journal is not None else None
    newest = journal.newest_time() if journal is not None else None
    if start is None or newest is None:
        return None
    if boot and boot == start.boot:
        return max(newest, start.time + boot_seconds - start.boot_seconds)
    return max(newest, wall) if wall >= PLAUSIBLE_SINCE else newest


def away_is_known(journal: Journal | None, boot: str, boot_seconds: float, wall: float) -> bool:
    """`engine_time_at_start` counts all the time since the stop: by the boot clock on the same boot, by the wall clock after a
    reboot. Not where a clock was lost or set back, so that the stop seems to have lasted no time at all."""
    start = journal.newest_start() if journal is not None else None
    newest = journal.newest_time() if journal is not None else None
    if start is None or newest is None:
        return True
    if boot and boot == start.boot:
        return start.time + boot_seconds - start.boot_seconds >= newest - ROUNDED
    return wall >= max(PLAUSIBLE_SINCE, newest)
