"""Disks that can be filled, cut off and turned read-only: file systems of our own, which only root may mount."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

from tests.faults.row import NotHere

EXT4_IOC_SHUTDOWN = 0x8004587D
"""_IOR('X', 125, __u32), linux/fs/ext4/ext4.h: the file system stops as at a power cut."""
NO_LOG_FLUSH = 2
"""EXT4_GOING_FLAGS_NOLOGFLUSH: nor is its journal written out."""


def _run(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NotHere(f"{command[0]}: {done.stderr.strip() or 'failed'}")


def _needs_root(*programs: str) -> None:
    if os.getuid() != 0:
        raise NotHere("needs root, to mount a file system")
    for program in programs:
        if shutil.which(program) is None:
            raise NotHere(f"needs {program}")


class Ext4:
    """An ext4 file system in a file, on a loop device."""

    def __init__(self, home: Path, megabytes: int = 256) -> None:
        _needs_root("mkfs.ext4", "mount")
        self.image, self.root = home / "ext4.img", home / "ext4"
        home.mkdir(parents=True, exist_ok=True)
        self.root.mkdir()
        with self.image.open("wb") as file:
            file.truncate(megabytes * 1_000_000)
        _run("mkfs.ext4", "-q", str(self.image))

    @contextlib.contextmanager
    def mounted(self) -> Iterator[Path]:
        self.mount()
        try:
            yield self.root
        finally:
            self.unmount()

    def mount(self) -> None:
        _run("mount", "-o", "loop", str(self.image), str(self.root))

    def unmount(self) -> None:
        _run("umount", str(self.root))

    def cut_power(self) -> None:
        """From now on nothing reaches the disk, and every write is an I/O error."""
        descriptor = os.open(self.root, os.O_RDONLY)
        try:
            fcntl.ioctl(descriptor, EXT4_IOC_SHUTDOWN, struct.pack("I", NO_LOG_FLUSH))
        finally:
            os.close(descriptor)

    def turn_read_only(self) -> None:
        """As ext4 does by itself on an error, with errors=remount-ro."""
        _run("mount", "-o", "remount,abort", str(self.root))


@contextlib.contextmanager
def small_disk(home: Path, megabytes: int) -> Iterator[Path]:
    """A tmpfs of that size."""
    _needs_root("mount")
    root = home / "small"
    root.mkdir(parents=True)
    _run("mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(root))
    try:
        yield root
    finally:
        _run("umount", str(root))


def fill(root: Path, name: str = "filler") -> Path:
    """Write until the disk is full."""
    file = root / name
    descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    try:
        for size in (1 << 16, 1 << 12):
            with contextlib.suppress(OSError):
                while os.write(descriptor, b"\0" * size) == size:
                    pass
    finally:
        os.close(descriptor)
    return file
