"""The README's first command as a newcomer types it, in a bare Debian 12 and a bare Debian 13 of this machine's kind.

A root with nothing but apt (mmdebstrap), entered with chroot in namespaces of its own. Debian's packages come as they would;
those of Python are gathered beforehand by this machine's own pip and lent as a directory, for how a machine reaches an index is
its own affair. A few minutes a release. Needs root, mmdebstrap, git, `uv` and a network.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[2]
LENT: Final = ("/etc/resolv.conf", "/etc/hosts")
RELEASES: Final = {"bookworm": "3.11", "trixie": "3.13"}
"""Debian 12 and 13, with their Python"""
LONGEST: Final = 3600.0
"""s"""
ENTER: Final = """set -e
mount --make-rprivate /
mount -t proc proc {root}/proc
mount --rbind /dev {root}/dev
exec chroot {root} sh -c 'cd /pitvigil && exec sh deploy/demo.sh --plain --speed 1200 --hours 4'
"""

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(
        os.geteuid() != 0 or not all(map(shutil.which, ("mmdebstrap", "uv"))), reason="needs root, mmdebstrap and uv"
    ),
]


@pytest.mark.parametrize("release", RELEASES)
def test_the_first_command_shows_a_night(release: str, tmp_path: Path) -> None:
    root = tmp_path / "root"
    subprocess.run(
        ["mmdebstrap", "--variant=apt", release, str(root)], check=True, capture_output=True, timeout=LONGEST
    )
    (root / "pitvigil").mkdir()
    packed = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, capture_output=True, check=True).stdout
    subprocess.run(["tar", "-x", "-C", str(root / "pitvigil")], input=packed, check=True)
    for file in map(Path, LENT):
        if file.exists():
            shutil.copy(file, root / file.relative_to("/"))
    wheels = root / "wheels"
    gather = ["sh", str(ROOT / "deploy/wheelhouse.sh"), str(wheels), "--python", RELEASES[release]]
    subprocess.run([*gather, "--machine", platform.machine()], check=True, capture_output=True, timeout=LONGEST)
    builder = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", str(wheels), "setuptools>=77"]
    subprocess.run(builder, check=True, timeout=LONGEST)
    plain = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LANG": "C.UTF-8"}
    plain |= {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": "/wheels"}
    began = time.monotonic()
    done = subprocess.run(
        ["unshare", "--mount", "--pid", "--fork", "--kill-child", "sh", "-c", ENTER.format(root=root)],
        capture_output=True, text=True, check=False, timeout=LONGEST, env=plain,
    )  # fmt: skip
    said = done.stdout
    print(f"\n{release}: {time.monotonic() - began:.0f} s, {len(said.splitlines())} lines\n{said[-1500:]}")
    assert done.returncode == 0, f"{said[-3000:]} {done.stderr[-3000:]}"
    assert "Installing: python3 python3-venv tzdata mosquitto" in done.stderr
    assert "The cook was woken" in said
