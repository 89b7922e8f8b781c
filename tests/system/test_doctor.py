"""The doctor: every fault it may find has a remedy, and none is found where there is none."""

from __future__ import annotations

import os
import socket
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import cli
from daemon.commands.doctor import (
    card_wear,
    doctor,
    holders,
    known_as,
    links,
    node,
    secret_facts,
    watching_account,
    writing_refusal,
)
from daemon.commands.doctor_findings import (
    LIFE_STEPS,
    SPACE_NEEDED,
    SPACE_WANTED,
    WATCH,
    Account,
    DiskFacts,
    Finding,
    Level,
    Node,
    SecretFacts,
    judge_adapter,
    judge_broker,
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
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.state.state_lock import StateLock

DIALOUT, OWN_GROUP = 20, 995
COOK = Account("pitvigil", 999, frozenset({OWN_GROUP, DIALOUT}), frozenset({"pitvigil", "dialout"}))
STRANGER = Account("pitvigil", 999, frozenset({OWN_GROUP}), frozenset({"pitvigil"}))
TTY = Node(stat.S_IFCHR | 0o660, 0, DIALOUT, "dialout")
PORT = "/dev/serial/by-id/usb-board"


def level(finding: Finding) -> Level:
    assert bool(finding.remedy) == (finding.level is not Level.GOOD), finding
    return finding.level


# --- what came from the devices ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("counts", "how", "remedy"),
    [
        (LinkCounts("board", lost=3, refused=2, restarts=1), Level.GOOD, ""),
        (LinkCounts("board", lost=60, refused=40), Level.DOUBT, "cable"),
        (LinkCounts("board", restarts=3), Level.DOUBT, "supply"),
    ],
)
def test_losses_on_a_line_are_judged(counts: LinkCounts, how: Level, remedy: str) -> None:
    finding = judge_link(counts)
    assert level(finding) is how
    assert remedy in finding.remedy


def test_the_doctor_reads_the_losses_of_the_newest_watch(tmp_path: Path) -> None:
    assert links(tmp_path / "journal.sqlite") == []
    journal = Journal.opened(tmp_path / "journal.sqlite")
    told = [
        LinkCounts("board", lost=9),
        LinkCounts("board", lost=1),
        LinkCounts("hold", lost=4),
        LinkCounts("board", lost=2),
    ]
    for number, item in enumerate(told):
        if number in (0, 1):  # a watch, and the one after it
            journal.take_start(Start(journal.last_input + 1, float(number), "boot", 0.0, "", None))
        journal.take_input(item, float(number))
    journal.commit(5.0)
    assert links(tmp_path / "journal.sqlite") == [LinkCounts("board", lost=2), LinkCounts("hold", lost=4)]
    journal.close()


# --- permissions ---------------------------------------------------------------------------------------------


@given(st.integers(0, 0o777), st.booleans(), st.booleans())
def test_permission_follows_the_first_class_that_fits(mode: int, owner: bool, member: bool) -> None:
    """POSIX.1-2017, Base Definitions 4.5, File Access Permissions (from memory)."""
    file = Node(stat.S_IFREG | mode, 999 if owner else 0, DIALOUT if member else 7, "any")
    digit = mode >> 6 if owner else mode >> 3 if member else mode
    assert may_use(file, COOK) == (digit & 0o6 == 0o6)


def test_permission_agrees_with_the_kernel(tmp_path: Path) -> None:
    """os.access is the kernel's own answer for the account that runs the checks."""
    me = watching_account() if os.geteuid() else Account("root", 0, frozenset({0}), frozenset({"root"}))
    file = tmp_path / "file"
    file.touch()
    for mode in (0o000, 0o200, 0o400, 0o600, 0o066, 0o666):
        file.chmod(mode)
        seen = node(file)
        assert seen is not None
        assert may_use(seen, me) == os.access(file, os.R_OK | os.W_OK)


# --- devices -------------------------------------------------------------------------------------------------


