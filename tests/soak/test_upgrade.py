"""From the last release to this one by the installer, under a real systemd, with a cook running: what is lost, and what is not.

The last release is taken from the history of this repository. Needs root, overlay, systemd, git, and a network for the wheels.
Some ten minutes on two quiet cores.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import pytest

from daemon.core.inputs import Readings
from daemon.shell.journal.journal import Journal
from tests.system import box

ROOT: Final = Path(__file__).parents[2]
LAST_RELEASE: Final = "a5200a57b1226db3ac48a53d97b212946caeab6b"
"""0.1.0"""
BEAT: Final = 0.5
"""s between lines"""
STEP: Final = 1 / 32
"""°C by which the outside probe goes up a line, so that each line can be found again in the journal"""
REOPENED: Final = 5.0
"""s until a port is open again after a start, and its first line, which may be beheaded, is through (BACK_OFF in shell/life)"""
ALREADY_THERE: Final = 1.0
"""s that a line may take to the journal"""
DEVICE_LOST: Final = 60.0
"""s, the on-delay of device-lost (core/alarms/rules.py)"""
RIG: Final = """
[pit]
band = { low = 107, high = 135 }
[[devices]]
kind = "serial-line"
id = "board"
port = "/run/board"
line = { kind = "csv", columns = ["left", "chuck", "lamb", "cabinet", "outside"] }
[[devices]]
kind = "serial-line"
id = "late"
port = "/run/late"
line = { kind = "csv", columns = ["1"] }
[[devices]]
kind = "serial-line"
id = "missing"
port = "/run/missing"
line = { kind = "csv", columns = ["1"] }
[page]
port = 8734
token_file = "secret_page-token"
""" + "".join(
    f'[[channels]]\nid = "{name}"\nrole = "{role}"\ndevice = "{device}"\nsource = "{source}"\n'
    for name, role, device, source in (
        ("left", "pit", "board", "left"),
        ("chuck", "meat", "board", "chuck"),
        ("lamb", "meat", "board", "lamb"),
        ("cabinet", "hold", "board", "cabinet"),
        ("outside", "ambient", "board", "outside"),
        ("shed", "ambient", "late", "1"),
        ("gate", "ambient", "missing", "1"),
    )
)
BOARD: Final = f"""
import fcntl, os, termios, time, tty
ends = {{}}
for name in ("board", "late"):
    here, there = os.openpty()
    tty.setraw(there)
    os.set_blocking(here, False)
    port = os.ttyname(there)
    os.chmod(port, 0o660)
    os.chown(port, 0, __import__("grp").getgrnam("dialout").gr_gid)
    os.symlink(port, "/run/" + name)
    ends[name] = here, there
sent, number = open("/mnt/sent", "w", buffering=1), 0
while True:
    if "late" in ends and os.path.exists("/mnt/silence"):
        os.unlink("/run/late")
        for end in ends.pop("late"):
            os.close(end)
    for name, (here, there) in ends.items():
        fcntl.ioctl(there, termios.TIOCNXCL)  # a real port forgets the claim of one who died
        text = f"121.5,64.0,58.0,65.0,{{5 + number * {STEP}:.5f}}\\n" if name == "board" else "9.0\\n"
        try:
            os.write(here, text.encode())
        except BlockingIOError:
            pass
    print(number, time.time(), file=sent)
    number += 1
    time.sleep({BEAT})
"""
LIFE: Final = r"""
exec 2>&1
snapshot() {
    python3 - "$(cat /etc/pitvigil/secrets/page-token)" <<'END'
import sys, urllib.request
ask = urllib.request.Request("http://127.0.0.1:8734/api/snapshot", headers={"Authorization": "Bearer " + sys.argv[1]})
print(urllib.request.urlopen(ask, timeout=60).read().decode())
END
}
mark() { # mark KIND PIECE
    python3 - "$(cat /etc/pitvigil/secrets/page-token)" "$@" <<'END'
import json, sys, urllib.request
heads = {"Authorization": "Bearer " + sys.argv[1], "Content-Type": "application/json"}
body = json.dumps({"kind": sys.argv[2], "piece": sys.argv[3]}).encode()
urllib.request.urlopen(urllib.request.Request("http://127.0.0.1:8734/api/mark", body, heads), timeout=60)
END
}
until_said() { # until_said WORDS FILE: the page shows them
    for _ in $(seq 600); do
        snapshot > "$2" 2> /dev/null && grep -q "$1" "$2" && return
        sleep 1
    done
    echo "never: $1"
}
sh /mnt/old/install.sh > /dev/null; echo "old $?"
cp /mnt/rig.toml /mnt/cook.toml /etc/pitvigil/
echo 'COOK="--cook /etc/pitvigil/cook.toml"' > /etc/pitvigil/options
systemd-run --quiet --unit=board python3 /mnt/board.py
for _ in $(seq 100); do [ -e /run/late ] && break; sleep 0.1; done
if ! (echo -500 > /proc/self/oom_score_adj) 2> /dev/null; then
    mkdir -p /etc/systemd/system/pitvigil.service.d
    printf '[Service]\nOOMScoreAdjust=0\n' > /etc/systemd/system/pitvigil.service.d/box.conf
    systemctl daemon-reload
