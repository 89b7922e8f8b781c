"""The installed command as systemd would run it: ready, alive, stopped in time, telling no secret, within its filter.

sd_notify(3) gives the datagrams READY=1, WATCHDOG=1 and STOPPING=1, and "every half of WATCHDOG_USEC" for the ping.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import tty
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.patience import PATIENCE
from tests.ports import free_port

PITVIGIL = Path(sys.executable).parent / "pitvigil"
UNIT = Path(__file__).parents[2] / "deploy" / "pitvigil.service"
WATCHDOG = 2.0
"""s that the fake systemd grants between two pings"""
CANARIES = {
    "secret_page-token": "canary-page-token-0123456789abcdef",
    "secret_hook": "canary-hook-0123456789abcdef",
    "secret_mail": "canary-mail-0123456789abcdef",
}
URL_CANARY = "canary-path-0123456789abcdef"

RIG = """
[pit]
band = {{ low = 107, high = 135 }}
[[devices]]
kind = "serial-line"
id = "board"
port = "{port}"
line = {{ kind = "json" }}
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "grate"
[page]
port = {page}
token_file = "secret_page-token"
[[delivery]]
kind = "webhook"
name = "hook"
audience = ["phone", "louder", "notice"]
url = "http://127.0.0.1:{closed}/{canary}"
secret_file = "secret_hook"
[[delivery]]
kind = "smtp"
name = "mail"
audience = ["second", "notice", "phone"]
host = "127.0.0.1"
port = {closed}
user = "cook"
sender = "pit@example.org"
to = ["cook@example.org"]
password_file = "secret_mail"
"""


class Pit(threading.Thread):
    """The far end of a tty: a pit in its band, one line each fifth of a second."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.port = os.ttyname(self._slave)
        self.done = threading.Event()

    def run(self) -> None:
        while not self.done.wait(0.2):
            try:
                os.write(self.master, b'{"grate": 121.5}\n')
            except BlockingIOError:  # nobody reads now
                continue

    def stop(self) -> None:
        self.done.set()
        self.join()
        os.close(self.master)
        os.close(self._slave)


class Service:
    """A running `pitvigil run` with all that systemd gives it."""

    def __init__(self, directory: Path, before: tuple[str, ...] = ()) -> None:
        self.pit, self.page = Pit(), free_port()
        self.rig = directory / "rig.toml"
        self.rig.write_text(RIG.format(port=self.pit.port, page=self.page, closed=free_port(), canary=URL_CANARY))
        credentials = directory / "credentials"
        credentials.mkdir()
        for name, secret in CANARIES.items():
            (credentials / name).write_text(secret + "\n")
        self.notices = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        address = directory / "notify"
        self.notices.bind(str(address))
        self.state, self.log = directory / "state", directory / "log"
        self.state.mkdir()
        self.environment = {
            "PATH": os.environ["PATH"],
            "NOTIFY_SOCKET": str(address),
            "WATCHDOG_USEC": str(int(WATCHDOG * 1e6)),
            "CREDENTIALS_DIRECTORY": str(credentials),
            "STATE_DIRECTORY": str(self.state),
            **unit_environment(),
        }
        self.pit.start()
        with self.log.open("wb") as log:
            # standard output goes where the unit sends it: StandardOutput=null
            self.process = subprocess.Popen(
                [*before, str(PITVIGIL), "--verbose", "run", "--rig", str(self.rig)],
                env=self.environment, stdout=subprocess.DEVNULL, stderr=log, cwd="/",
            )  # fmt: skip

    def notice(self, within: float) -> str:
        self.notices.settimeout(within)
        return self.notices.recv(4096).decode()

    def wait_for(self, wanted: str) -> None:
        while self.notice(PATIENCE) != wanted:
            pass

    def stop(self) -> None:
        """How long it takes is measured by tests/faults/test_hang.py, on a machine at rest."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.pit.stop()
        self.notices.close()


def unit_environment() -> dict[str, str]:
    lines = re.findall(r"^Environment=(.*)$", UNIT.read_text(), re.M)
    return dict(pair.split("=", 1) for line in lines for pair in line.split())


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    running = Service(tmp_path)
    yield running
    running.close()


def test_it_gets_ready_stays_alive_and_stops(service: Service) -> None:
    service.wait_for("READY=1")
    service.wait_for("WATCHDOG=1")  # the first answer follows the first judging
    for _ in range(2):
        service.wait_for("WATCHDOG=1")
    service.stop()
    assert service.process.returncode == 0
    rest = []
    while True:
        try:
            rest.append(service.notice(0.1))
        except TimeoutError:
            break
    assert "STOPPING=1" in rest


def everything_shown(service: Service) -> bytes:
    """All that others can see of it: log, journal and files of the state, process list."""
    shown = service.log.read_bytes()
    for file in service.state.rglob("*"):
        shown += file.read_bytes()
    for process in Path("/proc").glob("[0-9]*"):
        try:
            shown += (process / "cmdline").read_bytes() + b"\0"
        except OSError:  # it just ended
            continue
    return shown


def test_no_secret_is_shown(service: Service) -> None:
    """With a login by link, one by form, and deliveries that fail at their receivers."""
    service.wait_for("READY=1")
    token = CANARIES["secret_page-token"]
    base = f"http://127.0.0.1:{service.page}"
    assert urllib.request.urlopen(f"{base}/login?token={token}", timeout=PATIENCE).status < 300
    body = json.dumps({"token": token}).encode()
    headers = {"Content-Type": "application/json", "Origin": base}
    assert (
        urllib.request.urlopen(urllib.request.Request(f"{base}/api/login", body, headers), timeout=PATIENCE).status
        < 300
    )
    # every delivery tried and failing: what they say of it must hold no secret either
    tried = subprocess.run(
        [PITVIGIL, "--verbose", "notify-test", "--rig", service.rig],
        env=service.environment, capture_output=True, timeout=PATIENCE, check=False,
    )  # fmt: skip
    assert tried.returncode == 1
    assert b"hook (webhook" in tried.stdout
    assert b"mail (smtp" in tried.stdout
    assert b"not now" in tried.stdout
    shown = everything_shown(service) + tried.stdout + tried.stderr
    assert str(PITVIGIL).encode() in shown, "the process list was read"
    service.stop()
    shown += everything_shown(service)
    for secret in CANARIES.values():
        assert secret.encode() not in shown
    # an address belongs to the rig, which the journal keeps; whoever reads the log sees none of it
    assert URL_CANARY.encode() not in service.log.read_bytes() + tried.stdout + tried.stderr


# --- the system-call filter ----------------------------------------------------------------------------------


GOES_WITHOUT = {
    "mbind": "OpenBLAS asks where its memory should lie and does not mind the answer",
    "fchown": "SQLite, when root runs it, gives its files to the owner of the journal; the service is not root",
}
"""Calls outside the filter: the trace answers them with EPERM, as the filter would, and the watch must work all the same."""


def filter_set(name: str) -> frozenset[str]:
    """The system calls of one of systemd's sets, sets within it unfolded."""
    told = subprocess.run(
        ["systemd-analyze", "syscall-filter", name], capture_output=True, text=True, check=True
    ).stdout
    calls: set[str] = set()
    for word in re.findall(r"^\s+([@a-z0-9_-]+)$", told, re.M):
        calls |= filter_set(word) if word.startswith("@") else {word}
    return frozenset(calls)


