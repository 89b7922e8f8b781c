"""What `pitvigil doctor` thinks of what it found: facts in, findings out. No I/O here.

Every finding that is not good names its remedy.
"""

from __future__ import annotations

import stat
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from daemon.core.inputs import LinkCounts
from daemon.shell.report.drawer import REMEDY


class Level(Enum):
    """How bad it is: only BAD fails the doctor."""

    GOOD = "good"
    DOUBT = "doubt"
    BAD = "BAD"


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the report. remedy: what to do, empty when good."""

    level: Level
    about: str
    text: str
    remedy: str = ""

    def __str__(self) -> str:
        line = f"{self.level.value:>5}  {self.about}: {self.text}"
        return f"{line}\n       -> {self.remedy}" if self.remedy else line


MIB = 1024 * 1024
SPACE_NEEDED = 50 * MIB
"""bytes: a night's journal several times over (our own bound)"""
SPACE_WANTED = 500 * MIB
"""bytes: about a month of readings of eight channels and the system's log (our own bound)"""


@dataclass(frozen=True, slots=True)
class Account:
    """Whom the watch runs as. groups: numbers, its main one among them; group_names: their names."""

    name: str
    uid: int
    groups: frozenset[int]
    group_names: frozenset[str]


@dataclass(frozen=True, slots=True)
class Node:
    """A file as the file system tells of it. mode: type and permission bits."""

    mode: int
    uid: int
    gid: int
    group: str


def may_use(node: Node, account: Account) -> bool:
    """Reading and writing, by the permission bits (POSIX file access permissions: the first class that fits decides)."""
    if account.uid == 0:
        return True
    if account.uid == node.uid:
        wanted = stat.S_IRUSR | stat.S_IWUSR
    elif node.gid in account.groups:
        wanted = stat.S_IRGRP | stat.S_IWGRP
    else:
        wanted = stat.S_IROTH | stat.S_IWOTH
    return node.mode & wanted == wanted


# --- devices -------------------------------------------------------------------------------------------------


WATCH = "pitvigil"
"""The running watch among those that have a port open."""


def judge_port(device: str, port: str, node: Node | None, account: Account, holders: Sequence[str]) -> Finding:
    """holders: names of the programs that have it open now, as far as we may see them. The watch itself may."""
    about = f"device {device}"
    if node is None:
        return Finding(
            Level.BAD, about, f"{port} is not there", "plug it in and power it; `pitvigil devices` lists ports"
        )
    if not stat.S_ISCHR(node.mode):
        return Finding(Level.BAD, about, f"{port} is no serial port", "`pitvigil devices` lists the ports there are")
    if not may_use(node, account):
        remedy = f"usermod --append --groups {node.group} {account.name}, then start the watch again"
        return Finding(Level.BAD, about, f"{account.name} may not open {port}", remedy)
    others = sorted({h for h in holders if h != WATCH})
    if others:
        return Finding(
            Level.BAD, about, f"{port} is held by {', '.join(others)}", f"stop {others[0]}: two cannot share a line"
        )
    if port.rpartition("/")[2].startswith(("ttyUSB", "ttyACM")):
        remedy = "name it by /dev/serial/by-id: numbers change when things are plugged in another order"
        return Finding(Level.DOUBT, about, f"{port} may be opened", remedy)
    if WATCH in holders:
        return Finding(Level.GOOD, about, f"{port} is there, and the running watch reads it")
    return Finding(Level.GOOD, about, f"{port} is there and {account.name} may open it")


