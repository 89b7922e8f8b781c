"""Tidying loses nothing that belongs to a cook: the same inputs, the same events, the same kept cook, fewer bytes."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
import zlib
from contextlib import closing
from math import isnan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.loader import load_both
from daemon.commands.replay import replay_journal
from daemon.core.engine import Engine
from daemon.core.forecast.ahead import wrapped_at
from daemon.core.inputs import ForecastArrived, Input, Readings
from daemon.core.orders import Mark, MarkKind
from daemon.core.outlook import Goal as ForecastGoal
from daemon.core.outlook import Interval, Outlook
from daemon.shell.journal.journal import Journal
from daemon.shell.journal.packed_inputs import BUNDLE, READINGS, bundle, inputs_of, packs_in, placed_in
from daemon.shell.journal.reading_pack import PackDamaged, merged, pack, unpack
from daemon.shell.library.compaction import IDLE_KEPT, compact
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.records import CookRecords
from daemon.shell.resume import restored
from daemon.shell.wording import input_to_json
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading, on_grid
from tests.shell.any_readings import readings, times
from tests.shell.kept_cooks import ASKED_WRAP, FIRST, SECOND, SHORT, make_journal
from tests.texts.english import events_in_words


def columns_of(journal: Path, query: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(journal)) as db:
        return db.execute(query).fetchall()


def inputs_in(journal: Path) -> list[tuple[float, Input]]:
    with closing(Journal(journal)) as opened:
        return list(opened.inputs())


def same(one: KeptCook, other: KeptCook) -> bool:
    """NaN equals NaN here."""

    def plain(kept: KeptCook) -> dict[str, object]:
        series = {c: [None if isnan(v) else v for v in values] for c, values in kept.series.items()}
        return {**{f.name: getattr(kept, f.name) for f in dataclasses.fields(kept)}, "series": series}

    return plain(one) == plain(other)


def test_a_tidied_journal_gives_back_every_input_and_every_kept_cook(tmp_path: Path) -> None:
    journal = make_journal(tmp_path)
    inputs = inputs_in(journal)
    kept = [CookRecords(journal).kept(cook) for cook in (FIRST, SECOND)]
    ((before,),) = columns_of(journal, "SELECT SUM(LENGTH(body)) FROM inputs")
    ((told,),) = columns_of(journal, "SELECT SUM(LENGTH(body)) FROM events WHERE name = 'forecast'")
    compact(journal)
    assert inputs_in(journal) == inputs
    for cook in kept:
        assert same(CookRecords(journal).kept(cook.id), cook)
        assert any(e["outlooks"] for e in cook.events if e["event"] == "forecast"), "else nothing was at stake"
    ((after,),) = columns_of(journal, "SELECT SUM(LENGTH(body)) FROM inputs")
    assert after < before / 3
    ((short,),) = columns_of(journal, "SELECT SUM(LENGTH(body)) FROM events WHERE name = 'forecast'")
    assert short < told / 10


def test_a_replay_of_a_tidied_journal_says_exactly_the_same(tmp_path: Path) -> None:
    journal = make_journal(tmp_path, SHORT)

    def events() -> str:
        out = tmp_path / "events.jsonl"
        with closing(Journal(journal)) as opened, out.open("w") as file:
            replay_journal(opened, tmp_path / "rig.toml", tmp_path / "cook.toml", file)
        return out.read_text()

    before = events()
    kept = (json.loads(str(body)) for (body,) in columns_of(journal, "SELECT body FROM events ORDER BY seq"))
    ((offset,),) = columns_of(journal, "SELECT DISTINCT wall_offset FROM events")
    live = events_in_words(kept, tmp_path / "rig.toml", float(str(offset)))
    assert [json.loads(line) for line in before.splitlines()] == live
    assert wrapped_at(ASKED_WRAP) in before, "what the cook asked is in it"
    compact(journal)
    assert events() == before


def test_tidying_again_changes_nothing_and_the_tail_is_left_to_a_restart(tmp_path: Path) -> None:
    journal = make_journal(tmp_path, SHORT)
    compact(journal)
    everything = "SELECT seq, time, kind, body FROM inputs"
    once = columns_of(journal, everything)
    compact(journal)
    assert columns_of(journal, everything) == once
    ((oldest,),) = columns_of(journal, "SELECT MIN(input) FROM checkpoints")
    kinds = {kind for seq, _, kind, _ in once if int(str(seq)) > int(str(oldest))}
    assert BUNDLE not in kinds and READINGS in kinds


def test_a_restart_comes_back_to_the_same_state_from_a_tidied_journal(tmp_path: Path) -> None:
    journal = make_journal(tmp_path, SHORT)
    settings = watch_settings(*load_both(tmp_path / "rig.toml", tmp_path / "cook.toml"))

    def state() -> dict[str, Any]:
        with closing(Journal(journal)) as opened:
            return restored(lambda: Engine(settings), opened).dump()

    before = state()
    compact(journal)
    assert state() == before
    with closing(sqlite3.connect(journal)) as db, db:
        db.execute("UPDATE checkpoints SET body = ?", (zlib.compress(b"{}"),))  # of a version nobody knows
    again = state()
    assert again["pieces"].keys() == before["pieces"].keys(), "then the last day is heard again, out of bundles"
    assert again["pit_stage"]["stage"] == before["pit_stage"]["stage"]


def test_without_a_checkpoint_nothing_is_touched(tmp_path: Path) -> None:
    journal = make_journal(tmp_path, SHORT)
    with closing(sqlite3.connect(journal)) as db, db:
        db.execute("DELETE FROM checkpoints")
    before = columns_of(journal, "SELECT * FROM inputs")
    compact(journal)
    assert columns_of(journal, "SELECT * FROM inputs") == before


def reading(time: float, celsius: float) -> Readings:
    return Readings((Reading("pit-left", on_grid(celsius), time),))


def test_readings_outside_any_cook_go_after_two_weeks_and_nothing_else_does(tmp_path: Path) -> None:
    """Days 0-3 idle, day 5 a cook that was ended, day 30 a cook nobody ended, then a month of nothing."""
    day = 86400.0
    with closing(Journal(tmp_path / "j.sqlite")) as journal:

        def cook(id_: str, started: float, ended: float | None) -> None:
            row = (id_, id_, id_, "pit", started, ended, 0.0, "{}", "[]", 1)
            journal.change(
                "INSERT INTO kept_cooks (id, cook, name, pit, started, ended, wall_offset, settings, channels, "
                "first_input) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", row)  # fmt: skip

        cook("ended", 5 * day, 5.5 * day)
        cook("left", 30 * day, None)
        for number in range(60 * 4):
            time = number * day / 4
            journal.take_input(reading(time, 20.0 + number), time)
            journal.commit(time)
            if time == 31 * day:
                journal.take_event(time, 0.0, "mark", "left", {"event": "mark"})
        journal.take_input(Mark(MarkKind.LOG), 60 * day)
        journal.take_checkpoint(60 * day, {})
        journal.commit(60 * day)
    compact(tmp_path / "j.sqlite")
    times = [now for now, item in inputs_in(tmp_path / "j.sqlite") if isinstance(item, Readings)]
    expected = [
        t
        for n in range(240)
        if 5 * day <= (t := n * day / 4) <= 5.5 * day or 30 * day <= t <= 32 * day or t >= 60 * day - IDLE_KEPT
    ]
    assert times == expected
    assert any(isinstance(item, Mark) for _, item in inputs_in(tmp_path / "j.sqlite"))


# --- packs and bundles -----------------------------------------------------------------------------------

batches = st.lists(st.tuples(times, st.lists(readings, max_size=6).map(lambda r: Readings(tuple(r)))), max_size=8)
forecasts = st.builds(
    ForecastArrived,
    piece=st.sampled_from(["chuck", "lamm-schulter-ä"]),
    asked_at=times,
    outlooks=st.just((Outlook(ForecastGoal.TENDER, "planned", Interval(1.5, 2.5, 1e9)),)),
)
rows = st.lists(st.one_of(batches, st.tuples(times, forecasts)), min_size=1, max_size=6)


@given(st.lists(batches, min_size=1, max_size=5))
def test_packs_joined_are_the_same_readings(packs: list[list[tuple[float, Readings]]]) -> None:
    assert list(unpack(merged(map(pack, packs)))) == [batch for one in packs for batch in one]


@given(rows)
def test_a_bundle_gives_back_every_input_in_its_place(
    runs: list[list[tuple[float, Readings]] | tuple[float, ForecastArrived]],
) -> None:
    stored: list[tuple[float, str, bytes]] = []
    expected: list[tuple[float, Input]] = []
    for run in runs:
        if isinstance(run, tuple):
            expected.append(run)
            stored.append((run[0], *input_to_json(run[1])))
        else:
            expected += run
            stored.append((run[0][0] if run else 0.0, READINGS, pack(run)))
    assert list(inputs_of(0.0, BUNDLE, bundle(stored))) == expected


@given(st.binary(max_size=200))
def test_a_damaged_bundle_is_passed_over(body: bytes) -> None:
    assert list(inputs_of(0.0, BUNDLE, body)) == []
    with pytest.raises(PackDamaged):
        placed_in(body)
    for one in packs_in([(0.0, BUNDLE, body)]):
        with pytest.raises(PackDamaged):
            list(unpack(one))


def test_two_noisy_hours_tidied_cost_less_than_a_byte_a_reading() -> None:
    """In the finest steps a reading can hold, with noise of half a degree in the pit and 0.15 °C in meat."""
    rng, minutes, readings = np.random.default_rng(11), [], 0
    noise = [0.5, 0.5, 0.5, 0.15, 0.15, 0.15, 0.2, 0.2]
    for minute in range(120):
        lines = []
        for second in range(60):
            now = round(1_795_867_200 + 60 * minute + second + abs(rng.normal(0, 0.004)), 3)
            values = [on_grid(120 + 8 * np.sin(minute / 20 + i) + rng.normal(0, s)) for i, s in enumerate(noise)]
            lines.append((now, Readings(tuple(Reading(f"c{i}", v, now) for i, v in enumerate(values)))))
            readings += len(noise)
        minutes.append((lines[0][0], READINGS, pack(lines)))
    assert len(bundle(minutes)) < readings < sum(len(body) for _, _, body in minutes)
