"""A centre on real PostgreSQL, made by deploy/fleet/centre.sh: its authority, its roles, its schema."""

from __future__ import annotations

import os
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from config.rig import FleetSection
from daemon.commands.fleet.ship import where
from tests.ports import free_port

SCRIPT = Path(__file__).parents[3] / "deploy" / "fleet" / "centre.sh"
HOST = "localhost"
BINARIES = sorted(Path("/usr/lib/postgresql").glob("*/bin")) if Path("/usr/lib/postgresql").is_dir() else []
OWNER = "postgres"
PATIENCE = 120


@dataclass
class Database:
    """home: data, sockets and what centre.sh made. port: TLS on localhost; the same on a Unix socket for its owner."""

    home: Path
    port: int

    @property
    def fleet(self) -> Path:
        return self.home / "fleet"

    def call(self, *command: str | Path) -> str:
        """As the database's owner, which may not be root."""
        become = ["runuser", "-u", OWNER, "--"] if os.geteuid() == 0 else []
        path = f"{BINARIES[-1]}:{os.environ['PATH']}"
        here = ["env", f"PATH={path}", f"PGHOST={self.home}", f"PGPORT={self.port}", f"HOME={self.home}"]
        done = subprocess.run(
            [*become, *here, *map(str, command)],
            cwd=self.home,
            capture_output=True,
            text=True,
            timeout=PATIENCE,
            check=False,
        )
        assert done.returncode == 0, f"{command}: {done.stdout[-2000:]} {done.stderr[-2000:]}"
        return done.stdout

    def start(self) -> None:
        self.call("pg_ctl", "-w", "-D", self.home / "data", "-l", self.home / "log", "start")

    def stop(self, how: str) -> None:
        """how: "fast", or "immediate" as after a kill: it recovers when it starts."""
        self.call("pg_ctl", "-w", "-D", self.home / "data", "-m", how, "stop")

    def sql(self, text: str) -> list[list[str]]:
        """As its owner. Rows of texts."""
        said = self.call("psql", "-X", "-A", "-t", "-F", "\t", "-d", "pitvigil", "-c", text)
        return [line.split("\t") for line in said.splitlines()]

    def add(self, pit: str, keys: Path, *more: str) -> FleetSection:
        """A pit of that name; its certificate unpacked in `keys`."""
        self.call("sh", SCRIPT, "add", self.fleet, pit, *more)
        return self.unpacked(pit, keys)

    def renew(self, pit: str, keys: Path) -> FleetSection:
        self.call("sh", SCRIPT, "renew", self.fleet, pit)
        return self.unpacked(pit, keys)

    def unpacked(self, pit: str, keys: Path) -> FleetSection:
        """What the centre packed for a pit, in `keys`."""
        with tarfile.open(self.fleet / "pits" / f"{pit}.tar") as pack:
            pack.extractall(keys, filter="data")
        for one in (keys / "fleet").iterdir():
            one.chmod(0o600)
            os.chown(one, os.geteuid(), os.getegid())
        return FleetSection(host=HOST, port=self.port, pit=pit, keys=str(keys / "fleet"))

    def reader(self, user: str) -> str:
        """A libpq connection string of a user who may only read; trusted on the socket, for tests have one system user."""
        self.call("sh", SCRIPT, "reader", self.fleet, user)
        return f"host={self.home} port={self.port} dbname=pitvigil user={user}"

    def revoke(self, pit: str) -> None:
        self.call("sh", SCRIPT, "revoke", self.fleet, pit)


@pytest.fixture(scope="module")
def database() -> Iterator[Database]:
    if not BINARIES or not Path("/usr/share/easy-rsa").is_dir():
        pytest.skip("needs postgresql and easy-rsa; deploy/test.sh installs them")
    with database_made() as one:
        yield one


@contextmanager
def database_made(more_rules: str = "", script: Path = SCRIPT) -> Iterator[Database]:
    """more_rules: lines at the beginning of pg_hba.conf. script: the centre.sh that makes it."""
    home = Path(tempfile.mkdtemp(prefix="centre-"))
    if os.geteuid() == 0:
        shutil.chown(home, OWNER, OWNER)
    one = Database(home, free_port())
    try:
        one.call("initdb", "-D", home / "data", "-A", "peer", "--no-sync", "-U", OWNER)
        settings = home / "data" / "postgresql.conf"
        with settings.open("a") as more:
            more.write(f"port = {one.port}\nunix_socket_directories = '{home}'\nshared_buffers = 16MB\n")
        one.start()
        one.call("sh", script, "make", one.fleet, HOST)
        with settings.open("a") as more:
            more.write(f"include '{one.fleet}/postgresql.conf'\nlisten_addresses = 'localhost'\n")
        rules = home / "data" / "pg_hba.conf"
        ours = (
            f"{more_rules}local pitvigil +fleet_reader,+fleet_pooler trust\n{(one.fleet / 'pg_hba.conf').read_text()}"
        )
        rules.write_text(f"{ours}{rules.read_text()}")
        one.stop("fast")
        one.start()
        yield one
    finally:
        if (home / "data" / "postmaster.pid").exists():
            one.stop("immediate")
        shutil.rmtree(home, ignore_errors=True)


@pytest.fixture
def as_pit() -> Any:
    """A connection as a pit has one: `as_pit(section)`."""
    import psycopg

    opened = []

    def connect(section: FleetSection, user: str | None = None) -> psycopg.Connection[Any]:
        opened.append(
            psycopg.connect(where(section), user=user or section.pit, connect_timeout=PATIENCE, autocommit=True)
        )
        return opened[-1]

    yield connect
    for one in opened:
        one.close()
