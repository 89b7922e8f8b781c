"""The broker's half on real mosquitto, as centre.sh configures it: bridges of two pits, and what one may do to the other."""

from __future__ import annotations

import datetime
import os
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from config.rig import FleetSection
from daemon.commands.fleet.ship import where
from daemon.shell.fleet.centre import CentreRefuses, connected
from tests.ports import free_port
from tests.system.fleet.conftest import HOST, PATIENCE, SCRIPT, Database

pytestmark = pytest.mark.skipif(shutil.which("mosquitto") is None, reason="needs mosquitto")

COUNT = 300


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.05)


@contextmanager
def broker(home: Path, settings: str) -> Iterator[subprocess.Popen[bytes]]:
    """A mosquitto of its own, as the user who runs the tests."""
    file = home / "mosquitto.conf"
    file.write_text(settings + (f"user {os.environ.get('USER', 'root')}\n" if os.geteuid() == 0 else ""))
    log = (home / "mosquitto.log").open("w")
    process = subprocess.Popen(["mosquitto", "-c", str(file)], stdout=log, stderr=log)
    try:
        yield process
    finally:
        process.terminate()
        process.wait(PATIENCE)
        log.close()


class Client:
    """One connection, with what it received. keys: directory with a pit's certificate, None = without one."""

    def __init__(self, port: int, fleet: Path, keys: Path | None) -> None:
        self.got: list[tuple[str, bytes]] = []
        self.granted: list[int] = []
        self._topics: list[str] = []
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="" if keys is None else str(keys), protocol=paho.MQTTv5
        )
        self._keys = keys
        context = ssl.create_default_context(cafile=str(fleet / "ca.crt"))
        if keys is not None:
            context.load_cert_chain(keys / "pit.crt", keys / "pit.key")
        self._client.tls_set_context(context)
        self._client.on_message = lambda _c, _u, one: self.got.append((one.topic, bytes(one.payload)))
        self._client.on_subscribe = lambda _c, _u, _m, codes, _p: self.granted.extend(code.value for code in codes)
        self._client.on_connect = self._connected
        self._port = port

    def __enter__(self) -> Client:
        lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        lasting.SessionExpiryInterval = 3600
        until(
            lambda: tried(
                lambda: self._client.connect(
                    HOST, self._port, keepalive=20, clean_start=self._keys is None, properties=lasting
                )
            )
        )
        self._client.loop_start()
        until(self._client.is_connected)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: paho.Client, *_: object) -> None:
        """A broker that was killed may have forgotten who reads."""
        for topic in self._topics:
            client.subscribe(topic, 1)

    def hear(self, topic: str) -> None:
        before = len(self.granted)
        self._topics.append(topic)
        self._client.subscribe(topic, 1)
        until(lambda: len(self.granted) > before)

    def say(self, topic: str, payload: str) -> None:
        """A broker acknowledges what it throws away, too: whether it arrived is seen at the receiver."""
        self._client.publish(topic, payload, 1).wait_for_publish(PATIENCE)


def expired(database: Database, section: FleetSection) -> FleetSection:
    """The same pit with a certificate of the same authority that ended yesterday."""
    home = Path(section.keys)
    authority = x509.load_pem_x509_certificate((database.fleet / "ca.crt").read_bytes())
    key = serialization.load_pem_private_key((database.fleet / "pki/private/ca.key").read_bytes(), None)
    own = x509.load_pem_x509_certificate((home / "pit.crt").read_bytes())
    now = datetime.datetime.now(datetime.UTC)
    made = x509.CertificateBuilder(
        authority.subject, own.subject, own.public_key(), x509.random_serial_number(),
        now - datetime.timedelta(days=9), now - datetime.timedelta(days=1), list(own.extensions),
    ).sign(key, hashes.SHA256())  # type: ignore[arg-type]  # fmt: skip
    aged = home.with_name("aged")
    shutil.copytree(home, aged)
    (aged / "pit.crt").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    return section.model_copy(update={"keys": str(aged)})