fi
systemctl enable --quiet --now pitvigil || { journalctl --no-pager -n 30; exit 1; }
until_said '"pieces"' /mnt/started.json
mark meat-on chuck; mark meat-on lamb
until_said device-lost/missing /mnt/before.json
sleep 20
before=$(readlink /opt/pitvigil/current)
sh /mnt/new/install.sh > /dev/null & installing=$!
while [ "$(readlink /opt/pitvigil/current)" = "$before" ]; do sleep 0.05; done
date +%s.%N > /mnt/switched; touch /mnt/silence # the wire of the second board breaks while nobody watches
wait $installing; echo "new $?"
date +%s.%N > /mnt/ready
until_said device-lost/late /mnt/after.json
systemctl stop pitvigil
cp /var/lib/pitvigil/journal.sqlite* /mnt/
journalctl --no-pager -u pitvigil -o cat > /mnt/log
chmod -R a+r /mnt
"""

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(
        not box.possible(), reason="a root of its own with a systemd in it needs root, overlay and systemd"
    ),
    pytest.mark.skipif(
        subprocess.run(["git", "cat-file", "-e", LAST_RELEASE], cwd=ROOT, capture_output=True, check=False).returncode
        != 0,
        reason="the last release is not in the history here",
    ),
]


def wheelhouse(deploy: Path, target: Path, home: Path) -> None:
    plain = {"PATH": "/usr/local/bin:/usr/bin:/bin", "HOME": str(home)}  # the system's own Python, as on a board
    subprocess.run(["sh", str(deploy / "wheelhouse.sh"), str(target)], check=True, timeout=3600, env=plain)


def last_release(folder: Path) -> Path:
    folder.mkdir()
    packed = subprocess.run(["git", "archive", LAST_RELEASE], cwd=ROOT, capture_output=True, check=True).stdout
    subprocess.run(["tar", "-x", "-C", str(folder)], input=packed, check=True)
    return folder


@pytest.fixture(scope="module")
def upgraded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the box left behind."""
    folder = tmp_path_factory.mktemp("upgrade")
    given = folder / "given"
    given.mkdir()
    old = last_release(folder / "release")
    wheelhouse(old / "deploy", given / "old", folder)
    wheelhouse(ROOT / "deploy", given / "new", folder)
    shutil.copy(old / "config/examples/cook.toml", given / "cook.toml")
    for name, text in (("rig.toml", RIG), ("board.py", BOARD), ("life.sh", LIFE)):
        (given / name).write_text(text)
    said, complained, systemd = box.boot(given, folder / "box", 3600.0)
    assert said.splitlines() == ["old 0", "new 0"], f"{said} {complained} {systemd[-2000:]}"
    return given


def instant(given: Path, name: str) -> float:
    return float((given / name).read_text())


def told(given: Path) -> list[tuple[float, str, dict[str, Any]]]:
    """(UTC s, name, body) of each event."""
    with closing(sqlite3.connect(given / "journal.sqlite")) as db:
        rows = db.execute("SELECT time + wall_offset, name, body FROM events ORDER BY seq").fetchall()
    return [(at, name, json.loads(body)) for at, name, body in rows]


def test_no_line_is_lost_beyond_the_restart(upgraded: Path) -> None:
    with closing(Journal.opened(upgraded / "journal.sqlite")) as journal:
        found = [r for _, item in journal.inputs() if isinstance(item, Readings) for r in item.readings]
    kept = {round((r.celsius - 5) / STEP) for r in found if r.channel == "outside" and r.celsius is not None}
    sent = {int(n): float(at) for n, at in (line.split() for line in (upgraded / "sent").read_text().splitlines())}
    last = max(kept)
    missing = [n for n in sorted(sent) if min(kept) <= n <= last and n not in kept]
    switched, ready = instant(upgraded, "switched"), instant(upgraded, "ready")
    print(f"\n{len(kept)} lines kept, {len(missing)} lost; {ready - switched:.1f} s from the switch until it was ready")
    assert sent[last] > ready + DEVICE_LOST / 2
    for n in missing:
        assert switched - ALREADY_THERE <= sent[n] <= ready + REOPENED


def test_the_cook_goes_on(upgraded: Path) -> None:
    before, after = (json.loads((upgraded / f"{name}.json").read_text()) for name in ("before", "after"))
    assert [p["stage"] for p in after["pieces"]] == [p["stage"] for p in before["pieces"]]
    assert [p["on_at"] for p in after["pieces"]] == [p["on_at"] for p in before["pieces"]] != [None, None]
    with closing(sqlite3.connect(upgraded / "journal.sqlite")) as db:
        assert db.execute("SELECT count(*) FROM starts").fetchone() == (2,)
        assert db.execute("SELECT count(*) FROM kept_cooks").fetchone() == (1,)


def test_no_alarm_is_lost_and_none_is_raised_anew(upgraded: Path) -> None:
    raised: dict[str, list[float]] = {}
    for at, _, body in told(upgraded):
        if str(body.get("alarm", "")).startswith("device-lost/") and body.get("after") == "unacknowledged":
            raised.setdefault(body["alarm"], []).append(at)
    assert sorted(raised) == ["device-lost/late", "device-lost/missing"], told(upgraded)
    (missing,), (late,) = raised["device-lost/missing"], raised["device-lost/late"]
    switched, ready = instant(upgraded, "switched"), instant(upgraded, "ready")
    assert missing < switched
    assert "device-lost/missing" in (upgraded / "after.json").read_text()
    # it broke while nobody watched: told when its delay has passed under the eyes of the new version
    assert switched + DEVICE_LOST <= late <= ready + 3 * DEVICE_LOST
