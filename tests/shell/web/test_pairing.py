"""The code at the terminal, read back by a reader of QR codes that is not ours (zxing-cpp, ISO/IEC 18004)."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import zxingcpp

from daemon.cli import main
from daemon.shell.web.access import new_token
from daemon.shell.web.pairing import code_rows, login_link, login_url, pairing_code, reachable_host
from tests.patience import PATIENCE

BLOCKS = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}
"""Upper and lower half of each character cell, 1 = lit (The Unicode Standard, Block Elements)."""
PITVIGIL = Path(sys.executable).parent / "pitvigil"
RIG = """
[pit]
band = { low = 107, high = 135 }
[[devices]]
kind = "serial-line"
id = "board"
port = "/dev/null"
line = { kind = "json" }
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "grate"
[page]
"""


def read_code(lines: list[str]) -> list[str]:
    """What a camera would read off a black terminal."""
    cells = [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in lines]
    rows = [[BLOCKS[cell][half] for cell in line] for line in cells for half in (0, 1)]
    picture = np.kron(np.array(rows, np.uint8) * 255, np.ones((6, 6), np.uint8))
    return [code.text for code in zxingcpp.read_barcodes(picture)]


@pytest.mark.parametrize("host", ["pit.local", "192.168.178.43", "[fd00::1]", "a-rather-long-name.of-a-barn.example"])
def test_the_code_says_the_link(host: str) -> None:
    link = login_url(host, 8734, new_token())
    assert read_code(pairing_code(link)) == [link]


def test_the_code_fits_a_terminal_of_80_by_24() -> None:
    """With the longest address of IPv4 and a token as we make them."""
    lines = pairing_code(login_url("192.168.178.143", 8734, new_token()))
    assert len(lines) <= 24 and all(len(re.sub(r"\x1b\[[0-9;]*m", "", line)) <= 80 for line in lines)


@pytest.mark.parametrize(
    ("listen", "hosts", "host"),
    [
        ("127.0.0.1", (), None), ("::1", (), None), ("localhost", (), None), ("127.0.0.1", ("pit.local",), None),
        ("0.0.0.0", ("pit.local",), "pit.local"), ("192.168.1.9", (), "192.168.1.9"), ("fd00::1", (), "[fd00::1]"),
        ("pit.lan", (), "pit.lan"),
    ],
)  # fmt: skip
def test_where_another_device_finds_the_page(listen: str, hosts: tuple[str, ...], host: str | None) -> None:
    assert reachable_host(listen, hosts) == host


def test_listening_everywhere_names_an_address_that_is_no_wildcard() -> None:
    assert reachable_host("0.0.0.0") not in (None, "0.0.0.0", "127.0.0.1", "")


def greeting_of(home: Path, page: str, last: str = "page: ") -> list[str]:
    """What `pitvigil run` says at a real terminal, until a line that begins so."""
    rig = home / "rig.toml"
    rig.write_text(RIG + page)
    ours, theirs = pty.openpty()
    process = subprocess.Popen([PITVIGIL, "run", "--rig", rig, "--state", home / "state"],
                               stdout=theirs, stderr=subprocess.DEVNULL)  # fmt: skip
    os.close(theirs)
    heard, until = b"", time.monotonic() + PATIENCE
    try:
        while not re.search(last.encode() + rb".*\n", heard) and time.monotonic() < until:
            if select.select([ours], [], [], 0.2)[0]:
                heard += os.read(ours, 65536)
    finally:
        process.terminate()
        process.wait(PATIENCE)
        os.close(ours)
    return heard.decode().replace("\r", "").splitlines()


def test_started_by_hand_it_shows_the_code_of_its_own_key(tmp_path: Path) -> None:
    lines = greeting_of(tmp_path, 'listen = "0.0.0.0"\nport = 0\nhosts = ["pit.local"]\n')
    (code,) = read_code([line for line in lines if "█" in line or "▀" in line])
    key = (tmp_path / "state" / "page-token").read_text().strip()
    assert code == f"http://pit.local:0/login?token={key}"
    assert f"page: {code}" in lines


def test_a_page_for_this_machine_only_says_so(tmp_path: Path) -> None:
    lines = greeting_of(tmp_path, "port = 0\n", last="a phone cannot")
    assert not any("█" in line for line in lines)
    assert any("a phone cannot reach it" in line for line in lines)


def test_the_code_can_be_shown_again_while_the_watch_runs_as_a_service(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG + 'listen = "0.0.0.0"\nport = 8734\nhosts = ["pit.local"]\n')
    assert main(["key", "--rig", str(rig), "--state", str(tmp_path)]) == 2
    assert "--state" in capsys.readouterr().err
    assert not (tmp_path / "page-token").exists(), "a key nobody serves would only mislead"
    (tmp_path / "page-token").write_text("let-me-in\n")
    (tmp_path / "page-token").chmod(0o600)
    assert main(["key", "--rig", str(rig), "--state", str(tmp_path)]) == 0
    said = capsys.readouterr()
    assert "no watch runs now" in said.err and f"pitvigil run --rig {rig}" in said.err
    (code,) = read_code([line for line in said.out.splitlines() if "█" in line or "▀" in line])
    assert code == "http://pit.local:8734/login?token=let-me-in"


def read_rows(rows: list[str]) -> list[str]:
    """What a camera would read off the page: dark on white, with the quiet zone of four modules."""
    dark = np.pad(np.array([[int(cell) for cell in row] for row in rows], np.uint8), 4)
    return [code.text for code in zxingcpp.read_barcodes(np.kron((1 - dark) * 255, np.ones((6, 6), np.uint8)))]


def test_the_code_on_the_page_says_the_link() -> None:
    link = login_link("pit.local:8077", new_token())
    assert read_rows(code_rows(link)) == [link]
