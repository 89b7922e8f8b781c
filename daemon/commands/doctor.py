"""`pitvigil doctor`: looks at the computer, the rig's devices and its deliveries, and says a remedy for all that is amiss.

Nothing is opened that opening could disturb: some boards start anew when their port is opened.
"""

from __future__ import annotations

import asyncio
import contextlib
import grp
import os
import pwd
import re
import shutil
import sqlite3
import stat
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path

from config.loader import load_both
from config.rig import BrokerSection, Rig
from daemon.commands.doctor_findings import (
    WATCH,
    Account,
    DiskFacts,
    Finding,
    Level,
    Node,
    SecretFacts,
    judge_adapter,
    judge_broker,
    judge_chart,
    judge_clock,
    judge_deliveries,
    judge_disk,
    judge_link,
    judge_port,
    judge_secret,
    judge_wear,
    may_use,
)
from daemon.core.inputs import LinkCounts
from daemon.shell.clock import PLAUSIBLE_SINCE, wall_seconds
from daemon.shell.hub.link_settings import tls_context
from daemon.shell.journal.connection import connect
from daemon.shell.state.secrets import CREDENTIALS_VARIABLE
from daemon.shell.wording import input_from_json
from daemon.texts.composer import PLAIN
from daemon.texts.problems import place_of
from daemon.wiring.settings_from_files import undrawn_charts
from daemon.wiring.state_directory import JOURNAL_FILE, state_directory

SERVICE_USER = "pitvigil"
SERVICE_STATE = Path("/var/lib/pitvigil")
SERVICE_SECRETS = Path("/etc/pitvigil/secrets")
CREDENTIAL_PREFIX = "secret_"
"""How pitvigil.service names what lies in SERVICE_SECRETS (LoadCredential=secret:...)."""
PATIENCE = 3.0
"""s for the broker, and for the system to tell whether its clock is kept."""
SYSTEM_BUS = Path("/run/dbus/system_bus_socket")
WAKING = frozenset({"phone", "louder", "sounder"})


async def doctor(rig_path: Path, cook_path: Path | None, say: Callable[[str], None], state: Path | None = None) -> int:
    """Says every finding. 0 when none is bad, else 1. state: directory of the journal, None = the usual one. Raises ConfigError
    when the files cannot be used at all."""
    rig, _ = load_both(rig_path, cook_path)
    account = watching_account()
    directory = _state(rig, account) if state is None else state
    findings = [
        *_devices(rig, account, directory),
        _clock(),
        *_disk(directory, account),
        *_secrets(rig),
        *_deliveries(rig),
    ]
    findings += [
        judge_chart(problem.file, PLAIN.say(place_of(problem))) for problem in undrawn_charts(rig, str(rig_path))
    ]
    findings += [judge_link(counts) for counts in links(directory / JOURNAL_FILE)]
    if rig.broker is not None:
        findings.append(judge_broker(rig.broker.host, rig.broker.port, await _broker_error(rig.broker)))
    say(PLAIN.words("command.doctor.for-user", name=account.name))
    for finding in findings:
        say(str(finding))
    bad = sum(f.level is Level.BAD for f in findings)
    say(PLAIN.words("command.doctor.to-mend", bad=bad) if bad else PLAIN.words("command.doctor.in-order"))
    return 1 if bad else 0


def watching_account() -> Account:
    """Root asks for the service's user, if there is one; anybody else for himself."""
    entry = pwd.getpwuid(os.geteuid())
    if entry.pw_uid == 0:
        try:
            entry = pwd.getpwnam(SERVICE_USER)
        except KeyError:
            return _account(entry, os.getgroups())
        return _account(entry, os.getgrouplist(entry.pw_name, entry.pw_gid))
    return _account(entry, os.getgroups())


def _account(entry: pwd.struct_passwd, groups: list[int]) -> Account:
    numbers = frozenset(groups) | {entry.pw_gid}
    return Account(entry.pw_name, entry.pw_uid, numbers, frozenset(_group_name(g) for g in numbers))


