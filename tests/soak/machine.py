"""A virtual machine with a Debian kernel and this machine's own files, read only under a layer of memory.

For what needs a kernel of its own: virtual Bluetooth controllers. No rights and no hardware virtualisation needed; all is
emulated, and some twenty times slower than life.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Final

MODULES: Final = (
    "virtio_pci", "9pnet_virtio", "9p", "overlay", "cmac", "ecb", "ccm", "ctr", "aes_generic", "ecdh_generic", "bluetooth",
    "hci_vhci",
)  # fmt: skip
EMULATOR: Final = "qemu-system-x86_64"
TOOLS: Final = (EMULATOR, "busybox", "cpio", "depmod", "modprobe", "apt-get", "dpkg-deb")
KERNEL_PACKAGE: Final = "linux-image-amd64"

INIT: Final = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t devtmpfs dev /dev
for module in $(cat /modules/order); do insmod /modules/$module; done
mkdir -p /low /memory /root
mount -t 9p -o ro,trans=virtio,version=9p2000.L,msize=1048576,cache=loose house /low
mount -t tmpfs tmpfs /memory
mkdir /memory/up /memory/work
mount -t overlay -o lowerdir=/low,upperdir=/memory/up,workdir=/memory/work overlay /root
mount -t proc proc /root/proc
mount -t sysfs sysfs /root/sys
mount -t devtmpfs dev /root/dev
mount -t tmpfs tmpfs /root/run
mount -t tmpfs tmpfs /root/tmp
ip link set lo up 2>/dev/null
cd /
chroot /root /bin/sh -c "$(cat /command)" 2>&1
echo MACHINE ENDS
sync
poweroff -f
"""


def kernel(folder: Path) -> Path:
    """The newest Debian kernel image package, unpacked; its folder."""
    shown = subprocess.run(["apt-cache", "depends", KERNEL_PACKAGE], capture_output=True, text=True, check=True).stdout
    package = next(line.split()[-1] for line in shown.splitlines() if "Depends: linux-image" in line)
    subprocess.run(["apt-get", "download", "-qq", package], cwd=folder, check=True, capture_output=True)
    out = folder / "kernel"
    subprocess.run(["dpkg-deb", "-x", str(next(folder.glob("linux-image*.deb"))), str(out)], check=True)
    (version,) = (one.name for one in (out / "lib/modules").iterdir())
    subprocess.run(["depmod", "-b", str(out), version], check=True)
    return out


def first_root(folder: Path, unpacked: Path, command: str) -> Path:
    """The small root that the kernel starts from: loads modules, mounts the house, runs `command` in it."""
    root = folder / "first"
    (version,) = (one.name for one in (unpacked / "lib/modules").iterdir())
    for name in ("bin", "proc", "dev", "sys", "modules"):
        (root / name).mkdir(parents=True)
    shutil.copy(str(shutil.which("busybox")), root / "bin/busybox")
    order: list[str] = []
    for module in MODULES:
        shown = subprocess.run(
            ["modprobe", "--show-depends", "-d", str(unpacked), "-S", version, module],
            capture_output=True,
            text=True,
            check=False,
        ).stdout
        for line in shown.splitlines():
            path = Path(line.split()[1]) if line.startswith("insmod") else None
            if path is not None and path.name not in order:
                order.append(path.name)
                shutil.copy(path, root / "modules")
    (root / "modules/order").write_text("\n".join(order))
    (root / "command").write_text(command)
    (root / "init").write_text(INIT)
    (root / "init").chmod(0o755)
    image = folder / "first.cpio"
    with image.open("wb") as out:
        listed = subprocess.run(["find", "."], cwd=root, capture_output=True, check=True).stdout
        subprocess.run(["cpio", "-o", "-H", "newc", "--quiet"], cwd=root, input=listed, stdout=out, check=True)
    return image


def run(folder: Path, unpacked: Path, command: str, seconds: float) -> str:
    """What `command` (for a shell, as root, in this machine's files) wrote. unpacked: from `kernel`. Raises
    TimeoutExpired after so many seconds."""
    image = first_root(folder, unpacked, command)
    call = [
        EMULATOR, "-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "2", "-m", "1536", "-nographic", "-no-reboot",
        "-nodefaults", "-serial", "stdio", "-kernel", str(next((unpacked / "boot").glob("vmlinuz-*"))), "-initrd", str(image),
        "-append", "console=ttyS0 quiet no_timer_check panic=-1",
        "-virtfs", "local,path=/,mount_tag=house,security_model=none,readonly=on,multidevs=remap",
    ]  # fmt: skip
    return subprocess.run(call, capture_output=True, text=True, timeout=seconds, check=False, errors="replace").stdout
