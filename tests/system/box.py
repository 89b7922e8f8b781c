"""A root of its own for what must not touch this machine: an overlay of `/` in namespaces, thrown away afterwards.

Needs root, unshare and overlay. Inside, /mnt is the given directory, /dev has the pseudo devices and terminals only,
/sys and /proc/sys cannot be written, and there is no network.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Final

SYSTEMD: Final = Path("/lib/systemd/systemd")
ENTER: Final = ("unshare", "--pid", "--fork", "--kill-child", "--mount", "--cgroup", "--ipc", "--uts", "--net")
PREPARE: Final = """set -e
mount --make-rprivate /
mount -t tmpfs -o mode=755 none {work}
mkdir {work}/upper {work}/work {work}/root
mount -t overlay overlay -o lowerdir=/,upperdir={work}/upper,workdir={work}/work {work}/root
mount --bind {given} {work}/root/mnt
cd {work}/root
mount -t proc proc proc
mount -o bind,ro proc/sys proc/sys
mount -t sysfs -o ro sysfs sys
mount -t tmpfs none sys/fs
mkdir sys/fs/cgroup
mount -t cgroup2 cgroup2 sys/fs/cgroup
mount -t tmpfs -o mode=755 none run
mount -t tmpfs -o mode=1777 none tmp
mount -t tmpfs -o mode=755 none dev
mkdir dev/pts dev/shm
mount -t devpts -o newinstance,ptmxmode=0666,mode=620,gid=5 devpts dev/pts
for node in 'null 1 3' 'zero 1 5' 'full 1 7' 'random 1 8' 'urandom 1 9' 'tty 5 0'; do
    set -- $node
    mknod -m 666 dev/$1 c $2 $3
done
ln -s pts/ptmx dev/ptmx
ln -s /proc/self/fd dev/fd
rm -rf opt/pitvigil
mkdir -p old
pivot_root . old
cd /
umount -l /old
mount --make-rshared /
ip link set lo up 2> /dev/null || true
exec env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LANG=C.UTF-8 {command}
"""
UNIT: Final = """[Unit]
After=basic.target
[Service]
Type=oneshot
TimeoutStartSec=infinity
ExecStart=/bin/sh /mnt/life.sh
StandardOutput=file:/mnt/said
StandardError=file:/mnt/complained
ExecStopPost=/bin/systemctl exit --force
"""


def possible() -> bool:
    """Whether this machine lets us make one, with a systemd in it."""
    overlay = "overlay" in Path("/proc/filesystems").read_text()
    return os.geteuid() == 0 and shutil.which("unshare") is not None and overlay and SYSTEMD.exists()


def _enter(work: Path, given: Path, command: str, longest: float) -> subprocess.CompletedProcess[str]:
    work.mkdir()
    text = PREPARE.format(work=work, given=given, command=command)
    return subprocess.run(
        [*ENTER, "sh", "-c", text],
        capture_output=True,
        text=True,
        timeout=longest,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def run(given: Path, work: Path, longest: float = 300.0) -> subprocess.CompletedProcess[str]:
    """given/life.sh in the box, without an init."""
    return _enter(work, given, "sh /mnt/life.sh", longest)


def boot(given: Path, work: Path, longest: float = 300.0) -> tuple[str, str, str]:
    """given/life.sh as a unit of a real systemd that is process 1 of the box; what it said, what it complained about,
    and what systemd itself wrote."""
    (given / "box.service").write_text(UNIT)
    for name in ("said", "complained"):
        (given / name).unlink(missing_ok=True)
    start = (
        "sh -c 'cp /mnt/box.service /etc/systemd/system/; exec env container=box "
        f"{SYSTEMD} --system --unit=box.service --show-status=no'"
    )
    done = _enter(work, given, start, longest)
    said, complained = (given / name for name in ("said", "complained"))
    texts = [file.read_text() if file.exists() else "" for file in (said, complained)]
    return texts[0], texts[1], done.stdout + done.stderr
