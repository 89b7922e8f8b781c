"""At least once, in the end, by some way; a backlog is one message; a crash repeats at most one send."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.core.events import Level, Notification
from daemon.core.inputs import Delivered, Health, Input
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal
from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.shell.notify.outbox import Outbox
from tests.texts.english import in_english


class Receiver:
    """A delivery channel that answers as told."""

    def __init__(self, name: str, answers: list[Exception | None]) -> None:
        self.name, self.answers = name, answers
        self.got: list[Message] = []

    async def send(self, message: Message) -> None:
        answer = self.answers.pop(0) if self.answers else None
        if answer is not None:
            raise answer
        self.got.append(message)

    async def close(self) -> None:
        return None


def notification(number: int, alarm: str = "pit-falling/pit", not_after: float = 1e9) -> Notification:
    return Notification(
        0.0, f"{alarm}#{number}.0", Level.WAKE, alarm, number, 0, "Add 1-2 splits", ("phone",), not_after
    )


class Bench:
    def __init__(self, tmp_path: Path, receiver: Receiver) -> None:
        self.clock, self.posted = ManualClock(1000.0), list[Input]()
        self.journal = Journal(tmp_path / "j.sqlite")
        self.outbox = Outbox(
            {receiver.name: receiver}, {"phone": (receiver.name,)}, self.journal, self.clock, self.posted.append,
            "The pit", time_scale=1e6, words=lambda message: self.words,
        )  # fmt: skip
        self.words: str | None = None

    def take(self, *notifications: Notification) -> None:
        rows = [r for n in notifications for r in self.outbox.rows(n, self.clock.now())]
        for row in rows:
            self.journal.outbox.add(row)
        self.journal.commit(self.clock.now())
        self.outbox.committed(rows)

    async def until(self, done: Callable[[], bool], step: float = 0.1) -> None:
        task = asyncio.create_task(self.outbox.run())
        try:
            for _ in range(5000):
                if done():
                    return
                self.clock.time += step
                await asyncio.sleep(0.002)
            pytest.fail("it never came to that")
        finally:
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task

    def state(self) -> list[str]:
        return [
            r.state
            for r in self.journal.outbox.in_state("waiting", "sending", "sent", "failed", "expired", "collapsed")
        ]


async def test_a_temporary_failure_is_tried_again_and_falls_over_within_30_s(tmp_path: Path) -> None:
    receiver = Receiver("bell", [TemporaryFailure("busy")] * 4)
    bench = Bench(tmp_path, receiver)
    bench.take(notification(1))
    fell_over_at: list[float] = []

    def sent() -> bool:
        if not fell_over_at and any(isinstance(p, Delivered) and p.outcome == "failed" for p in bench.posted):
            fell_over_at.append(bench.clock.now() - 1000.0)
        return bool(receiver.got)

    await bench.until(sent)
    assert fell_over_at and fell_over_at[0] <= 30.0
    assert [m.id for m in receiver.got] == ["pit-falling/pit#1.0"]
    healths = [p.ok for p in bench.posted if isinstance(p, Health)]
    assert healths[0] is False and healths.count(False) == 1, "a repeated failure is said once"


async def test_a_channel_that_stalls_falls_over_before_a_second_attempt_would_end_too_late(tmp_path: Path) -> None:
    receiver = Receiver("bell", [])
    bench = Bench(tmp_path, receiver)

    async def stall(message: Message) -> None:
        bench.clock.time += 14.0
        raise TemporaryFailure("no answer in time")

    receiver.send = stall  # type: ignore[method-assign]
    bench.take(notification(1))
    await bench.until(lambda: any(isinstance(p, Delivered) and p.outcome == "failed" for p in bench.posted), step=0.0)
    assert bench.clock.now() - 1000.0 == 14.0


async def test_a_permanent_failure_is_not_tried_again(tmp_path: Path) -> None:
    receiver = Receiver("bell", [PermanentFailure("bad password")])
    bench = Bench(tmp_path, receiver)
    bench.take(notification(1))
    await bench.until(lambda: any(isinstance(p, Delivered) for p in bench.posted))
    assert bench.state() == ["failed"] and not receiver.got


async def test_what_is_too_late_is_not_sent(tmp_path: Path) -> None:
    receiver = Receiver("bell", [])
    bench = Bench(tmp_path, receiver)
    bench.take(notification(1, not_after=999.0))
    await bench.until(lambda: any(isinstance(p, Delivered) for p in bench.posted))
    assert bench.state() == ["expired"] and not receiver.got


async def test_a_backlog_becomes_one_current_message(tmp_path: Path) -> None:
    receiver = Receiver("bell", [TemporaryFailure("away")])
    bench = Bench(tmp_path, receiver)
    bench.take(notification(1), notification(2), notification(3))
    await bench.until(lambda: bool(receiver.got) and "waiting" not in bench.state())
    assert [m.id for m in receiver.got] == ["pit-falling/pit#3.0"]
    assert sorted(bench.state()) == ["collapsed", "collapsed", "sent"]


async def test_what_could_not_be_sent_at_first_says_what_is_known_when_it_is(tmp_path: Path) -> None:
    receiver = Receiver("bell", [TemporaryFailure("away")])
    bench = Bench(tmp_path, receiver)
    bench.words = "Add 1-2 splits: Pit 101 °C"
    bench.take(notification(1))
    await bench.until(lambda: "sent" in bench.state())
    assert [m.text for m in receiver.got] == ["Add 1-2 splits: Pit 101 °C"]
    assert "101" in bench.journal.outbox.in_state("sent")[0].body, "the record says what was sent"


async def test_nobody_is_told_late_of_what_was_answered_or_has_gone(tmp_path: Path) -> None:
    receiver = Receiver("bell", [TemporaryFailure("away")])
    bench = Bench(tmp_path, receiver)
    bench.words = ""
    bench.take(notification(1))
    await bench.until(lambda: "expired" in bench.state())
    assert not receiver.got and bench.journal.outbox.in_state("expired")[0].body


async def test_what_may_have_arrived_before_a_crash_is_repeated_word_for_word(tmp_path: Path) -> None:
    receiver = Receiver("bell", [])
    bench = Bench(tmp_path, receiver)
    bench.words = "other words"
    for row in bench.outbox.rows(notification(1), 1000.0):
        bench.journal.outbox.add(replace(row, state="sending", attempts=1))
    bench.journal.commit(1000.0)
    bench.outbox.resume()
    await bench.until(lambda: "sent" in bench.state())
    assert [m.text for m in receiver.got] == ["Add 1-2 splits"]


async def test_a_restart_takes_up_what_was_unsent_and_the_same_id_is_stored_once(tmp_path: Path) -> None:
    receiver = Receiver("bell", [])
    bench = Bench(tmp_path, receiver)
    for row in bench.outbox.rows(notification(1), 1000.0) * 2:
        bench.journal.outbox.add(row)
    bench.journal.commit(1000.0)
    bench.journal.close()
    again = Bench(tmp_path, receiver)
    again.outbox.resume()
    await again.until(lambda: "sent" in again.state())
    assert [m.id for m in receiver.got] == ["pit-falling/pit#1.0"]


async def test_a_channel_is_as_well_as_what_carries_it_and_no_message_is_needed_to_find_that_out(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path, Receiver("bell", []))

    def health() -> list[tuple[bool, str]]:
        return [(item.ok, in_english(item.detail)) for item in bench.posted if isinstance(item, Health)]

    bench.outbox.carried(["bell", "another"], True, "")
    assert health() == []
    bench.outbox.carried(["bell", "another"], False, "refused")
    assert health() == [(False, "refused")] and bench.outbox.unreachable(["bell"])
    bench.take(notification(1))
    await bench.until(lambda: "sent" in bench.state())
    assert health() == [(False, "refused")], "one message got through a broker that comes and goes"
    bench.outbox.carried(["bell"], True, "")
    assert health()[1:] == [(True, "")] and not bench.outbox.unreachable(["bell"])


async def test_what_failed_by_itself_is_well_by_a_message_alone_also_in_the_next_life(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Receiver("bell", []))
    bench.outbox.resume(["bell"])
    for works in (False, True):
        bench.outbox.carried(["bell"], works, "refused")
    assert bench.outbox.unreachable(["bell"])
    bench.take(notification(1))
    await bench.until(lambda: "sent" in bench.state())
    assert [item.ok for item in bench.posted if isinstance(item, Health)] == [True]