def test_ports() -> None:
    assert level(judge_port("board", PORT, TTY, COOK, [])) is Level.GOOD
    assert level(judge_port("board", PORT, TTY, COOK, ["pitvigil"])) is Level.GOOD, "the running watch has it open"
    missing = judge_port("board", PORT, None, COOK, [])
    assert level(missing) is Level.BAD
    assert "plug it in" in missing.remedy
    plain = Node(stat.S_IFREG | 0o666, 0, 0, "root")
    assert level(judge_port("board", PORT, plain, COOK, [])) is Level.BAD
    refused = judge_port("board", PORT, TTY, STRANGER, [])
    assert level(refused) is Level.BAD
    assert "usermod --append --groups dialout pitvigil" in refused.remedy
    held = judge_port("board", PORT, TTY, COOK, ["minicom"])
    assert level(held) is Level.BAD
    assert "minicom" in held.remedy
    assert level(judge_port("board", "/dev/ttyUSB0", TTY, COOK, [])) is Level.DOUBT
    assert level(judge_port("board", "/dev/ttyAMA0", TTY, COOK, [])) is Level.GOOD, "a soldered port keeps its name"
    watched = judge_port("board", "/dev/ttyAMA0", TTY, COOK, [WATCH])
    assert level(watched) is Level.GOOD and "running watch reads it" in str(watched) and "stop" not in str(watched)


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ("minicom -D /dev/ttyUSB0", "minicom"),
        ("/usr/bin/python3 /home/cook/logger.py --every 5", "logger.py (python3)"),
        ("python3.11 -u -m serial.tools.miniterm /dev/ttyUSB0", "serial.tools.miniterm (python3.11)"),
        ("python3 -c pass", "python3"),
        ("/bin/sh /home/cook/read.sh", "read.sh (sh)"),
        ("/opt/venv/bin/python /opt/venv/bin/pitvigil devices --rig rig.toml", "pitvigil devices"),
        ("/opt/venv/bin/pitvigil calibrate chuck", "pitvigil calibrate"),
        ("/opt/venv/bin/python3 -m daemon.cli demo", "pitvigil demo"),
        ("python /opt/venv/bin/pitvigil run --rig rig.toml", WATCH),
        ("", ""),
    ],
)
def test_who_holds_a_port_is_called_by_what_it_runs(line: str, name: str) -> None:
    assert known_as(line.split()) == name


def test_holders_names_who_has_a_file_open(tmp_path: Path) -> None:
    file = tmp_path / "port"
    file.touch()
    assert holders(file) == []
    with file.open():
        (own,) = holders(file)
        line = Path("/proc/self/cmdline").read_text().split("\0")
        assert own == f"{known_as([word for word in line if word])} (process {os.getpid()})"
        state = tmp_path / "state"
        assert holders(file, state=state) == holders(file), "no watch was ever started there"
        state.mkdir()
        assert holders(file, state=state) == holders(file), "nobody watches there now"
        lock = StateLock(state)
        lock.take()
        assert holders(file, state=state) == [WATCH], "whoever keeps that journal is the watch, whatever it is called"
        lock.release()


def test_adapter() -> None:
    groups = frozenset({"bluetooth", "dialout"})
    member = Account("pitvigil", 999, frozenset({1}), frozenset({"bluetooth"}))
    assert level(judge_adapter(["hci0"], False, True, member, groups)) is Level.GOOD
    assert level(judge_adapter(["hci0"], False, True, COOK, frozenset())) is Level.GOOD, "a system without that group"
    for bad, word in (
        (judge_adapter([], False, True, member, groups), "plug"),
        (judge_adapter(["hci0"], True, True, member, groups), "rfkill unblock"),
        (judge_adapter(["hci0"], False, False, member, groups), "bluez"),
        (judge_adapter(["hci0"], False, True, COOK, groups), "usermod"),
    ):
        assert level(bad) is Level.BAD
        assert word in bad.remedy


# --- the computer --------------------------------------------------------------------------------------------


