"""The package, the installer and the unit under a real systemd: process 1 of a root of its own (tests/system/box.py).

What is not tried: the limits on memory and tasks where the machine's cgroup v2 lacks those controllers.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.system import box

DEPLOY = Path(__file__).parents[2] / "deploy"
RIG = """
[pit]
band = { low = 107, high = 135 }
[[devices]]
kind = "serial-line"
id = "board"
port = "/run/board"
line = { kind = "csv", columns = ["1"] }
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "1"
[page]
port = 8734
token_file = "secret_page-token"
"""
BOARD = """
import fcntl, os, termios, time, tty
here, there = os.openpty()
tty.setraw(there)
port = os.ttyname(there)
os.chmod(port, 0o660)
os.chown(port, 0, __import__("grp").getgrnam("dialout").gr_gid)
os.symlink(port, "/run/board")
while True:
    fcntl.ioctl(there, termios.TIOCNXCL)  # a real port forgets the claim of one who died
    try:
        os.write(here, b"121.5\\n")
    except BlockingIOError:
        pass
    time.sleep(0.5)
"""
LIFE = r"""
exec 2>&1
of() { systemctl show -P "$1" pitvigil; }
grate() {
    python3 - "$(cat /etc/pitvigil/secrets/page-token)" <<'END'
import json, sys, urllib.request
ask = urllib.request.Request("http://127.0.0.1:8734/api/snapshot", headers={"Authorization": "Bearer " + sys.argv[1]})
print("121.5" in urllib.request.urlopen(ask, timeout=5).read().decode())
END
}
until_new() { # until_new PID: wait for another main process that is ready
    for _ in $(seq 600); do
        [ "$(of MainPID)" != "$1" ] && [ "$(of ActiveState)" = active ] && return
        sleep 0.1
    done
}
dpkg -i /mnt/pitvigil.deb > /mnt/dpkg 2>&1; echo "installed $?"
grep -c "$(cat /etc/pitvigil/secrets/page-token)" /mnt/dpkg
cp /mnt/rig.toml /etc/pitvigil/rig.toml
systemd-run --quiet --unit=board python3 /mnt/board.py
for _ in $(seq 100); do [ -e /run/board ] && break; sleep 0.1; done
if [ ! -w /proc/self/oom_score_adj ] || ! (echo -500 > /proc/self/oom_score_adj) 2> /dev/null; then
    mkdir -p /etc/systemd/system/pitvigil.service.d
    printf '[Service]\nOOMScoreAdjust=0\n' > /etc/systemd/system/pitvigil.service.d/box.conf
    systemctl daemon-reload
fi
systemctl enable --quiet pitvigil
began=$(date +%s%N)
systemctl start pitvigil || { journalctl --no-pager -n 30; exit 1; }
echo "started in $(( ($(date +%s%N) - began) / 1000000 )) ms"
echo "state $(of Type) $(of ActiveState) $(of SubState)"
main=$(of MainPID)
echo "user $(ps -o user= -p "$main")"
sleep 3
echo "page $(grate)"
echo "credential $(stat -c %a "$(tr '\0' '\n' < /proc/$main/environ | sed -n 's/^CREDENTIALS_DIRECTORY=//p')/secret_page-token")"
echo "seccomp $(sed -n 's/^Seccomp:\s*//p' /proc/$main/status)"
echo "capabilities $(sed -n 's/^CapEff:\s*//p' /proc/$main/status)"
echo "pss $(sed -n 's/^Pss: *//p' /proc/$main/smaps_rollup)"
began=$(date +%s)
kill -STOP "$main"
until_new "$main"; hung=$(($(date +%s) - began))
echo "hung: $hung s, restarts $(of NRestarts)"
main=$(of MainPID)
began=$(date +%s)
kill -KILL "$main"
until_new "$main"; echo "killed: $(($(date +%s) - began)) s, restarts $(of NRestarts)"
sleep 3; echo "page $(grate)"
began=$(date +%s%N)
systemctl stop pitvigil; echo "stopped in $(( ($(date +%s%N) - began) / 1000000 )) ms, $(of Result)"
journalctl --no-pager -u pitvigil -o cat > /mnt/journal
grep -c "Watchdog timeout" /mnt/journal
dpkg -r pitvigil > /dev/null; echo "removed $?: $(ls /etc/pitvigil | tr '\n' ' ')"
[ -e /opt/pitvigil ] || echo "nothing in /opt"
dpkg -P pitvigil > /dev/null; echo "purged $?"
[ -e /etc/pitvigil ] || id pitvigil 2> /dev/null || echo "nothing is left"
"""


@pytest.mark.soak
@pytest.mark.skipif(not box.possible(), reason="a root of its own with a systemd in it needs root, overlay and systemd")
def test_the_package_lives_under_a_real_systemd(tmp_path: Path) -> None:
    """Installed by dpkg without a network, started, found hung, killed, stopped, removed, purged. Builds the wheelhouse
    first, which needs the network or a package cache."""
    wheels, given = tmp_path / "wheels", tmp_path / "given"
    given.mkdir()
    plain = {"PATH": "/usr/local/bin:/usr/bin:/bin", "HOME": str(tmp_path)}  # the system's own Python, as on a board
    subprocess.run(["sh", str(DEPLOY / "wheelhouse.sh"), str(wheels)], check=True, timeout=900, env=plain)
    made = subprocess.run(
        ["sh", str(DEPLOY / "deb.sh"), str(wheels), str(tmp_path)], check=True, capture_output=True, text=True
    )
    shutil.copy(made.stdout.strip(), given / "pitvigil.deb")
    for name, text in (("rig.toml", RIG), ("board.py", BOARD), ("life.sh", LIFE)):
        (given / name).write_text(text)
    said, _, _ = box.boot(given, tmp_path / "box")
    lines = dict(line.partition(" ")[::2] for line in said.splitlines() if " " in line)
    assert lines["installed"] == "0", said
    assert said.splitlines()[1] == "0", "the page's token must not be in what dpkg prints, for apt keeps that"
    assert lines["state"] == "notify active running", said
    assert lines["user"] == "pitvigil"
    assert said.count("page True") == 2, "the page, asked with the token that came as a credential, shows the reading"
    assert lines["credential"] == "400"
    assert lines["seccomp"] == "2"
    assert int(lines["capabilities"], 16) == 0
    hung, restarts = re.search(r"hung: (\d+) s, restarts (\d+)", said).groups()  # type: ignore[union-attr]
    assert int(hung) <= 30 and restarts == "1"
    killed, restarts = re.search(r"killed: (\d+) s, restarts (\d+)", said).groups()  # type: ignore[union-attr]
    assert int(killed) <= 10 and restarts == "2"
    stopped = re.search(r"stopped in (\d+) ms, (\w+)\n(\d+)", said)
    assert stopped and int(stopped[1]) <= 2000 and stopped[2] == "success"
    assert stopped[3] == "1", "it was systemd's watchdog that found the hung one"
    assert lines["removed"] == "0: cook.toml.example options rig.toml secrets ", (
        "what the owner wrote outlives a removal"
    )
    assert "nothing in /opt" in said
    assert said.endswith("purged 0\nnothing is left\n")
