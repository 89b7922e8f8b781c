"""What `pitvigil doctor` thinks of what it found: facts in, findings out. No I/O here.

Every finding that is not good names its remedy.
"""

from __future__ import annotations

import stat
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from daemon.core.inputs import LinkCounts
from daemon.shell.report.picture.drawer import REMEDY
from daemon.texts.composer import PLAIN


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
        return f"{line}\n{PLAIN.words('command.doctor.remedy', remedy=self.remedy)}" if self.remedy else line


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
    about = PLAIN.words("command.doctor.of-device", device=device)
    if node is None:
        return Finding(
            Level.BAD, about, PLAIN.words("command.doctor.no-port", port=port), PLAIN.words("command.doctor.no-port-do")
        )
    if not stat.S_ISCHR(node.mode):
        return Finding(
            Level.BAD,
            about,
            PLAIN.words("command.doctor.not-serial", port=port),
            PLAIN.words("command.doctor.not-serial-do"),
        )
    if not may_use(node, account):
        remedy = PLAIN.words("command.doctor.may-not-open-do", group=node.group, user=account.name)
        return Finding(
            Level.BAD, about, PLAIN.words("command.doctor.may-not-open", user=account.name, port=port), remedy
        )
    others = sorted({h for h in holders if h != WATCH})
    if others:
        return Finding(
            Level.BAD,
            about,
            PLAIN.words("command.doctor.held", port=port, holders=tuple(others)),
            PLAIN.words("command.doctor.held-do", holder=others[0]),
        )
    if port.rpartition("/")[2].startswith(("ttyUSB", "ttyACM")):
        return Finding(
            Level.DOUBT,
            about,
            PLAIN.words("command.doctor.unstable", port=port),
            PLAIN.words("command.doctor.unstable-do"),
        )
    if WATCH in holders:
        return Finding(Level.GOOD, about, PLAIN.words("command.doctor.watched", port=port))
    return Finding(Level.GOOD, about, PLAIN.words("command.doctor.port", port=port, user=account.name))


def judge_adapter(
    adapters: Sequence[str], blocked: bool, bus: bool, account: Account, groups_here: frozenset[str]
) -> Finding:
    """For a rig with BLE devices. adapters: names such as hci0; bus: the system bus is there; groups_here: of the system."""
    about = PLAIN.words("command.doctor.of-ble")
    if not adapters:
        return Finding(
            Level.BAD, about, PLAIN.words("command.doctor.no-adapter"), PLAIN.words("command.doctor.no-adapter-do")
        )
    if blocked:
        return Finding(
            Level.BAD, about, PLAIN.words("command.doctor.blocked"), PLAIN.words("command.doctor.blocked-do")
        )
    if not bus:
        return Finding(Level.BAD, about, PLAIN.words("command.doctor.no-bus"), PLAIN.words("command.doctor.no-bus-do"))
    if account.uid != 0 and "bluetooth" in groups_here and "bluetooth" not in account.group_names:
        remedy = PLAIN.words("command.doctor.not-in-group-do", user=account.name)
        return Finding(Level.BAD, about, PLAIN.words("command.doctor.not-in-group", user=account.name), remedy)
    return Finding(Level.GOOD, about, PLAIN.words("command.doctor.adapter", adapters=tuple(adapters)))


# --- the computer --------------------------------------------------------------------------------------------


def judge_clock(plausible: bool, synchronised: bool | None, rtc: bool) -> Finding:
    """synchronised: by the network, None where nobody can tell; rtc: a clock chip."""
    about = PLAIN.words("command.doctor.of-clock")
    if not plausible:
        return Finding(
            Level.BAD, about, PLAIN.words("command.doctor.never-set"), PLAIN.words("command.doctor.never-set-do")
        )
    if synchronised is False:
        remedy = PLAIN.words("command.doctor.unkept-do") if rtc else PLAIN.words("command.doctor.unkept-no-chip-do")
        return Finding(Level.DOUBT, about, PLAIN.words("command.doctor.unkept"), remedy)
    how = PLAIN.words("command.doctor.kept") if synchronised else PLAIN.words("command.doctor.set")
    return Finding(Level.GOOD, about, how if rtc else PLAIN.words("command.doctor.no-chip", how=how))


@dataclass(frozen=True, slots=True)
class DiskFacts:
    """directory: of the journal; refusal: why nothing can be written there, or None; free: bytes."""

    directory: str
    refusal: str | None
    free: int