def test_clock() -> None:
    assert level(judge_clock(False, None, True)) is Level.BAD
    assert level(judge_clock(True, False, True)) is Level.DOUBT
    assert level(judge_clock(True, True, False)) is Level.GOOD
    assert "power cut" in judge_clock(True, True, False).text
    assert "power cut" not in judge_clock(True, True, True).text


@given(st.integers(0, 4 * SPACE_WANTED))
def test_disk_space(free: int) -> None:
    expected = Level.BAD if free < SPACE_NEEDED else Level.DOUBT if free < SPACE_WANTED else Level.GOOD
    assert level(judge_disk(DiskFacts("/var/lib/pitvigil", None, free), COOK)) is expected
    assert level(judge_disk(DiskFacts("/var/lib/pitvigil", "read-only", free), COOK)) is Level.BAD


def test_writing_is_tried_for_real(tmp_path: Path) -> None:
    me = Account("me", os.geteuid(), frozenset(os.getgroups()), frozenset())
    assert writing_refusal(tmp_path, me) is None
    assert list(tmp_path.iterdir()) == [], "nothing is left behind"
    assert writing_refusal(Path("/proc"), me) is not None
    other = Account("other", os.geteuid() + 1, frozenset({os.getegid() + 1}), frozenset())
    tmp_path.chmod(0o700)
    assert writing_refusal(tmp_path, other) == "not permitted"


@pytest.mark.parametrize(
    ("life", "pre_eol", "expected"),
    [
        ([1, 1], 1, Level.GOOD),
        ([0, 0], 0, Level.GOOD),
        ([], 0, Level.GOOD),
        ([7, 2], 1, Level.GOOD),
        ([2, 8], 1, Level.DOUBT),
        ([1, 1], 2, Level.DOUBT),
        ([LIFE_STEPS + 1, 1], 1, Level.BAD),
        ([1, 1], 3, Level.BAD),
    ],
)
def test_card_wear(life: list[int], pre_eol: int, expected: Level) -> None:
    """Steps as JESD84-B51 has them (from memory): tenths of life, 11 exceeded; 1 normal, 2 warning, 3 urgent."""
    assert level(judge_wear("mmcblk0", life, pre_eol)) is expected


def test_card_wear_is_read_from_the_kernel_s_attributes(tmp_path: Path) -> None:
    """Layout and text of the kernel's mmc device attributes (its documentation: mmc-dev-attrs, from memory)."""
    partition = tmp_path / "devices/mmc0/block/mmcblk0/mmcblk0p2"
    attributes = partition.parent / "device"
    attributes.mkdir(parents=True)
    partition.mkdir()
    (attributes / "life_time").write_text("0x03 0x0b\n")
    (attributes / "pre_eol_info").write_text("0x02\n")
    where = tmp_path / "data"
    where.mkdir()
    number = where.stat().st_dev
    numbers = tmp_path / "numbers"
    numbers.mkdir()
    assert card_wear(where, numbers) == (None, [], 0)
    (numbers / f"{os.major(number)}:{os.minor(number)}").symlink_to(partition)
    assert card_wear(where, numbers) == ("mmcblk0", [3, 11], 2)
    (attributes / "life_time").unlink()
    (attributes / "pre_eol_info").unlink()
    assert card_wear(where, numbers) == ("mmcblk0", [], 0), "an SD card does not tell"


# --- who is told ---------------------------------------------------------------------------------------------


def test_secrets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    file = tmp_path / "mail"
    assert level(judge_secret(secret_facts(str(file)))) is Level.BAD
    file.write_text("quiet\n")
    for mode, expected in ((0o600, Level.GOOD), (0o400, Level.GOOD), (0o640, Level.BAD), (0o604, Level.BAD)):
        file.chmod(mode)
        finding = judge_secret(secret_facts(str(file)))
        assert level(finding) is expected
        assert "quiet" not in str(finding)
    file.chmod(0o600)
    file.write_text("\n")
    assert level(judge_secret(secret_facts(str(file)))) is Level.BAD