def _group_name(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


def node(path: Path) -> Node | None:
    """What the file system says of a file, None when it is not there or not for us to see."""
    try:
        status = path.stat()
    except OSError:
        return None
    return Node(status.st_mode, status.st_uid, status.st_gid, _group_name(status.st_gid))


INTERPRETER = re.compile(r"python[0-9.]*|node|perl|ruby|(ba|da|z)?sh")


def holders(path: Path, proc: Path = Path("/proc"), state: Path | None = None) -> list[str]:
    """Names of the programs that have the file open, among those whose files we may see. state: directory of a journal: the
    watch that keeps it open is called WATCH, whatever its program is."""
    watching = set() if state is None or not state.is_dir() else set(_open_in(state, proc))
    return [WATCH if process in watching else name for process in _open_in(path, proc) if (name := _name(process))]


def _open_in(path: Path, proc: Path) -> Iterator[Path]:
    """Directories under /proc of the processes that have the file open."""
    for descriptor in proc.glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):  # ended meanwhile, not ours to see, or no file any more
            if descriptor.samefile(path):
                yield descriptor.parents[1]


def _name(process: Path) -> str:
    """What somebody would know it by ("minicom", "pitvigil demo", "logger.py (python3)"), with the number to end it by. A watch,
    of whichever state, is WATCH."""
    try:
        told = (process / "cmdline").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        told = []
    program = known_as([word for word in told if word]) or _text(process / "comm")
    return program if program in ("", WATCH) else PLAIN.words("command.doctor.process", name=program, id=process.name)


def known_as(words: Sequence[str]) -> str:
    """words: a command line. Of what an interpreter runs, its script or module is the program."""
    if not words:
        return ""
    first, *rest = (word.rpartition("/")[2] for word in words)
    if INTERPRETER.fullmatch(first):
        plain = [n for n, word in enumerate(rest) if not word.startswith("-") or word == "-m"]
        at = plain[0] if plain else None
        if at is not None and rest[at] == "-m":
            at += 1
        if at is None or at >= len(rest) or "-c" in rest[:at]:
            return first
        script, rest = rest[at], rest[at + 1 :]
        if script not in (WATCH, "daemon.cli"):
            return f"{script} ({first})"
        first = WATCH
    if first != WATCH:
        return first
    order = next((word for word in rest if not word.startswith("-")), "")
    return WATCH if order == "run" else f"{WATCH} {order}".strip()


# --- the probes ----------------------------------------------------------------------------------------------


def _devices(rig: Rig, account: Account, state: Path) -> Iterator[Finding]:
    for device in rig.devices:
        if device.kind in ("serial-line", "modbus", "scpi"):
            path = Path(device.port)
            held_by = holders(path, state=state) if path.exists() else []
            yield judge_port(device.id, device.port, node(path), account, held_by)
    if any(device.kind in ("ble-gatt", "ble-advert") for device in rig.devices):
        adapters = sorted(p.name for p in Path("/sys/class/bluetooth").glob("hci*") if ":" not in p.name)
        groups_here = frozenset(g.gr_name for g in grp.getgrall())
        yield judge_adapter(adapters, _radio_blocked(), SYSTEM_BUS.exists(), account, groups_here)


def _radio_blocked(rfkill: Path = Path("/sys/class/rfkill")) -> bool:
    for switch in rfkill.glob("*"):
        if _text(switch / "type") == "bluetooth" and "1" in (_text(switch / "soft"), _text(switch / "hard")):
            return True
    return False


def _text(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def _clock() -> Finding:
    synchronised: bool | None = None
    command = ["timedatectl", "show", "--property=NTPSynchronized", "--value"]
    with contextlib.suppress(OSError, subprocess.TimeoutExpired):  # no such program, or nobody answers it
        told = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE, check=False)  # nosec B603  # fixed words, no shell
        synchronised = {"yes": True, "no": False}.get(told.stdout.strip())
    return judge_clock(wall_seconds() >= PLAUSIBLE_SINCE, synchronised, Path("/sys/class/rtc/rtc0").exists())


def _state(rig: Rig, account: Account) -> Path:
    if account.name == SERVICE_USER and rig.state_directory is None:
        return SERVICE_STATE
    return state_directory(rig, None)


def links(journal: Path) -> list[LinkCounts]:
    """What the newest watch told of each device on whose way something went wrong; nothing where nothing can be read."""
    told: dict[str, LinkCounts] = {}
    with (
        contextlib.suppress(sqlite3.Error),
        contextlib.closing(connect(f"file:{journal}?mode=ro", uri=True, timeout=PATIENCE)) as db,
    ):
        rows = db.execute(
            "SELECT body FROM inputs WHERE kind = 'LinkCounts' AND seq >= (SELECT max(input) FROM starts) ORDER BY seq"
        )
        for (body,) in rows:
            counts = input_from_json("LinkCounts", body)
            assert isinstance(counts, LinkCounts)
            told[counts.device] = counts
    return list(told.values())


