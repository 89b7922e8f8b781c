"""Many boards at once while the database is killed at random again and again, and a bridge while the centre's broker is: minutes.

sh deploy/soak.sh tests/system/fleet/test_killed.py
"""

from __future__ import annotations

import shutil
import threading
import time
from contextlib import ExitStack
from pathlib import Path
from random import Random

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daemon.commands.fleet.ship import where
from daemon.shell.fleet.shipper import EVERY, Shipper
from tests.ports import free_port
from tests.shell.kept_cooks import make_journal
from tests.system.fleet.conftest import HOST, SCRIPT, Database
from tests.system.fleet.test_broker import Client, broker, tried, until
from tests.system.fleet.test_ship import arrived, numbers_in

SEED = 20261128
BOARDS = 10
KILLED_FOR = 180.0
"""s for which the database is killed at random, at least."""
UP, DOWN = (0.5, 6.0), (0.0, 4.0)
"""s for which it is up, and down."""
PATIENCE = 900.0
BROKER_UP = (6.0, 12.0)
"""s for which the broker is up: it has written down by then who reads."""
HELD = 300
"""Messages for a reader that is away."""
AUTOSAVE = 5.0
"""s of what it took that a killed broker may have forgotten: `autosave_interval` of centre.sh."""


@pytest.mark.soak
def test_ten_boards_at_once_while_the_database_is_killed_at_random(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.shell.fleet.past.EVENTS_AT_ONCE", 5)
    monkeypatch.setattr("daemon.shell.fleet.past.BLOCKS_AT_ONCE", 1)
    journal = make_journal(tmp_path)
    pits = [f"soak-{n}" for n in range(BOARDS)]
    sections = {pit: database.add(pit, tmp_path / pit) for pit in pits}
    ended, killing = {pit: threading.Event() for pit in pits}, threading.Event()
    killing.set()
    random, failures = Random(SEED), list[BaseException]()

    def ship(pit: str) -> None:
        own = Random(pit)

        def wait(seconds: float) -> bool:
            time.sleep(min(seconds, own.uniform(0.02, 0.3)))
            return not killing.is_set() and seconds == EVERY  # idle, and the killing is over

        try:
            Shipper(journal, where(sections[pit]), pit, wait, own).run()
        except BaseException as error:
            failures.append(error)
        ended[pit].set()

    threads = [threading.Thread(target=ship, args=(pit,)) for pit in pits]
    for thread in threads:
        thread.start()
    kills, began = 0, time.monotonic()
    while time.monotonic() - began < KILLED_FOR:
        time.sleep(random.uniform(*UP))
        database.stop("immediate")
        kills += 1
        time.sleep(random.uniform(*DOWN))
        database.start()
    killing.clear()
    for pit in pits:
        assert ended[pit].wait(PATIENCE), f"{pit} never came to rest"
    assert not failures
    print(f"{kills} kills in {time.monotonic() - began:.0f} s, {BOARDS} boards")
    told = [arrived(database, pit) for pit in pits]
    for events, blocks in told:
        assert sorted(set(events)) == events == sorted(numbers_in(journal))
        assert len(set(blocks)) == len(blocks) == len(told[0][1])


@pytest.mark.soak
@pytest.mark.skipif(shutil.which("mosquitto") is None, reason="needs mosquitto")
def test_a_bridge_while_the_broker_is_killed_at_random(database: Database, tmp_path: Path) -> None:
    """The pit's own broker holds what the centre's did not take, so nothing is lost but what the killed one had taken in its last
    seconds and not yet handed on. QoS 1 is at least once (MQTT 5.0, 4.3.2): a number may come twice, and is counted."""
    pit = database.add("pit-bridged", tmp_path / "keys")
    database.call("sh", SCRIPT, "reader", database.fleet, "hall")
    crew = tmp_path / "crew"
    crew.mkdir()
    for name, end in (("crt", "issued/hall.crt"), ("key", "private/hall.key")):
        shutil.copy(database.fleet / "pki" / end, crew / f"pit.{name}")
    port, edge = free_port(), free_port()
    for home in ("central", "edge"):
        (tmp_path / home).mkdir()
    made = (database.fleet / "mosquitto.conf").read_text().replace("listener 8883", f"listener {port} localhost")
    made += f"persistence_location {tmp_path}/central/\n"
    bridge = (Path(pit.keys) / "bridge.conf").read_text().replace("restart_timeout 5 60", "restart_timeout 1 2")
    bridge = bridge.replace("/etc/pitvigil/fleet", pit.keys).replace(f"{HOST}:8883", f"{HOST}:{port}")
    random, sent, killed = Random(SEED), list[float](), list[float]()
    local = paho.Client(CallbackAPIVersion.VERSION2)

    def say() -> None:
        local.publish(f"homie/5/pit/n/{len(sent)}", "x", 1).wait_for_publish(PATIENCE)
        sent.append(time.monotonic())

    edge_conf = f"listener {edge} localhost\nallow_anonymous true\nmax_queued_messages 10000\n{bridge}"
    with broker(tmp_path / "edge", edge_conf), ExitStack() as open_:
        until(lambda: tried(lambda: local.connect(HOST, edge)))
        local.loop_start()
        open_.callback(local.loop_stop)
        reader: Client | None = None
        began = time.monotonic()
        while not killed or time.monotonic() - began < KILLED_FOR / 2:
            with broker(tmp_path / "central", made) as process:
                if reader is None:
                    reader = open_.enter_context(Client(port, database.fleet, crew))
                    reader.hear("fleet/#")
                up = time.monotonic() + random.uniform(*BROKER_UP)
                while time.monotonic() < up:
                    say()
                    time.sleep(0.05)
                process.kill()
                process.wait()
                killed.append(time.monotonic())
            for _ in range(random.randint(5, 60)):
                say()
        assert reader is not None
        topic = f"fleet/pit-bridged/homie/5/pit/n/{len(sent) - 1}"
        with broker(tmp_path / "central", made):
            until(lambda: topic in {t for t, _ in reader.got})
            got = [int(topic.rpartition("/")[2]) for topic, _ in reader.got]
    lost = set(range(len(sent))) - set(got)
    print(f"{len(killed)} kills, {len(sent)} messages, {len(lost)} lost, {len(got) - len(set(got))} came twice")
    for number in lost:
        assert any(down - AUTOSAVE <= sent[number] <= down for down in killed), "the centre's broker had not taken it"


@pytest.mark.soak
@pytest.mark.skipif(shutil.which("mosquitto") is None, reason="needs mosquitto")
def test_a_killed_broker_still_holds_what_came_for_a_reader_that_was_away(database: Database, tmp_path: Path) -> None:
    """With centre.sh's `autosave_interval`; without the line it is half an hour (mosquitto.conf(5))."""
    pit = database.add("pit-held", tmp_path / "keys")
    database.call("sh", SCRIPT, "reader", database.fleet, "kitchen")
    crew, home, port = tmp_path / "crew", tmp_path / "central", free_port()
    for made in (crew, home):
        made.mkdir()
    for name, end in (("crt", "issued/kitchen.crt"), ("key", "private/kitchen.key")):
        shutil.copy(database.fleet / "pki" / end, crew / f"pit.{name}")
    settings = (database.fleet / "mosquitto.conf").read_text().replace("listener 8883", f"listener {port} localhost")
    settings += f"persistence_location {home}/\n"
    file = home / "mosquitto.db"

    def saved(after: float) -> float:
        """When the broker has next written down what it holds."""
        until(lambda: file.exists() and file.stat().st_mtime > after)
        return file.stat().st_mtime

    with broker(home, settings) as process:
        with Client(port, database.fleet, crew) as reader:
            reader.hear("fleet/#")
        with Client(port, database.fleet, Path(pit.keys)) as writer:
            for number in range(HELD):
                writer.say(f"fleet/pit-held/homie/n/{number}", "x")
        saved(saved(time.time()))  # one that was under way may not have all of it
        process.kill()
        process.wait()
    with broker(home, settings), Client(port, database.fleet, crew) as reader:
        until(lambda: len({topic for topic, _ in reader.got}) == HELD)
