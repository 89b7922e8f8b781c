"""Ports for what is started a moment later: never one that the system may lend to a client that tries it."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from daemon.commands.free_port import FROM, LENT, candidates, free_port
from tests.ports import free_ports


@pytest.mark.parametrize(
    ("said", "first_lent", "last_lent"),
    [("32768\t60999\n", 32768, 60999), ("1024 20000", FROM, 20000), (None, 32768, 65535), ("?", 32768, 65535)],
)
def test_lent_ports_are_left_alone(tmp_path: Path, said: str | None, first_lent: int, last_lent: int) -> None:
    lent = tmp_path / "range"
    if said is not None:
        lent.write_text(said)
    ports = candidates(lent)
    assert set(ports) == set(range(FROM, 65536)) - set(range(first_lent, last_lent + 1))


def test_where_all_are_lent_any_will_do(tmp_path: Path) -> None:
    lent = tmp_path / "range"
    lent.write_text("1024 65535")
    assert candidates(lent) == list(range(FROM, 65536))


@pytest.mark.skipif(not LENT.exists(), reason="Linux only")
def test_a_client_without_a_port_is_given_none_of_them() -> None:
    """ip-sysctl, ip_local_port_range: what the kernel gives to bind(0) and connect is of that range."""
    ports = set(candidates())
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as client:
        assert ports.isdisjoint({server.getsockname()[1], client.getsockname()[1]}) or len(ports) == 65536 - FROM


def test_a_port_that_is_taken_is_not_given(monkeypatch: pytest.MonkeyPatch) -> None:
    ports = free_ports(2)
    monkeypatch.setattr("daemon.commands.free_port.candidates", lambda: ports)
    with socket.create_server(("127.0.0.1", ports[0])):
        assert {free_port() for _ in range(5)} == {ports[1]}
        with socket.create_server(("127.0.0.1", ports[1])), pytest.raises(OSError, match="no free port"):
            free_port()


def test_no_port_is_given_to_two_tests() -> None:
    assert len(set(free_ports(50))) == 50
