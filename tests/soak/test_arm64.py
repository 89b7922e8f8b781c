"""The board's own kind of computer: a 64-bit ARM Debian under emulation, installed as the guide says.

Wheelhouse made for it on this machine, install.sh, check, and a recorded cook judged there: event for event as here. An
extracted root (mmdebstrap) under user emulation (qemu) through proot, so no kernel of another kind and no rights over this
one are needed. Some ten minutes a release on two cores. Needs mmdebstrap, proot, qemu-user-static, `uv` and a network.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Final

import pytest

from tests.bench.cost.bench_replay import write_cook

ROOT: Final = Path(__file__).parents[2]
EMULATOR: Final = "qemu-aarch64-static"
PROCESSOR: Final = "cortex-a72"
"""as on the usual board. With the emulator's own, which has SVE, numpy 2.5 on Debian 13 gave other forecasts."""
HOURS: Final = 3.0
"""of the recorded cook"""
PACKAGES: Final = (
    "python3", "python3-venv", "libstdc++6", "tzdata", "dash", "coreutils", "sed", "grep", "findutils", "libc-bin",
    "login", "passwd", "hostname", "base-files",
    "ca-certificates",
)  # fmt: skip
LONGEST: Final = 3600.0
"""s for any one step"""
RELEASES: Final = {"bookworm": "3.11", "trixie": "3.13"}
"""Debian 12 and 13, with their Python"""

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(
        not all(map(shutil.which, ("mmdebstrap", "proot", EMULATOR, "uv"))),
        reason="needs mmdebstrap, proot, qemu-user-static and uv",
    ),
]


class Board:
    """The root of a Debian of the other kind. house, cook: shown there as /house and /cook."""

    def __init__(self, root: Path, house: Path, cook: Path) -> None:
        self._call = ["proot", "-q", EMULATOR, "-0", "-r", str(root), "-b", "/proc", "-b", "/dev", "-w", "/"]
        self._call += ["-b", f"{house}:/house", "-b", f"{cook}:/cook"]

    def run(self, *command: str) -> str:
        clean = {"PATH": "/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "QEMU_CPU": PROCESSOR}
        done = subprocess.run(
            [*self._call, *command], capture_output=True, text=True, timeout=LONGEST, check=False, env=clean
        )
        assert done.returncode == 0, f"{command}: {done.stdout[-2000:]} {done.stderr[-2000:]}"
        return done.stdout


def replayed(run: object, prefix: str, out: str) -> None:
    files = ("--rig", f"{prefix}/rig.toml", "--cook", f"{prefix}/cook.toml", "--events", out)
    assert callable(run)
    run("replay", f"{prefix}/log.csv", *files)


@pytest.mark.parametrize("release", RELEASES)
def test_a_board_judges_a_cook_as_this_machine_does(release: str, tmp_path: Path) -> None:
    took: dict[str, float] = {}
    began = time.monotonic()

    def lap(step: str) -> None:
        nonlocal began
        took[step], began = time.monotonic() - began, time.monotonic()

    root, house, cook = tmp_path / "root", tmp_path / "house", tmp_path / "cook"
    cook.mkdir()
    write_cook(cook, HOURS, pieces=2)
    here = [sys.executable, "-m", "daemon.cli"]
    replayed(lambda *words: subprocess.run([*here, *words], check=True, cwd=ROOT), str(cook), str(cook / "here.jsonl"))
    lap("replay here")
    bare = ["mmdebstrap", "--variant=extract", "--architectures=arm64", f"--include={','.join(PACKAGES)}"]
    subprocess.run([*bare, release, str(root)], check=True, capture_output=True, timeout=LONGEST)
    for directory in ("house", "cook", "proc", "dev", "root", "tmp"):
        (root / directory).mkdir(exist_ok=True)
    # what the package's own script would make: Debian's pip does not start without it
    authorities = sorted((root / "usr/share/ca-certificates/mozilla").glob("*.crt"))
    (root / "etc/ssl/certs/ca-certificates.crt").write_bytes(b"".join(one.read_bytes() for one in authorities))
    lap("root")
    gather = [
        "sh",
        str(ROOT / "deploy/wheelhouse.sh"),
        str(house),
        "--python",
        RELEASES[release],
        "--machine",
        "aarch64",
    ]
    subprocess.run(gather, check=True, capture_output=True, timeout=LONGEST)
    lap("wheelhouse")
    board = Board(root, house, cook)
    assert "aarch64" in board.run("/usr/bin/python3", "-c", "import platform; print(platform.machine())")
    assert "next: pitvigil devices" in board.run("/bin/sh", "/house/install.sh")
    lap("install.sh")
    program = "/opt/pitvigil/current/bin/pitvigil"
    assert "the files can be used" in board.run(
        program, "check", "--rig", "/cook/rig.toml", "--cook", "/cook/cook.toml"
    )
    lap("check")
    replayed(lambda *words: board.run(program, *words), "/cook", "/cook/there.jsonl")
    lap("replay there")
    there, same = (cook / "there.jsonl").read_text(), (cook / "here.jsonl").read_text()
    print(f"\n{release}: {len(same.splitlines())} events; " + ", ".join(f"{s} {t:.0f} s" for s, t in took.items()))
    assert there == same
    assert len(same.splitlines()) > 20
