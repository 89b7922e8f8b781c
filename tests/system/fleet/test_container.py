"""What the centre's containers run, run here without one: a first start, one that was broken off, and the next."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.ports import free_port
from tests.system.fleet.conftest import BINARIES, OWNER, PATIENCE

ENTRY = Path(__file__).parents[3] / "deploy" / "fleet" / "container.sh"
pytestmark = pytest.mark.skipif(
    not BINARIES or not Path("/usr/share/easy-rsa").is_dir() or os.geteuid() != 0 or shutil.which("mosquitto") is None,
    reason="needs postgresql, easy-rsa and mosquitto, and root to become their users",
)


@pytest.fixture
def home() -> Iterator[Path]:
    """Where its users may look: a test's own directory lets only one in."""
    made = Path(tempfile.mkdtemp(prefix="container-"))
    shutil.chown(made, OWNER, OWNER)
    made.chmod(0o755)
    yield made
    shutil.rmtree(made, ignore_errors=True)


@contextmanager
def running(home: Path, user: str, *words: str, **settings: str) -> Iterator[Path]:
    """One container's process, as its user. Gives its log."""
    log = home.with_name(f"{home.name}-{words[0]}.log")
    # as in the image: the database's user belongs to the broker's group
    groups = ["--supp-group", "mosquitto"] if user == OWNER else []
    with log.open("w") as out:
        process = subprocess.Popen(
            ["runuser", "-u", user, "-g", user, *groups, "--", "sh", ENTRY, *words],
            env={"PATH": os.environ["PATH"], "CENTRE_HOME": str(home), **settings},
            cwd="/", stdout=out, stderr=out,
        )  # fmt: skip
    try:
        yield log
    finally:
        subprocess.run(["pkill", "-INT", "-P", str(process.pid)], check=False)
        process.wait(PATIENCE)
        log.unlink()


def until(true: Callable[[], bool], log: Path) -> None:
    end = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < end, log.read_text()[-2000:]
        time.sleep(0.1)


def centre(home: Path, port: int, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["runuser", "-u", OWNER, "-g", OWNER, "--supp-group", "mosquitto", "--", "sh", ENTRY, *words],
        env={"PATH": os.environ["PATH"], "CENTRE_HOME": str(home), "PGPORT": str(port)},
        cwd="/", capture_output=True, text=True, timeout=PATIENCE, check=False,
    )  # fmt: skip


def test_a_centre_begins_adds_a_pit_and_goes_on_after_a_stop(home: Path) -> None:
    port, live = free_port(), free_port()
    (home / "data").mkdir()  # a first start that was broken off
    (home / "data" / "half").touch()
    shutil.chown(home / "data", OWNER, OWNER)
    assert "CENTRE_HOST" in centre(home, port, "database").stderr
    with running(home, OWNER, "database", CENTRE_HOST="localhost", PGPORT=str(port)) as log:
        until(lambda: (home / "made").exists(), log)
        until(lambda: centre(home, port, "rings").returncode == 0, log)
        added = centre(home, port, "add", "pit-17", "the hall's crew", "brick")
        assert added.returncode == 0, added.stderr
        conf = home / "fleet/mosquitto.conf"
        conf.write_text(conf.read_text().replace("listener 8883", f"listener {live} localhost"))
        with running(home, "mosquitto", "broker") as said:
            until(lambda: "running" in said.read_text(), said)
        refused = subprocess.run(
            ["runuser", "-u", "mosquitto", "--", "cat", home / "fleet/pki/private/ca.key"],
            capture_output=True,
            check=False,
        )
        assert refused.returncode != 0, "the broker's user reads the authority's key"
    with running(home, OWNER, "database", PGPORT=str(port)) as log:
        until(lambda: centre(home, port, "ring", "pit-17", "1").returncode == 0, log)
    assert centre(home, port, "").returncode == 2