def test_credentials_are_found_where_systemd_puts_them_and_behind_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "secret_mail").write_text("quiet\n")
    (tmp_path / "secret_mail").chmod(0o440)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert level(judge_secret(secret_facts("secret_mail"))) is Level.GOOD
    monkeypatch.delenv("CREDENTIALS_DIRECTORY")
    monkeypatch.setattr("daemon.commands.doctor.SERVICE_SECRETS", tmp_path)
    (tmp_path / "mail").write_text("quiet\n")
    (tmp_path / "mail").chmod(0o600)
    assert secret_facts("secret_mail") == SecretFacts("secret_mail", str(tmp_path / "mail"), 0o600)


def test_deliveries() -> None:
    assert [level(f) for f in judge_deliveries([], {}, False, True)] == [Level.BAD]
    good, doubt = judge_deliveries(["phone"], {}, True, False)
    assert (level(good), level(doubt)) == (Level.GOOD, Level.DOUBT)
    lacking, silent = judge_deliveries(["bell"], {"bell": "the program aplay"}, False, True)
    assert (level(lacking), level(silent)) == (Level.BAD, Level.BAD)
    assert "aplay" in lacking.remedy
    assert level(judge_broker("127.0.0.1", 1883, "refused")) is Level.DOUBT
    assert level(judge_broker("127.0.0.1", 1883, None)) is Level.GOOD


# --- all of it, on this computer -----------------------------------------------------------------------------

RIG = """
state_directory = "{state}"
[pit]
band = {{ low = 107, high = 135 }}
[[devices]]
kind = "serial-line"
id = "board"
port = "{port}"
line = {{ kind = "json" }}
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "grate"
[broker]
host = "127.0.0.1"
port = {broker}
[dead_man]
url = "http://127.0.0.1/"
[[delivery]]
kind = "command"
name = "bell"
audience = ["phone"]
command = ["{command}"]
"""


async def test_a_sound_rig_has_nothing_in_the_way_and_an_unsound_one_has(tmp_path: Path) -> None:
    master, slave = os.openpty()
    rig = tmp_path / "rig.toml"
    try:
        with socket.create_server(("127.0.0.1", 0)) as broker:
            number = broker.getsockname()[1]
            rig.write_text(RIG.format(state=tmp_path, port=os.ttyname(slave), broker=number, command="true"))
            os.close(slave)
            said: list[str] = []
            assert await doctor(rig, None, said.append) == 0, said
            assert any(f"127.0.0.1:{number} answers" in line for line in said)
            assert said[-1] == "nothing in the way"
    finally:
        os.close(master)
    rig.write_text(RIG.format(state=tmp_path, port=tmp_path / "gone", broker=number, command="no-such-program"))
    said = []
    assert await doctor(rig, None, said.append) == 1
    assert said[-1] == "2 to mend"
    assert any("cannot be reached" in line for line in said)


def test_a_chart_that_nobody_can_draw_is_named_with_file_key_and_remedy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = tmp_path / "rig.toml"
    hook = '[[delivery]]\nkind = "webhook"\nname = "hook"\naudience = ["second"]\nurl = "http://127.0.0.1/"\nchart = true\n'
    rig.write_text(RIG.format(state=tmp_path, port=tmp_path / "gone", broker=1, command="true") + hook)
    arguments = ["--rig", str(rig)]
    assert cli.main(["check", *arguments]) == 0
    cli.main(["doctor", *arguments])
    assert "matplotlib" not in capsys.readouterr().out, "the library is there"
    monkeypatch.setattr("daemon.shell.report.picture.drawer.find_spec", lambda _: None)
    assert cli.main(["check", *arguments]) == 0, "the watch can start"
    checked = capsys.readouterr().out
    assert f"{rig}: warning: delivery hook, chart = true" in checked
    assert "pip install 'pitvigil[report]'" in checked
    cli.main(["doctor", *arguments])
    examined = capsys.readouterr().out
    assert f"doubt  {rig}: delivery hook, chart: chart = true, but matplotlib is not installed" in examined
    assert "-> pip install 'pitvigil[report]'" in examined