def _disk(directory: Path, account: Account) -> Iterator[Finding]:
    wanted = str(directory)
    while not directory.exists():  # made at the first start: what counts is where
        directory = directory.parent
    room = os.statvfs(directory)
    yield judge_disk(DiskFacts(wanted, writing_refusal(directory, account), room.f_bavail * room.f_frsize), account)
    yield judge_wear(*card_wear(directory))


def writing_refusal(directory: Path, account: Account) -> str | None:
    """Why nothing can be written there. Tried for real where we are that user; by the permission bits elsewhere."""
    if os.statvfs(directory).f_flag & os.ST_RDONLY:
        return PLAIN.words("command.doctor.read-only")
    if account.uid != os.geteuid():
        there = node(directory)
        made_by_service = directory in SERVICE_STATE.parents  # systemd makes the rest, as root
        if made_by_service or (there is not None and may_use(there, account)):
            return None
        return PLAIN.words("command.doctor.not-permitted")
    try:
        with tempfile.TemporaryFile(dir=directory) as file:
            file.write(b"x")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        return error.strerror or str(error)
    return None


def card_wear(directory: Path, system: Path = Path("/sys/dev/block")) -> tuple[str | None, list[int], int]:
    """(card, life_time steps, pre_eol) of the MMC or SD card that holds the directory; (None, [], 0) when none does."""
    number = directory.stat().st_dev
    block = (system / f"{os.major(number)}:{os.minor(number)}").resolve()
    for disk in (block, *block.parents):
        if disk.name.startswith("mmcblk") and (disk / "device").is_dir():
            life = [int(word, 0) for word in _text(disk / "device/life_time").split()]
            return disk.name, life, int(_text(disk / "device/pre_eol_info") or "0", 0)
    return None, [], 0


def _secrets(rig: Rig) -> Iterator[Finding]:
    """Of deliveries, page, broker and encrypted broadcasts: every `*_file` key that read_secret will be asked for."""
    keys = ("secret_file", "password_file", "url_file", "token_file", "bind_key_file")
    for section in (rig.broker, rig.page, *rig.delivery, *rig.devices):
        for key in keys:
            name = getattr(section, key, None)
            if name:
                yield judge_secret(secret_facts(name))


def secret_facts(name: str) -> SecretFacts:
    """Where the watch will find the secret: as a credential, as the service's file behind one, or at its path."""
    directory = os.environ.get(CREDENTIALS_VARIABLE)
    path = Path(name)
    by_systemd = "/" not in name and directory is not None and (Path(directory) / name).is_file()
    if by_systemd and directory is not None:
        path = Path(directory) / name
    elif "/" not in name and name.startswith(CREDENTIAL_PREFIX):
        path = SERVICE_SECRETS / name.removeprefix(CREDENTIAL_PREFIX)
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        with path.open(encoding="utf-8") as file:
            empty = not file.readline().strip()
    except OSError:
        return SecretFacts(name, str(path), None)
    return SecretFacts(name, str(path), mode, empty, by_systemd)


def _deliveries(rig: Rig) -> list[Finding]:
    lacking = {}
    for delivery in rig.delivery:
        program = {"command": getattr(delivery, "command", ("",))[0], "gpio": "gpioset"}.get(delivery.kind)
        if program is not None and shutil.which(program) is None:
            lacking[delivery.name] = PLAIN.words("command.doctor.program", name=program)
        if delivery.kind == "apprise" and find_spec("apprise") is None:
            lacking[delivery.name] = PLAIN.words("command.doctor.library", name="apprise")
    wakes = any(WAKING & set(delivery.audience) for delivery in rig.delivery)
    return judge_deliveries([d.name for d in rig.delivery], lacking, wakes, rig.dead_man is not None)


async def _broker_error(broker: BrokerSection) -> str | None:
    """Why no connection (with TLS, if asked for) comes about; None when one does."""
    try:
        tls = tls_context(broker.tls.ca_file, broker.tls.certificate_file, broker.tls.key_file) if broker.tls else None
        async with asyncio.timeout(PATIENCE):
            _, writer = await asyncio.open_connection(broker.host, broker.port, ssl=tls)
    except TimeoutError:
        return PLAIN.words("command.doctor.no-answer", patience=PATIENCE)
    except ConnectionRefusedError:
        return PLAIN.words("command.doctor.nobody-listens")
    except OSError as error:  # ssl.SSLError too
        return error.strerror or str(error)
    writer.close()
    return None
