"""How `pitvigil run` starts its watch."""

from __future__ import annotations

import argparse
import gc
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon import cli
from daemon.commands.arguments import parser_of
from daemon.texts.catalogue import catalogue
from daemon.wiring import watch as app

ROOT = Path(__file__).parents[2]


@pytest.fixture
def thawed() -> Iterator[None]:
    gc.unfreeze()
    yield
    gc.unfreeze()


def test_what_starting_made_is_not_looked_through_again(
    thawed: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frozen: list[int] = []

    class Watch:
        def __init__(self, files: app.Files) -> None:
            self.made = [[number] for number in range(10_000)]

        def greeting(self) -> list[str]:
            return []

        async def run(self) -> None:
            frozen.append(gc.get_freeze_count())

    monkeypatch.setattr(app, "Watch", Watch)
    assert cli.main(["run", "--rig", str(tmp_path / "rig.toml")]) == 0
    assert frozen[0] > 10_000


def commands_of(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    (found,) = (action.choices for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    return dict(found)


def test_every_command_shows_an_example_that_it_can_read(capsys: pytest.CaptureFixture[str]) -> None:
    parser = parser_of(cli.ACTS)
    for name, sub in commands_of(parser).items():
        example = catalogue()[f"command.help.{name}.example"]
        assert all(action.help for action in sub._actions), name
        with pytest.raises(SystemExit) as ended:
            cli.main([name, "--help"])
        assert ended.value.code == 0
        assert f"pitvigil {name} {example}" in capsys.readouterr().out
        parser.parse_args([name, *shlex.split(example)])


# --- only what the rig uses is brought in --------------------------------------------------------------------------

RIG = """
[pit]
band = {{ low = 107, high = 135 }}
[[devices]]
id = "board"
{device}
[[channels]]
id = "pit"
role = "pit"
device = "board"
source = "1"
{more}
"""
LINES = 'kind = "serial-line"\nport = "/dev/null"\nline = {{ kind = "{kind}" }}'
MODBUS = 'kind = "modbus"\nport = "/dev/null"\nsources = [{ source = "1", slave = 1, register = 0 }]'
BLE = 'kind = "ble-gatt"\naddress = "C0:FF:EE:00:00:01"\ncharacteristics = [{ source = "1", uuid = "2A6E" }]'
HEAVY = ("aiohttp", "apprise", "bleak", "cryptography", "matplotlib", "paho", "pymodbus", "rich", "segno", "smtplib",
         "thermocouple_its90", "xml.etree.ElementTree")  # fmt: skip
"""What costs a board memory and time; the last comes with reports."""
BUILT = f"""
import sys
from pathlib import Path
from daemon.wiring.watch import Files, Watch
home = Path(sys.argv[1])
Watch(Files(home / "rig.toml", None, home / "state"))
print(*[name for name in {HEAVY} if name in sys.modules])
"""


@pytest.mark.parametrize(
    ("device", "more", "used"),
    [
        (LINES.format(kind="json"), "", "aiohttp thermocouple_its90"),
        (MODBUS, "", "aiohttp pymodbus"),
        (BLE, "", "aiohttp"),  # its library comes with the first look for the device
        (MODBUS, "[broker]\nhost = '127.0.0.1'", "aiohttp paho pymodbus"),
        (MODBUS, "[[delivery]]\nkind = 'smtp'\nname = 'mail'\nhost = 'x'\nsender = 'a@b'\nto = ['a@b']\naudience = ['phone']",
         "aiohttp pymodbus smtplib"),
        (MODBUS, "[[delivery]]\nkind = 'command'\nname = 'bell'\ncommand = ['true']\naudience = ['sounder']", "aiohttp pymodbus"),
    ],
)  # fmt: skip
def test_only_what_the_rig_uses_is_brought_in(device: str, more: str, used: str, tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG.format(device=device, more=more))
    shown = subprocess.run(
        [sys.executable, "-c", BUILT, tmp_path], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert shown.stdout.split() == used.split()


MARKED = """
import sys
from daemon.cli import main
home = sys.argv[1]
main(["mark", "meat-on", "chuck", "--rig", f"{home}/rig.toml", "--state", f"{home}/state"])
print(*[name for name in ("asyncio", "numpy", "sqlite3", "daemon.core.events") if name in sys.modules])
"""


def test_an_order_from_a_terminal_brings_in_nothing_of_the_watch(tmp_path: Path) -> None:
    """It is one request, and on a busy board each of these would cost it seconds."""
    (tmp_path / "rig.toml").write_text(RIG.format(device=MODBUS, more=""))
    (tmp_path / "state").mkdir()
    key = tmp_path / "state" / "page-token"
    key.write_text("k" * 43)
    key.chmod(0o600)
    shown = subprocess.run(
        [sys.executable, "-c", MARKED, tmp_path], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert shown.stdout.split() == []
    assert "http://127.0.0.1:8734/" in shown.stderr, "it came as far as asking"