@pytest.mark.skipif(
    not (shutil.which("strace") and shutil.which("systemd-analyze")), reason="needs strace and systemd-analyze"
)
def test_every_system_call_it_makes_passes_the_unit_s_filter(tmp_path: Path) -> None:
    """Otherwise the hardened service would get EPERM where nobody looks for it."""
    first, second = re.findall(r"^SystemCallFilter=(.*)$", UNIT.read_text(), re.M)
    allowed = frozenset().union(*(filter_set(s) for s in first.split()))
    allowed -= frozenset().union(*(filter_set(s) for s in second.removeprefix("~").split()))
    assert "read" in allowed
    assert "mount" not in allowed
    trace = tmp_path / "calls"
    refused = f"inject={','.join(GOES_WITHOUT)}:error=EPERM"
    running = Service(tmp_path, ("strace", "-f", "-qq", "-o", str(trace), "--signal=none", "-e", refused))
    try:
        running.wait_for("READY=1")
        running.wait_for("WATCHDOG=1")
        # strace itself holds signals back: to its child, which is the watch
        traced = Path(f"/proc/{running.process.pid}/task/{running.process.pid}/children").read_text().split()
        os.kill(int(traced[0]), signal.SIGTERM)
        running.process.wait(PATIENCE)
    finally:
        running.close()
    made = set(re.findall(r"^\d+\s+([a-z0-9_]+)\(", trace.read_text(errors="replace"), re.M)) - {"execve"}
    assert {"openat", "sendto"} & made
    assert made <= allowed | set(GOES_WITHOUT), sorted(made - allowed)
    calls = trace.read_text(errors="replace")
    # what MemoryDenyWriteExecute= refuses: memory both writable and executable, or made executable later
    assert "PROT_WRITE|PROT_EXEC" not in calls
    assert not re.search(r"mprotect\([^)]*PROT_EXEC", calls)
    families = set(re.findall(r"\bsocket\((AF_\w+)", calls))
    assert "AF_INET" in families
    (granted,) = re.findall(r"^RestrictAddressFamilies=(.*)$", UNIT.read_text(), re.M)
    assert families <= set(granted.split())
