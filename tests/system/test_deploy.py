"""The installer in a scratch root, and the service unit under systemd's own measure.

The wheelhouse is made here from small wheels of our own, so that the life of an installation takes seconds; the real one
is tried by the test marked soak.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
import shutil
import stat
import subprocess
import zipfile
from pathlib import Path

import pytest

from tests.patience import PATIENCE
from tests.system import box

DEPLOY = Path(__file__).parents[2] / "deploy"
EXPOSURE_LIMIT = 20
"""tenths of systemd's exposure level, 0 (good) to 100: our own bar is 2.0"""
INSTALLED_WITHIN = 10 * PATIENCE
"""s. Seconds on a quiet machine; on one with forty programs waiting for two processors more than five minutes."""


# --- a wheelhouse of small wheels ----------------------------------------------------------------------------


def make_wheel(directory: Path, name: str, version: str, module: str, text: str, script: str = "") -> Path:
    """A wheel by the binary distribution format (PyPA specification): a zip with a RECORD of sha256 hashes."""
    info = f"{name}-{version}.dist-info"
    files = {
        f"{module}.py": text,
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    if script:
        files[f"{info}/entry_points.txt"] = f"[console_scripts]\n{script}\n"
    rows = [f"{path},sha256={_urlsafe_sha256(body)},{len(body)}" for path, body in files.items()]
    files[f"{info}/RECORD"] = "\n".join([*rows, f"{info}/RECORD,,"]) + "\n"
    wheel = directory / f"{name}-{version}-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        for path, body in files.items():
            archive.writestr(path, body)
    return wheel


def _urlsafe_sha256(body: str) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(body.encode()).digest()).rstrip(b"=").decode()


def make_wheelhouse(directory: Path, version: str) -> Path:
    """As deploy/wheelhouse.sh lays one out, with a daemon that only knows its version."""
    directory.mkdir()
    text = f"def main():\n    print('version {version}')\n"
    own = make_wheel(directory, "pitvigil", version, "pitvigil_stub", text, "pitvigil = pitvigil_stub:main")
    other = make_wheel(directory, "neededthing", "1.0", "neededthing", "")
    for lock, name, number, wheel in (
        ("pitvigil", "pitvigil", version, own),
        ("requirements", "neededthing", "1.0", other),
    ):
        digest = hashlib.sha256(wheel.read_bytes()).hexdigest()
        (directory / f"{lock}.lock").write_text(f"{name}=={number} --hash=sha256:{digest}\n")
    for file in ("install.sh", "uninstall.sh", "pitvigil.service", "70-pitvigil.rules", "journald.conf"):
        shutil.copy(DEPLOY / file, directory)
    for example in ("rig.toml", "cook.toml"):
        shutil.copy(DEPLOY.parent / "config" / "examples" / example, directory)
    return directory


