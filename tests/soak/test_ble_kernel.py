"""BLE through everything a board has but the radio: Debian's kernel and bluetoothd, the unmodified library, our drivers.

The controller and the probe are bumble's, on the kernel's own virtual controller (/dev/vhci), in an emulated machine. What the
drivers do with the packets themselves is tried in tests/system/ble. A few minutes on two quiet cores.
"""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.soak import ble_guest, machine

ROOT = Path(__file__).parents[2]
LONGEST = 3000.0
"""s"""
BLUETOOTHD = Path("/usr/libexec/bluetooth/bluetoothd")

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(
        not (all(map(shutil.which, (*machine.TOOLS, "dbus-daemon", "bluetoothctl"))) and BLUETOOTHD.exists()),
        reason="needs qemu-system-x86, busybox-static, cpio, kmod and bluez",
    ),
]


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What the one machine found, by step."""
    folder = tmp_path_factory.mktemp("kernel")
    unpacked = machine.kernel(folder)
    command = f"cd {ROOT} && PYTHONDONTWRITEBYTECODE=1 {sys.executable} -m tests.soak.ble_guest"
    said = machine.run(folder, unpacked, command, LONGEST)
    (folder / "said.txt").write_text(said)
    lines = [json.loads(line.partition("RESULT ")[2]) for line in said.splitlines() if "RESULT " in line]
    assert lines, said[-3000:]
    print(*(f"\n{one['step']}: {one['took']} s" for one in lines))
    return {one["step"]: one for one in lines}


def test_devices_finds_a_probe_and_looks_inside(found: dict[str, dict[str, Any]]) -> None:
    probe = found["devices"]
    assert (probe["kind"], probe["where"]) == ("ble-gatt", ble_guest.PROBE)
    for uuid in ("2A6E", "2A1C", "2A19"):
        assert uuid in probe["stanza"]


def test_our_side_hangs_up_and_comes_back(found: dict[str, dict[str, Any]]) -> None:
    """A controller that keeps less closely to the specification leaves the kernel waiting: see Exact in bumble_probe.py."""
    for turn in ("first", "again", "once more"):
        assert found[f"hang up, {turn}"]["values"] == [pytest.approx(120.0)]


def test_connect_notify_drop_and_return(found: dict[str, dict[str, Any]]) -> None:
    sent = [pytest.approx(120.0 + number / 100) for number in range(ble_guest.NOTIFICATIONS)]
    for turn in ("first", "again"):
        assert found[f"notify, {turn}"]["values"] == sent
        assert "link was lost" in found[f"drop, {turn}"]["error"]


def test_broadcasts_are_heard(found: dict[str, dict[str, Any]]) -> None:
    assert found["broadcast"]["values"] == [pytest.approx(121.1 + number / 10) for number in range(5)]


def test_an_adapter_that_goes_is_told(found: dict[str, dict[str, Any]]) -> None:
    assert "link was lost" in found["adapter gone"]["error"]
    assert "adapter" in found["without adapter"]["error"]