def judge_adapter(
    adapters: Sequence[str], blocked: bool, bus: bool, account: Account, groups_here: frozenset[str]
) -> Finding:
    """For a rig with BLE devices. adapters: names such as hci0; bus: the system bus is there; groups_here: of the system."""
    about = "BLE"
    if not adapters:
        remedy = "plug one in, or load its driver; dmesg tells what the kernel saw"
        return Finding(Level.BAD, about, "this computer has no Bluetooth adapter", remedy)
    if blocked:
        return Finding(Level.BAD, about, "the adapter is switched off by rfkill", "rfkill unblock bluetooth")
    if not bus:
        remedy = "install and start dbus and bluez: apt install bluez"
        return Finding(Level.BAD, about, "there is no system bus, over which BLE works", remedy)
    if account.uid != 0 and "bluetooth" in groups_here and "bluetooth" not in account.group_names:
        remedy = f"usermod --append --groups bluetooth {account.name}, then start the watch again"
        return Finding(Level.BAD, about, f"{account.name} is not in the group bluetooth", remedy)
    return Finding(Level.GOOD, about, f"adapter {', '.join(adapters)}")


# --- the computer --------------------------------------------------------------------------------------------


def judge_clock(plausible: bool, synchronised: bool | None, rtc: bool) -> Finding:
    """synchronised: by the network, None where nobody can tell; rtc: a clock chip."""
    if not plausible:
        remedy = (
            "connect the network once, or set it by hand: timedatectl set-time; serving times hang on it, alarms do not"
        )
        return Finding(Level.BAD, "clock", "it was never set", remedy)
    if synchronised is False:
        remedy = (
            "timedatectl set-ntp true"
            if rtc
            else "timedatectl set-ntp true; without a clock chip a power cut sets it back"
        )
        return Finding(Level.DOUBT, "clock", "set, but not kept by the network", remedy)
    how = "kept by the network" if synchronised else "set"
    return Finding(
        Level.GOOD, "clock", how if rtc else f"{how}; no clock chip, so it is wrong after a power cut until then"
    )


@dataclass(frozen=True, slots=True)
class DiskFacts:
    """directory: of the journal; refusal: why nothing can be written there, or None; free: bytes."""

    directory: str
    refusal: str | None
    free: int


def judge_disk(facts: DiskFacts, account: Account) -> Finding:
    about = "disk"
    if facts.refusal:
        remedy = f"see that {account.name} owns it and that its file system is not read-only (mount, dmesg)"
        return Finding(Level.BAD, about, f"{facts.directory} cannot be written: {facts.refusal}", remedy)
    free = f"{facts.free // MIB} MiB free in {facts.directory}"
    if facts.free < SPACE_NEEDED:
        return Finding(Level.BAD, about, free, "make room before the cook: apt clean; journalctl --vacuum-size=64M")
    if facts.free < SPACE_WANTED:
        return Finding(Level.DOUBT, about, free, "enough for a night, not for a month: make room")
    return Finding(Level.GOOD, about, free)


LIFE_STEPS = 10
"""JEDEC eMMC (JESD84-B51, from memory), DEVICE_LIFE_TIME_EST_TYP_A/B: 1 = up to 10 % of its life used ... 10 = up to
100 %, 11 = exceeded; 0 = not defined. The kernel's mmc attributes life_time and pre_eol_info pass them on."""
LIFE_DOUBT = 8
PRE_EOL_NORMAL = 1
"""PRE_EOL_INFO: 1 normal, 2 = 80 % of the reserved blocks consumed, 3 urgent; 0 = not defined."""
PRE_EOL_URGENT = 3


def judge_wear(card: str | None, life_time: Sequence[int], pre_eol: int) -> Finding:
    """life_time: steps of both memory types, empty where the card does not tell. card: None where there is no such card."""
    about = "card"
    if card is None:
        return Finding(Level.GOOD, about, "the journal is on no memory card that tells its wear")
    worst = max(life_time, default=0)
    if worst == 0 and pre_eol == 0:
        return Finding(Level.GOOD, about, f"{card} does not tell its wear, as most SD cards do not; keep a spare")
    remedy = "copy it to a new one before the next cook"
    if worst > LIFE_STEPS or pre_eol >= PRE_EOL_URGENT:
        return Finding(Level.BAD, about, f"{card} is worn out", remedy)
    used = f"{card}: up to {worst * 10} % of its life used" if worst else f"{card}: reserve blocks being used"
    if worst >= LIFE_DOUBT or pre_eol > PRE_EOL_NORMAL:
        return Finding(Level.DOUBT, about, used, remedy)
    return Finding(Level.GOOD, about, used)


