"""Who may speak on a real mosquitto: passwords, the shipped access list, certificates."""

from __future__ import annotations

import asyncio
import json
import ssl
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from config.rig import Rig
from daemon.core.orders import Acknowledge, Mark, MarkKind
from daemon.core.snapshot import Snapshot
from daemon.shell.hub.link_settings import BrokerSettings, tls_context
from tests.ports import free_ports
from tests.shell.hub.hub_scenario import NIGHT, alarm
from tests.system.hub.mqtt_broker import MAKE_BROKER, NEEDS_MOSQUITTO, Ear, PrivateBroker, as_us
from tests.system.hub.mqtt_watch import ALARMS, BASE, at, watching

pytestmark = [pytest.mark.usefixtures("quick"), NEEDS_MOSQUITTO]

# --- who may ------------------------------------------------------------------------------------------------


@dataclass
class Made:
    """What deploy/hub/make-broker.sh made."""

    directory: Path
    tls_port: int
    local_port: int

    def password(self, user: str) -> str:
        return (self.directory / f"{user}.password").read_text().strip()

    @property
    def ca(self) -> Path:
        return self.directory / "ca.crt"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Made]:
    directory = tmp_path_factory.mktemp("made") / "broker"
    tls_port, local_port = free_ports(2)
    subprocess.run(
        [MAKE_BROKER, directory, "localhost", "pit", str(tls_port), str(local_port)], check=True, capture_output=True
    )
    file = directory / "mosquitto.conf"
    file.write_text(as_us() + file.read_text())
    private = PrivateBroker(file, tls_port)
    asyncio.run(private.start())
    yield Made(directory, tls_port, local_port)
    private.stop()


def test_secrets_of_the_made_broker_are_private(made: Made) -> None:
    for name in ("ca.key", "server.key", "pitvigil.password", "hub.password", "viewer.password", "passwords"):
        assert (made.directory / name).stat().st_mode & 0o077 == 0, name
    assert made.password("hub") not in (made.directory / "passwords").read_text()
    assert made.password("hub") != made.password("pitvigil")


async def test_the_made_broker_end_to_end(evening: tuple[Rig, Snapshot], made: Made) -> None:
    """TLS, password and access list as shipped: the watch tells, the hub hears and orders, a viewer orders in vain."""
    settings = BrokerSettings(
        "localhost", made.tls_port, "pitvigil-pit", "pitvigil", made.password("pitvigil"),
        tls_context(str(made.ca), None, None),
    )  # fmt: skip
    assert made.password("pitvigil") not in repr(settings)
    hub = Ear(made.local_port, ("#",), "hub", made.password("hub"))
    viewer = Ear(made.local_port, ("#",), "viewer", made.password("viewer"))
    async with watching(evening, settings) as watch, hub, viewer:
        watch.tell(watch.read(121.0), alarm(1, NIGHT))
        await hub.hears(f"{BASE}/channel-pit-left/temperature", "121.0")
        await hub.hears("homeassistant/device/pitvigil_pit/config")
        await hub.hears(ALARMS)
        assert await watch.feed.link.deliver("pitvigil/pit/announce/bedroom", "{}") == ""
        viewer.say(f"{BASE}/watch/acknowledge/set", "*")
        await viewer.hears(f"{BASE}/channel-pit-left/temperature", "121.0")
        hub.say(f"{BASE}/pit/mark/set", "log")
        await watch.until(lambda: Mark(MarkKind.LOG, None, "hub") in watch.posted)
        assert not [item for item in watch.posted if isinstance(item, Acknowledge)]
        piece = evening[1].pieces[0].id
        await hub.hears(f"homeassistant/device/pitvigil_pit/piece-{piece}/config")
        soon = (datetime.now(UTC) + timedelta(seconds=60)).isoformat()
        for number, user in enumerate(("ann", "hub")):  # in another's name in vain, in its own not
            body = {"command": "acknowledge", "alarm": "*", "id": f"o{number}", "expires": soon}
            hub.say(f"pitvigil/pit/orders/{user}", json.dumps(body))
        await hub.hears("pitvigil/pit/answers/hub")
        assert not hub.of("pitvigil/pit/answers/ann")
        assert [item for item in watch.posted if isinstance(item, Acknowledge)] == [Acknowledge("*", "hub")]
        assert {ok for ok, _ in watch.health} == {True}


@pytest.mark.parametrize("password", ["wrong", None])
async def test_a_wrong_password(evening: tuple[Rig, Snapshot], made: Made, password: str | None) -> None:
    settings = at(made.local_port, user="pitvigil" if password else None, password=password)
    async with watching(evening, settings) as watch:
        await watch.until(lambda: bool(watch.health))
        await asyncio.sleep(0.3)
        assert watch.health == [(False, "the broker refuses us: Not authorized")]


async def test_a_denied_topic_is_seen_and_reported_once(evening: tuple[Rig, Snapshot], made: Made) -> None:
    """MQTT 5.0, 3.4.2.1: PUBACK with reason code 135, Not authorized."""
    settings = at(made.local_port, user="viewer", password=made.password("viewer"))
    async with watching(evening, settings) as watch:
        watch.tell(watch.read(121.0), alarm(1, NIGHT))
        await watch.until(lambda: len(watch.health) == 1)
        assert "did not take it" in await watch.feed.link.deliver("pitvigil/pit/announce/bedroom", "{}")
        watch.tell(watch.read(122.0), alarm(2, NIGHT))
        await watch.until(lambda: watch.feed.link.waiting == 0)
        assert watch.health == [(False, f"not allowed to publish to {BASE}/$state")]