def judge_disk(facts: DiskFacts, account: Account) -> Finding:
    about = PLAIN.words("command.doctor.of-disk")
    if facts.refusal:
        remedy = PLAIN.words("command.doctor.unwritable-do", user=account.name)
        return Finding(
            Level.BAD,
            about,
            PLAIN.words("command.doctor.unwritable", directory=facts.directory, why=facts.refusal),
            remedy,
        )
    free = PLAIN.words("command.doctor.free", free=facts.free // MIB, directory=facts.directory)
    if facts.free < SPACE_NEEDED:
        return Finding(Level.BAD, about, free, PLAIN.words("command.doctor.full-do"))
    if facts.free < SPACE_WANTED:
        return Finding(Level.DOUBT, about, free, PLAIN.words("command.doctor.tight-do"))
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
    about = PLAIN.words("command.doctor.of-card")
    if card is None:
        return Finding(Level.GOOD, about, PLAIN.words("command.doctor.no-card"))
    worst = max(life_time, default=0)
    if worst == 0 and pre_eol == 0:
        return Finding(Level.GOOD, about, PLAIN.words("command.doctor.untold-wear", card=card))
    remedy = PLAIN.words("command.doctor.wear-do")
    if worst > LIFE_STEPS or pre_eol >= PRE_EOL_URGENT:
        return Finding(Level.BAD, about, PLAIN.words("command.doctor.worn", card=card), remedy)
    used = (
        PLAIN.words("command.doctor.used", card=card, used=worst * 10)
        if worst
        else PLAIN.words("command.doctor.reserves", card=card)
    )
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
    about = PLAIN.words("command.doctor.of-lines", device=counts.device)
    text = PLAIN.words("command.doctor.lines", lost=counts.lost, refused=counts.refused, restarts=counts.restarts)
    if counts.restarts >= RESTARTS_DOUBT:
        return Finding(Level.DOUBT, about, text, PLAIN.words("command.doctor.restarts-do"))
    if counts.lost + counts.refused >= LOSSES_DOUBT:
        return Finding(Level.DOUBT, about, text, PLAIN.words("command.doctor.losses-do"))
    return Finding(Level.GOOD, about, text)


# --- who is told ---------------------------------------------------------------------------------------------


def judge_broker(host: str, port: int, error: str | None) -> Finding:
    about = PLAIN.words("command.doctor.of-broker")
    if error is None:
        return Finding(Level.GOOD, about, PLAIN.words("command.doctor.broker", host=host, port=port))
    text = PLAIN.words("command.doctor.no-broker", host=host, port=port, why=error)
    return Finding(Level.DOUBT, about, text, PLAIN.words("command.doctor.no-broker-do"))


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
    about = PLAIN.words("command.doctor.of-secret", name=facts.name)
    mode = "" if facts.mode is None else f"{facts.mode:04o}"
    if facts.mode is None:
        return Finding(
            Level.BAD,
            about,
            PLAIN.words("command.doctor.no-secret", file=facts.path),
            PLAIN.words("command.doctor.no-secret-do", file=facts.path),
        )
    if facts.mode & 0o077 and not facts.by_systemd:
        text = PLAIN.words("command.doctor.open-secret", file=facts.path, mode=mode)
        return Finding(Level.BAD, about, text, PLAIN.words("command.doctor.open-secret-do", file=facts.path))
    if facts.empty:
        return Finding(
            Level.BAD,
            about,
            PLAIN.words("command.doctor.empty-secret", file=facts.path),
            PLAIN.words("command.doctor.empty-secret-do"),
        )
    return Finding(Level.GOOD, about, PLAIN.words("command.doctor.secret", file=facts.path, mode=mode))


def judge_deliveries(names: Sequence[str], lacking: dict[str, str], wakes: bool, dead_man: bool) -> list[Finding]:
    """lacking: delivery name -> what this computer lacks for it; wakes: one of them reaches a sleeper."""
    about = PLAIN.words("command.doctor.of-deliveries")
    if not names:
        return [
            Finding(Level.BAD, about, PLAIN.words("command.doctor.nobody"), PLAIN.words("command.doctor.nobody-do"))
        ]
    findings = []
    for name in names:
        one = PLAIN.words("command.doctor.of-delivery", name=name)
        if name in lacking:
            what = lacking[name]
            text, remedy = (
                PLAIN.words("command.doctor.lacking", what=what),
                PLAIN.words("command.doctor.lacking-do", what=what),
            )
            findings.append(Finding(Level.BAD, one, text, remedy))
        else:
            findings.append(Finding(Level.GOOD, one, PLAIN.words("command.doctor.delivery")))
    if not wakes:
        findings.append(
            Finding(
                Level.BAD, about, PLAIN.words("command.doctor.no-waking"), PLAIN.words("command.doctor.no-waking-do")
            )
        )
    if not dead_man:
        text, remedy = PLAIN.words("command.doctor.no-dead-man"), PLAIN.words("command.doctor.no-dead-man-do")
        findings.append(Finding(Level.DOUBT, PLAIN.words("command.doctor.of-dead-man"), text, remedy))
    return findings


def judge_chart(rig_file: str, key: str) -> Finding:
    """For a delivery that asks for a picture where the drawing library is missing."""
    about = PLAIN.words("command.doctor.of-key", file=rig_file, place=key)
    return Finding(Level.DOUBT, about, PLAIN.words("command.doctor.no-drawing"), REMEDY)