# --- what came from the devices ------------------------------------------------------------------------------

LOSSES_DOUBT = 100
"""lines lost or refused since the watch began that are more than noise (our own bound)"""
RESTARTS_DOUBT = 3
"""restarts of a board since the watch began; plugging it in is one (our own bound)"""


def judge_link(counts: LinkCounts) -> Finding:
    """counts: what the newest watch told of one device."""
    about = f"lines of {counts.device}"
    text = f"lost {counts.lost}, refused {counts.refused}, restarts {counts.restarts} since the watch began"
    if counts.restarts >= RESTARTS_DOUBT:
        return Finding(Level.DOUBT, about, text, "look at the board's supply and plug")
    if counts.lost + counts.refused >= LOSSES_DOUBT:
        return Finding(
            Level.DOUBT, about, text, "shorten or shield the cable, keep it off mains leads, send a checksum"
        )
    return Finding(Level.GOOD, about, text)


# --- who is told ---------------------------------------------------------------------------------------------


def judge_broker(host: str, port: int, error: str | None) -> Finding:
    if error is None:
        return Finding(Level.GOOD, "broker", f"{host}:{port} answers")
    remedy = "start it, and see [broker] in the rig; alarms by other ways do not need it"
    return Finding(Level.DOUBT, "broker", f"{host}:{port} cannot be reached: {error}", remedy)


@dataclass(frozen=True, slots=True)
class SecretFacts:
    """path: where it was looked for; mode: permission bits, None when there is no such file; empty: no first line;
    by_systemd: a credential, which systemd guards."""

    name: str
    path: str
    mode: int | None
    empty: bool = False
    by_systemd: bool = False


def judge_secret(facts: SecretFacts) -> Finding:
    about = f"secret {facts.name}"
    if facts.mode is None:
        return Finding(
            Level.BAD, about, f"{facts.path} is not there, or not for us to see", f"create {facts.path}, mode 0600"
        )
    if facts.mode & 0o077 and not facts.by_systemd:
        text = f"others may read {facts.path} (mode {facts.mode:04o}); it will be refused"
        return Finding(Level.BAD, about, text, f"chmod 600 {facts.path}")
    if facts.empty:
        return Finding(Level.BAD, about, f"{facts.path} is empty", "the secret belongs on its first line")
    return Finding(Level.GOOD, about, f"{facts.path}, mode {facts.mode:04o}")


def judge_deliveries(names: Sequence[str], lacking: dict[str, str], wakes: bool, dead_man: bool) -> list[Finding]:
    """lacking: delivery name -> what this computer lacks for it; wakes: one of them reaches a sleeper."""
    if not names:
        return [Finding(Level.BAD, "deliveries", "nobody can be told anything", "add a [[delivery]] to the rig")]
    findings = []
    for name in names:
        if name in lacking:
            findings.append(
                Finding(Level.BAD, f"delivery {name}", f"needs {lacking[name]}", f"install {lacking[name]}")
            )
        else:
            findings.append(Finding(Level.GOOD, f"delivery {name}", "can be tried: pitvigil notify-test"))
    if not wakes:
        remedy = 'give one delivery audience = ["phone"] or ["sounder"]'
        findings.append(Finding(Level.BAD, "deliveries", "none of them wakes anybody", remedy))
    if not dead_man:
        remedy = "set [dead_man], or let the hub alarm when the heartbeat stops"
        findings.append(Finding(Level.DOUBT, "dead man", "nobody outside notices when this computer dies", remedy))
    return findings


def judge_chart(rig_file: str, key: str) -> Finding:
    """For a delivery that asks for a picture where the drawing library is missing."""
    text = "chart = true, but matplotlib is not installed: its messages go without a picture"
    return Finding(Level.DOUBT, f"{rig_file}: {key}", text, REMEDY)