# --- TLS ----------------------------------------------------------------------------------------------------


Signer = tuple[x509.Certificate, ec.EllipticCurvePrivateKey]


def certificate(
    directory: Path, name: str, host: str, days: tuple[int, int], signer: Signer | None, authority: bool = False
) -> Signer:
    """A certificate for `host`, valid from days[0] to days[1] from now; self-signed without a signer."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, host)])
    now = datetime.now(UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(signer[0].subject if signer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + timedelta(days=days[0]))
        .not_valid_after(now + timedelta(days=days[1]))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(host)]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    if signer is not None:
        builder = builder.add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signer[1].public_key()), critical=False
        )
    if authority:
        usage = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
        builder = builder.add_extension(usage, critical=True)
    cert = builder.sign(signer[1] if signer else key, hashes.SHA256())
    (directory / f"{name}.crt").write_bytes(cert.public_bytes(serialization.Encoding.PEM))
    (directory / f"{name}.key").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return cert, key


REFUSED = {
    "expired": "certificate has expired",
    "wrong-host": "Hostname mismatch",
    "self-signed": "self-signed certificate",
    "unknown-authority": "unable to get local issuer certificate",
}


@pytest.fixture(scope="module")
def tls_ports(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, dict[str, int]]]:
    """One mosquitto with a listener for each kind of certificate, and the CA file the watch trusts."""
    directory = tmp_path_factory.mktemp("tls")
    ours = certificate(directory, "ca", "our authority", (-2, 30), None, authority=True)
    theirs = certificate(directory, "other-ca", "another authority", (-2, 30), None, authority=True)
    certificate(directory, "good", "localhost", (-1, 10), ours)
    certificate(directory, "expired", "localhost", (-20, -1), ours)
    certificate(directory, "wrong-host", "elsewhere.example", (-1, 10), ours)
    certificate(directory, "self-signed", "localhost", (-1, 10), None)
    certificate(directory, "unknown-authority", "localhost", (-1, 10), theirs)
    certificate(directory, "mutual", "localhost", (-1, 10), ours)
    certificate(directory, "watch", "pitvigil", (-1, 10), ours)
    names = ["good", "mutual", *REFUSED]
    ports = dict(zip(names, free_ports(len(names)), strict=True))
    lines = [as_us() + "allow_anonymous true"]
    for name, port in ports.items():
        lines += [f"listener {port} 127.0.0.1", f"certfile {directory}/{name}.crt", f"keyfile {directory}/{name}.key"]
        if name == "mutual":
            lines += [f"cafile {directory}/ca.crt", "require_certificate true"]
    file = directory / "mosquitto.conf"
    file.write_text("\n".join(lines) + "\n")
    private = PrivateBroker(file, ports[names[-1]])
    asyncio.run(private.start())
    yield directory / "ca.crt", ports
    private.stop()


# The MQTT library leaves the socket of a refused certificate to the garbage collector, which closes it at once.
@pytest.mark.filterwarnings("ignore:.*unclosed <ssl.SSLSocket:ResourceWarning")
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("kind", REFUSED)
async def test_a_certificate_that_must_be_refused(
    evening: tuple[Rig, Snapshot], tls_ports: tuple[Path, dict[str, int]], kind: str
) -> None:
    ca, ports = tls_ports
    settings = BrokerSettings("localhost", ports[kind], "pitvigil-pit", tls=tls_context(str(ca), None, None))
    async with watching(evening, settings) as watch:
        await watch.until(lambda: bool(watch.health))
        assert watch.health[0][0] is False
        assert "its certificate is refused" in watch.health[0][1] and REFUSED[kind] in watch.health[0][1]
        assert not watch.feed.link.connected


async def test_a_certificate_that_is_right(
    evening: tuple[Rig, Snapshot], tls_ports: tuple[Path, dict[str, int]]
) -> None:
    ca, ports = tls_ports
    context = tls_context(str(ca), None, None)
    assert context.verify_mode is ssl.CERT_REQUIRED and context.check_hostname
    async with watching(evening, BrokerSettings("localhost", ports["good"], "pitvigil-pit", tls=context)) as watch:
        await watch.until(lambda: watch.health == [(True, "")])


async def test_a_watch_that_shows_a_certificate_of_its_own(
    evening: tuple[Rig, Snapshot], tls_ports: tuple[Path, dict[str, int]]
) -> None:
    ca, ports = tls_ports
    without = BrokerSettings("localhost", ports["mutual"], "pitvigil-pit", tls=tls_context(str(ca), None, None))
    async with watching(evening, without) as watch:
        await watch.until(lambda: bool(watch.health))
        assert watch.health[0][0] is False
    own = tls_context(str(ca), str(ca.parent / "watch.crt"), str(ca.parent / "watch.key"))
    async with watching(evening, replace(without, tls=own)) as watch:
        await watch.until(lambda: watch.health == [(True, "")])