def test_bridges_certificates_and_what_one_pit_may_do_to_another(database: Database, tmp_path: Path) -> None:
    one, two, gone = (database.add(f"pit-{n}", tmp_path / n) for n in ("one", "two", "gone"))
    database.call("sh", SCRIPT, "reader", database.fleet, "hall")
    keys = {pit.pit: Path(pit.keys) for pit in (one, two, gone)}
    crew = tmp_path / "crew"
    crew.mkdir()
    for name, end in (("crt", "issued/hall.crt"), ("key", "private/hall.key")):
        shutil.copy(database.fleet / "pki" / end, crew / f"pit.{name}")
    aged = expired(database, two)
    central, edge = free_port(), free_port()
    (tmp_path / "central").mkdir()
    (tmp_path / "edge").mkdir()
    made = (database.fleet / "mosquitto.conf").read_text().replace("listener 8883", f"listener {central} localhost")
    bridge = (keys["pit-one"] / "bridge.conf").read_text()
    bridge = bridge.replace("/etc/pitvigil/fleet", str(keys["pit-one"])).replace(f"{HOST}:8883", f"{HOST}:{central}")
    stored = f"persistence_location {tmp_path}/central/\n"
    edge_conf = f"listener {edge} localhost\nallow_anonymous true\nmax_queued_messages 10000\n{bridge}"
    database.revoke("pit-gone")
    with broker(tmp_path / "central", made + stored), Client(central, database.fleet, crew) as reader:
        reader.hear("fleet/#")  # a session that outlives the centre's stop
    with broker(tmp_path / "edge", edge_conf):
        local = paho.Client(CallbackAPIVersion.VERSION2)
        until(lambda: tried(lambda: local.connect(HOST, edge)))
        local.loop_start()
        try:
            for number in range(COUNT):  # the centre is away: the pit's own broker keeps them
                local.publish(f"homie/5/pit/n/{number}", str(number), 1).wait_for_publish(PATIENCE)
            with broker(tmp_path / "central", made + stored):
                with Client(central, database.fleet, crew) as reader:
                    until(lambda: len({t for t, _ in reader.got if "/n/" in t}) == COUNT)
                    with Client(central, database.fleet, keys["pit-two"]) as other:
                        other.hear("fleet/#")
                        other.hear("#")
                        for topic in ("fleet/pit-one/homie/x", "fleet/pit-twox/x", "fleet/x", "x"):
                            other.say(topic, "forged")
                        other.say("fleet/pit-two/homie/x", "own")
                        until(lambda: ("fleet/pit-two/homie/x", b"own") in reader.got)
                        local.publish("homie/5/pit/late", "x", 1).wait_for_publish(PATIENCE)
                        until(lambda: any("late" in t for t, _ in reader.got))
                        assert not [t for t, p in reader.got if p == b"forged"]
                        assert not [t for t, _ in other.got if "pit-one" in t], "pit 2 reads pit 1"
                    heard = [t for t, _ in reader.got if t.startswith("fleet/pit-one/homie/5/pit/n/")]
                for bad in (None, keys["pit-gone"], Path(aged.keys)):
                    with pytest.raises((ssl.SSLError, ConnectionError, AssertionError)):
                        _refused(central, database.fleet, bad)
        finally:
            local.disconnect()
            local.loop_stop()
    print(f"{len(heard)} of {COUNT} kept by the pit's own broker, {len(set(heard))} different")

    for section, word in ((aged, "certificate has expired"), (gone, "certificate was revoked")):
        with pytest.raises(CentreRefuses, match=word), connected(where(section), section.pit) as centre:
            centre.cursor()
    renewed = database.renew("pit-two", tmp_path / "renewed")
    with connected(where(renewed), "pit-two") as centre:
        assert centre.cursor().event == 0
    with pytest.raises(CentreRefuses, match="certificate was revoked"), connected(where(two), "pit-two"):
        pass


def tried(action: Callable[[], object]) -> bool:
    """Whether the line was there."""
    with suppress(OSError):
        action()
        return True
    return False


def _refused(port: int, fleet: Path, keys: Path | None) -> None:
    """In TLS 1.3 a client hears of its refusal with the first bytes that it reads."""
    context = ssl.create_default_context(cafile=str(fleet / "ca.crt"))
    if keys is not None:
        context.load_cert_chain(keys / "pit.crt", keys / "pit.key")
    with (
        socket.create_connection((HOST, port), PATIENCE) as plain,
        context.wrap_socket(plain, server_hostname=HOST) as line,
    ):
        line.sendall(b"\x10\x11\x00\x04MQTT\x04\x02\x00\x3c\x00\x05abcde")
        assert line.recv(4), "shut without a word"