def install(wheelhouse: Path, root: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = ["sh", str(wheelhouse / "install.sh"), "--root", str(root), *options]
    return subprocess.run(command, capture_output=True, text=True, timeout=INSTALLED_WITHIN, check=False)


def running_version(root: Path) -> str:
    command = [str(root / "opt/pitvigil/current/bin/pitvigil")]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


# --- the installer -------------------------------------------------------------------------------------------


def test_life_of_an_installation(tmp_path: Path) -> None:
    """Install, again, a bad upgrade, a good one, roll back, uninstall: each version whole, the cook's files untouched.

    One story, since making a virtual environment takes seconds.
    """
    old, new = make_wheelhouse(tmp_path / "old", "1.0"), make_wheelhouse(tmp_path / "new", "1.1")
    root = tmp_path / "root"
    opt, etc = root / "opt/pitvigil", root / "etc/pitvigil"

    first = install(old, root)
    assert first.returncode == 0, first.stderr
    assert running_version(root) == "version 1.0"
    token = (etc / "secrets/page-token").read_text().strip()
    assert f"page key: {token}" in first.stdout
    assert len(base64.urlsafe_b64decode(token + "=")) * 8 == 256
    assert stat.S_IMODE((etc / "secrets").stat().st_mode) == 0o700
    assert stat.S_IMODE((etc / "secrets/page-token").stat().st_mode) == 0o600
    assert 'token_file = "secret_page-token"' in (etc / "rig.toml").read_text()
    for file in (
        "systemd/system/pitvigil.service",
        "udev/rules.d/70-pitvigil.rules",
        "systemd/journald.conf.d/pitvigil.conf",
    ):
        assert (root / "etc" / file).is_file()

    directory = (opt / "current").resolve()
    made = directory.stat().st_ctime_ns
    assert install(old, root).returncode == 0
    assert (opt / "current").resolve().stat().st_ctime_ns == made, "the same wheels are not installed twice"

    (etc / "rig.toml").write_text("# my own rig\n")
    bad = make_wheelhouse(tmp_path / "bad", "1.1")
    make_wheel(bad, "neededthing", "1.0", "neededthing", "import os  # not what was locked\n")
    refused = install(bad, root)
    assert refused.returncode != 0
    assert "do not match the hashes" in refused.stderr.lower()
    assert running_version(root) == "version 1.0"
    assert not list(opt.glob("1.1-*"))

    (opt / "1.1-interrupted").mkdir()  # a power cut in an earlier upgrade
    assert install(new, root, "--in-turn").returncode == 0, "its ring is open: what runs says so"
    assert running_version(root) == "version 1.1"
    assert (opt / "previous").resolve() == directory
    assert not (opt / "1.1-interrupted").exists()
    assert (etc / "rig.toml").read_text() == "# my own rig\n"
    assert (etc / "secrets/page-token").read_text().strip() == token

    (directory / "deploy/pitvigil.service").write_text("# the unit of 1.0\n")
    back = install(new, root, "--rollback")
    assert back.returncode == 0
    assert back.stdout == f"back to {directory.name}\n"
    assert running_version(root) == "version 1.0"
    assert (root / "etc/systemd/system/pitvigil.service").read_text() == "# the unit of 1.0\n", "the unit goes back too"

    uninstall = ["sh", str(DEPLOY / "uninstall.sh"), "--root", str(root)]
    subprocess.run(uninstall, check=True, capture_output=True)
    assert not opt.exists()
    assert not (root / "etc/systemd/system/pitvigil.service").exists()
    assert (etc / "rig.toml").read_text() == "# my own rig\n"
    subprocess.run([*uninstall, "--purge"], check=True, capture_output=True)
    assert not etc.exists()


def test_a_board_whose_turn_it_is_not_is_left_as_it_was(tmp_path: Path) -> None:
    """`--in-turn` asks what runs, before anything is made."""
    new, root = make_wheelhouse(tmp_path / "new", "1.1"), tmp_path / "root"
    runs = root / "opt/pitvigil/current/bin/pitvigil"
    runs.parent.mkdir(parents=True)
    runs.write_text('#!/bin/sh\necho "$*"\nexit 1\n')
    runs.chmod(0o755)
    refused = install(new, root, "--in-turn")
    assert refused.returncode == 1
    assert re.fullmatch(rf"ship --rig {root}/etc/pitvigil/rig.toml --my-turn 1\.1-[0-9a-f]{{8}}\n", refused.stdout)
    assert "left as it was" in refused.stderr
    assert not list((root / "opt/pitvigil").glob("1.1-*"))


def test_without_a_version_before_there_is_no_roll_back(tmp_path: Path) -> None:
    answer = install(make_wheelhouse(tmp_path / "only", "1.0"), tmp_path / "root", "--rollback")
    assert answer.returncode == 1
    assert "no version before" in answer.stderr


@pytest.mark.soak
def test_the_real_wheelhouse_installs_without_a_network(tmp_path: Path) -> None:
    """Builds it (this needs the network or a package cache), then installs with the network taken away."""
    if shutil.which("unshare") is None or os.geteuid() != 0:
        pytest.skip("taking the network away needs root and util-linux")
    wheels, root = tmp_path / "wheels", tmp_path / "root"
    subprocess.run(["sh", str(DEPLOY / "wheelhouse.sh"), str(wheels)], check=True, timeout=900)
    command = ["unshare", "--net", "sh", str(wheels / "install.sh"), "--root", str(root)]
    subprocess.run(command, check=True, timeout=600)
    pitvigil, rig = root / "opt/pitvigil/current/bin/pitvigil", root / "etc/pitvigil/rig.toml"
    checked = subprocess.run([pitvigil, "check", "--rig", rig], capture_output=True, text=True, check=False, cwd=root)
    assert checked.returncode == 0, checked.stderr


FAKE_SYSTEMCTL = """#!/bin/sh
echo "$1" >> /mnt/asked
case "$1" in
    is-active) echo active ;;
    restart) case "$(readlink /opt/pitvigil/current)" in 1.1-*) exit 1 ;; esac ;;
esac
"""
LIFE_AS_ROOT = """set -e
export PATH=/mnt/fake:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
mkdir -p /run/systemd/system
sh /mnt/old/install.sh > /dev/null
id -nG pitvigil; pitvigil
sh /mnt/new/install.sh || echo "refused"
pitvigil
sh /opt/pitvigil/current/deploy/uninstall.sh --purge
! id pitvigil 2> /dev/null; ls /opt
"""


@pytest.mark.soak
@pytest.mark.skipif(
    shutil.which("bwrap") is None or os.geteuid() != 0, reason="a root of its own needs bubblewrap and root"
)
def test_as_root_a_version_that_does_not_get_ready_is_turned_back_by_itself(tmp_path: Path) -> None:
    """The real installer with users and groups, in a root of its own; systemd is played by a script that writes down
    what it is asked and cannot start version 1.1."""
    given = tmp_path / "given"
    (given / "fake").mkdir(parents=True)
    make_wheelhouse(given / "old", "1.0")
    make_wheelhouse(given / "new", "1.1")
    for name, text in (("systemctl", FAKE_SYSTEMCTL), ("udevadm", "#!/bin/sh\n")):
        (given / "fake" / name).write_text(text)
        (given / "fake" / name).chmod(0o755)
    (given / "life.sh").write_text(LIFE_AS_ROOT)
    subprocess.run(["cp", "-a", "/etc", tmp_path / "etc"], check=True)
    binds = [
        "--bind",
        "/",
        "/",
        "--bind",
        str(given),
        "/mnt",
        "--bind",
        str(tmp_path / "etc"),
        "/etc",
        "--tmpfs",
        "/run",
    ]
    for inside in ("opt", "var", "usr/local"):
        (tmp_path / inside).mkdir(parents=True)
        binds += ["--bind", str(tmp_path / inside), f"/{inside}"]
    command = [
        "bwrap",
        *binds,
        "--dev",
        "/dev",
        "--proc",
        "/proc",
        "--unshare-net",
        "--unshare-pid",
        "sh",
        "/mnt/life.sh",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert {"pitvigil", "dialout"} <= set(lines[0].split())
    assert lines[1] == "version 1.0"
    assert lines[2].startswith("back to 1.0-")
    assert "did not get ready" in done.stderr
    assert lines[3:5] == ["refused", "version 1.0"]
    assert lines[-1] == "pitvigil and all it kept are gone"
    assert (given / "asked").read_text().split().count("restart") == 3, "old, new, and old again"


# --- the Debian package --------------------------------------------------------------------------------------


def make_package(wheelhouse: Path, target: Path) -> Path:
    command = ["sh", str(DEPLOY / "deb.sh"), str(wheelhouse), str(target)]
    done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=PATIENCE)
    return Path(done.stdout.strip())


def package_says(package: Path, field: str) -> str:
    command = ["dpkg-deb", "--field", str(package), field]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


needs_dpkg = pytest.mark.skipif(shutil.which("dpkg-deb") is None, reason="dpkg-deb is not installed")


@needs_dpkg
def test_the_package_asks_for_the_python_its_wheels_were_gathered_for(tmp_path: Path) -> None:
    wheelhouse = make_wheelhouse(tmp_path / "wheels", "1.0")
    package = make_package(wheelhouse, tmp_path)
    assert package.name == "pitvigil_1.0_all.deb"
    assert package_says(package, "Depends").startswith("python3 (>= 3.11), python3 (<< 3.14), python3-venv")
    (wheelhouse / "fast-1.0-cp313-cp313-manylinux_2_28_aarch64.whl").touch()
    package = make_package(wheelhouse, tmp_path)
    assert package.name == "pitvigil_1.0_arm64.deb"
    assert package_says(package, "Depends").startswith("python3 (>= 3.13), python3 (<< 3.14), python3-venv")
    inside = subprocess.run(["dpkg-deb", "--contents", str(package)], check=True, capture_output=True, text=True).stdout
    assert "root/root" in inside and "./usr/share/pitvigil/requirements.lock" in inside
    if shutil.which("lintian"):
        lint = subprocess.run(["lintian", str(package)], capture_output=True, text=True, check=False)
        assert not [line for line in lint.stdout.splitlines() if line.startswith("E:")], lint.stdout


LIFE_OF_A_PACKAGE = """set -e
dpkg -i /mnt/old.deb > /mnt/log
grep -c "$(cat /etc/pitvigil/secrets/page-token)" /mnt/log || true
pitvigil
echo "# mine" > /etc/pitvigil/rig.toml
dpkg -i /mnt/new.deb > /dev/null
pitvigil
/opt/pitvigil/previous/bin/pitvigil
dpkg -i /mnt/bad.deb > /dev/null 2>&1 || echo refused
pitvigil
dpkg -i /mnt/new.deb > /dev/null
dpkg -r pitvigil > /dev/null
cat /etc/pitvigil/rig.toml
ls /opt /etc/systemd/system | grep -c pitvigil || true
dpkg -P pitvigil > /dev/null
[ -e /etc/pitvigil ] || id pitvigil 2> /dev/null || echo gone
"""


@pytest.mark.soak
@needs_dpkg
@pytest.mark.skipif(not box.possible(), reason="a root of its own needs root and overlay")
def test_life_of_a_package(tmp_path: Path) -> None:
    """dpkg installs, upgrades, refuses a damaged one, removes and purges, in a root of its own."""
    given = tmp_path / "given"
    given.mkdir()
    for name, version in (("old", "1.0"), ("new", "1.1"), ("bad", "1.2")):
        wheelhouse = make_wheelhouse(tmp_path / name, version)
        if name == "bad":
            make_wheel(wheelhouse, "neededthing", "1.0", "neededthing", "import os  # not what was locked\n")
        make_package(wheelhouse, tmp_path).rename(given / f"{name}.deb")
    (given / "life.sh").write_text(LIFE_OF_A_PACKAGE)
    done = box.run(given, tmp_path / "box")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.splitlines() == [
        "0", "version 1.0", "version 1.1", "version 1.0", "refused", "version 1.1", "# mine", "0", "gone",
    ]  # fmt: skip


# --- the locks -----------------------------------------------------------------------------------------------


def _pinned(lock: str) -> dict[str, list[str]]:
    """Name -> "version marker" lines of a lock; a package may be pinned apart for different Pythons."""
    pinned: dict[str, list[str]] = {}
    for line in (DEPLOY / lock).read_text().splitlines():
        if match := re.match(r"([a-z0-9.-]+)==(\S+)", line):
            pinned.setdefault(match[1], []).append(match[2])
    return pinned


@pytest.mark.parametrize("lock", ["requirements.lock", "requirements-test.lock"])
def test_every_pinned_package_has_hashes_and_no_address(lock: str) -> None:
    text = (DEPLOY / lock).read_text()
    assert "://" not in text
    for block in re.split(r"\n(?=\S)", text.strip()):
        assert re.match(r"[a-z0-9.-]+==", block), block[:60]
        assert "--hash=sha256:" in block, block[:60]


def test_what_is_tested_is_what_a_board_installs() -> None:
    board, tested = _pinned("requirements.lock"), _pinned("requirements-test.lock")
    assert len(board) > 20
    assert {name: tested.get(name) for name in board} == board


def test_locks_hold_what_the_project_asks_for() -> None:
    import tomllib

    project = tomllib.loads((DEPLOY.parent / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]

    def names(requirements: list[str]) -> set[str]:
        return {re.split(r"[<>=!~\[ ]", r)[0].lower() for r in requirements}

    board = names(project["dependencies"] + extras["push"] + extras["encrypted"] + extras["fleet"])
    assert board <= set(_pinned("requirements.lock"))
    everything = board.union(*(names(extra) for extra in extras.values()))
    assert everything <= set(_pinned("requirements-test.lock"))


# --- the unit ------------------------------------------------------------------------------------------------


def unit_settings() -> dict[str, list[str]]:
    settings: dict[str, list[str]] = {}
    for line in (DEPLOY / "pitvigil.service").read_text().splitlines():
        if "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            settings.setdefault(key, []).append(value)
    return settings


def exposure(unit: Path) -> tuple[int, str]:
    """(exit code against our threshold, report) of `systemd-analyze security`."""
    command = [
        "systemd-analyze",
        "security",
        "--offline=true",
        f"--threshold={EXPOSURE_LIMIT}",
        "--no-pager",
        str(unit),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")


@needs_systemd
def test_exposure_is_at_most_two(tmp_path: Path) -> None:
    code, report = exposure(DEPLOY / "pitvigil.service")
    assert code == 0, report
    # the measure must also be able to fail
    bare = tmp_path / "bare.service"
    bare.write_text("[Service]\nExecStart=/bin/true\nUser=nobody\n")
    assert exposure(bare)[0] != 0


def test_the_unit_keeps_its_promises() -> None:
    unit = unit_settings()
    assert unit["Type"] == ["notify"]
    assert float(unit["WatchdogSec"][0]) <= 30
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"], "a watch is never given up"
    assert unit["MemoryMax"] == ["192M"]
    assert unit["LoadCredential"] == ["secret:/etc/pitvigil/secrets"]
    assert unit["StandardOutput"] == ["null"], "the greeting holds the page's token"
    allowed = {line.split()[0] for line in unit["DeviceAllow"]}
    assert {"char-ttyUSB", "char-ttyACM", "char-ttyAMA", "char-gpiochip"} <= allowed
    assert "AF_UNIX" in unit["RestrictAddressFamilies"][0], "BLE goes over the system bus, a Unix socket"
    assert "PrivateDevices" not in unit, "it would hide the serial lines"


@pytest.mark.parametrize(("file", "user"), [("Containerfile", "pitvigil"), ("fleet/Containerfile", "postgres")])
def test_containers_install_by_the_same_locks_as_no_root(file: str, user: str) -> None:
    """The examples cannot be built in these checks; what they name must at least be there and be the same."""
    lines = (DEPLOY / file).read_text()
    assert "--require-hashes" in lines
    assert "--no-index" in lines
    assert re.findall(r"^USER (.*)$", lines, re.M) == [user]
    for base in re.findall(r"^FROM (\S+)", lines, re.M):
        assert "/" not in base, "no host of a registry"
    for copied in re.findall(r"deploy/\S+\.(?:sh|sql)", "".join(re.findall(r"^COPY .*$", lines, re.M))):
        assert (DEPLOY.parent / copied).is_file()
    assert set(re.findall(r"/wheelhouse/(\S+\.lock)", lines)) == {"requirements.lock", "pitvigil.lock"}


def test_the_containers_settings_are_the_services() -> None:
    shared = {"OPENBLAS_NUM_THREADS=1", "MALLOC_ARENA_MAX=2"}
    assert shared <= set((DEPLOY / "Containerfile").read_text().split())
    assert shared <= set(unit_settings()["Environment"][0].split())


def test_scripts_are_sound_shell() -> None:
    for script in (*DEPLOY.glob("*.sh"), *DEPLOY.glob("fleet/*.sh")):
        subprocess.run(["sh", "-n", str(script)], check=True)
        if script.name != "prepare.sh":  # read by others, not run
            assert os.access(script, os.X_OK), script.name
