"""The same attacks from outside on any release: its process, its files, its page and its broker, nothing of its insides.

    python -m tests.faults.black_box [--tree DIRECTORY] [NAME ...]

--tree: the sources of another release, as `git worktree add DIRECTORY RELEASE` puts them; without it those of today.
One line a check: its row of the findings (0: found later) and what was seen. What cannot be done from outside has only its
row in `silenced`.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import http.server
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.faults.silenced import ROOT
from tests.ports import free_port
from tests.system.scripted_board import ScriptedBoard, write_files

STARTS_WITHIN = 40.0
SEED, COPIES, FLIPS = 20261127, 8, 100
ORIGIN = "http://127.0.0.1"
Check = Callable[["Bench"], tuple[bool, str]]


class Bench:
    """One release in a directory of its own, with a board that speaks once a second."""

    def __init__(self, tree: Path, home: Path) -> None:
        self.tree, self.home, self.state = tree, home, home / "state"
        self.board = ScriptedBoard()
        self.more, self.device = "", ""
        self.port = free_port()
        self.environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
        self.line: bytes | None = None
        self._ends = threading.Event()
        self._speaker = threading.Thread(target=self._speak, daemon=True)
        self._speaker.start()
        self.files()

    def files(self, broker: int | None = None, change: tuple[tuple[str, str], ...] = ()) -> None:
        self.rig, self.cook = write_files(self.home, self.board.port, broker, night=True, more=self.more)
        text = self.rig.read_text().replace("port = 0", f"port = {self.port}")
        for before, after in change:
            text = text.replace(before, after)
        self.rig.write_text(text)

    def _speak(self) -> None:
        tick = 0
        while not self._ends.wait(0.25):
            tick += 1
            if self.line is not None:
                self.board.send_bytes(self.line)
            else:
                self.board.send({"1": 121.0 + 0.25 * (tick % 3), "2": 122.0 + 0.25 * (tick % 2), "3": 40.0, "4": 41.0})

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "daemon.cli", *words]

    def run(self, *words: str, within: float = 120.0) -> tuple[int, str]:
        done = subprocess.run(
            self.command(*words), cwd=self.tree, env=self.environment, capture_output=True, text=True, timeout=within
        )
        return done.returncode, done.stdout + done.stderr

    def begin(self) -> subprocess.Popen[bytes]:
        with (self.home / "said").open("ab") as said:
            words = ("run", "--rig", str(self.rig), "--cook", str(self.cook), "--state", str(self.state))
            return subprocess.Popen(self.command(*words), cwd=self.tree, env=self.environment, stdout=said, stderr=said)

    @property
    def said(self) -> list[str]:
        return (self.home / "said").read_text(errors="replace").splitlines()

    @contextlib.contextmanager
    def running(self) -> Iterator[subprocess.Popen[bytes]]:
        """Started, and its page answers; killed at the end. Raises RuntimeError when it does not start."""
        process = self.begin()
        try:
            until = time.monotonic() + STARTS_WITHIN
            while not self._answers():
                if process.poll() is not None or time.monotonic() > until:
                    raise RuntimeError(f"it did not start: {(self.said or [''])[-1][:100]}")
                time.sleep(0.2)
            yield process
        finally:
            process.send_signal(signal.SIGKILL)
            process.wait()

    def _answers(self) -> bool:
        try:
            return self.ask("GET", "/api/page")[0] == 200
        except OSError:
            return False

    def ask(self, method: str, path: str, body: Any = None, key: bool = True, within: float = 60.0) -> tuple[int, Any]:
        """Status and JSON."""
        headers = {
            "Host": f"127.0.0.1:{self.port}",
            "Origin": f"{ORIGIN}:{self.port}",
            "Content-Type": "application/json",
        }
        if key and (self.state / "page-token").exists():
            headers["Authorization"] = "Bearer " + (self.state / "page-token").read_text().strip()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=within)
        try:
            connection.request(method, path, None if body is None else json.dumps(body), headers)
            answer = connection.getresponse()
            text = answer.read()
        except http.client.HTTPException as error:
            raise OSError(str(error)) from error
        finally:
            connection.close()
        with contextlib.suppress(ValueError):
            return answer.status, json.loads(text)
        return answer.status, None

    def until(self, holds: Callable[[], bool], within: float) -> bool:
        end = time.monotonic() + within
        while time.monotonic() < end:
            with contextlib.suppress(OSError, TypeError, KeyError):
                if holds():
                    return True
            time.sleep(0.5)
        return False

    def snapshot(self) -> Any:
        return self.ask("GET", "/api/snapshot")[1]

    def end(self) -> None:
        self._ends.set()
        self._speaker.join()
        self.board.close()


def torn_key(bench: Bench) -> tuple[bool, str]:
    with bench.running():
        pass
    (bench.state / "page-token").write_text("")
    with bench.running():
        return True, "starts with a new key"


def captive_portal(bench: Bench) -> tuple[bool, str]:
    class Portal(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.send_response(302)
            self.send_header("Location", "/welcome")
            self.end_headers()

        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b"please accept")

        def log_message(self, *_: object) -> None:
            pass

    portal = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Portal)
    threading.Thread(target=portal.serve_forever, daemon=True).start()
    address = f"http://127.0.0.1:{portal.server_port}/hook"
    bench.more = f'[[delivery]]\nkind = "webhook"\nname = "hook"\naudience = ["phone"]\nurl = "{address}"\n'
    bench.files()
    code, said = bench.run("notify-test", "--rig", str(bench.rig))
    portal.shutdown()
    return code != 0, " ".join(said.split())[-90:]


def damaged_journal(bench: Bench) -> tuple[bool, str]:
    with bench.running() as process:
        time.sleep(8)
        process.send_signal(signal.SIGTERM)  # so that all lies in the file, which no checksum guards
        process.wait(30)
    kept, chance, well = bench.home / "kept", random.Random(SEED), 0
    shutil.copytree(bench.state, kept)
    for _ in range(COPIES):
        shutil.rmtree(bench.state)
        shutil.copytree(kept, bench.state)
        for name in ("journal.sqlite", "journal.sqlite-wal"):
            file = bench.state / name
            if file.exists() and (data := bytearray(file.read_bytes())):
                for _ in range(FLIPS):
                    data[chance.randrange(100, len(data))] = chance.randrange(256)
                file.write_bytes(bytes(data))
        with contextlib.suppress(RuntimeError), bench.running():
            well += 1
    return well == COPIES, f"{well} of {COPIES} damaged copies start"


def endless_span(bench: Bench) -> tuple[bool, str]:
    def memory() -> int:
        fields = dict(line.split(":", 1) for line in Path(f"/proc/{process.pid}/status").read_text().splitlines())
        return int(fields["VmHWM"].split()[0])

    with bench.running() as process:
        before, begin = memory(), time.monotonic()
        with contextlib.suppress(OSError):
            bench.ask("GET", "/api/history?start=0&end=1000000000", within=90)
        took, grown = time.monotonic() - begin, (memory() - before) / 1024
    return took < 10 and grown < 50, f"{took:.1f} s, {grown:.0f} MiB more"


def foreign_page(bench: Bench) -> tuple[bool, str]:
    with bench.running():
        for _ in range(140):
            bench.ask("GET", "/api/acknowledge", key=False)
        status, _ = bench.ask("POST", "/api/acknowledge", {"alarm": "*"})
    return status == 202, f"the cook's own acknowledgement: {status}"


def keyless_guest(bench: Bench) -> tuple[bool, str]:
    with bench.running():
        guests = [socket.create_connection(("127.0.0.1", bench.port)) for _ in range(80)]
        time.sleep(1)
        answered = 0
        for _ in range(10):
            with contextlib.suppress(OSError):
                answered += bench.ask("GET", "/api/snapshot", within=3)[0] == 200
        for guest in guests:
            guest.close()
    return answered == 10, f"{answered} of 10 requests of the cook answered"


def two_watches(bench: Bench) -> tuple[bool, str]:
    with bench.running():
        bench.rig.write_text(bench.rig.read_text().replace(f"port = {bench.port}", "port = 0"))
        second = bench.begin()
        try:
            second.wait(STARTS_WITHIN)
        except subprocess.TimeoutExpired:
            return False, "both run"
        finally:
            second.kill()
            second.wait()
    return second.returncode != 0, f"the second ends with {second.returncode}"


def deleted_state(bench: Bench) -> tuple[bool, str]:
    with bench.running():
        time.sleep(8)
        shutil.rmtree(bench.state)
        back = bench.until(lambda: (bench.state / "journal.sqlite").exists(), 120)
    return back, "written anew" if back else "nothing is written for two minutes"


def endless_names(bench: Bench) -> tuple[bool, str]:
    words = 'kind = "words", chip = "max31855", checksum = "crc16", thermocouple = "K"'
    bench.files(change=((words, 'kind = "json"'),))
    number = iter(range(10**9))
    with bench.running():
        before = len(bench.said)
        for _ in range(400):
            names = ",".join(f'"x{next(number)}":1' for _ in range(20))
            bench.line = b'{"1":121.25,"2":122.0,"a\\nERROR the pit burns":1,%s}\n' % names.encode()
            bench.board.send_bytes(bench.line)
            time.sleep(0.02)
        time.sleep(2)
        said = bench.said[before:]
    forged = sum(line.startswith("ERROR the pit burns") for line in said)
    return len(said) < 200 and not forged, f"{len(said)} lines of the log for 8,000 names, {forged} forged"


def silent_broker(bench: Bench) -> tuple[bool, str]:
    """As much of MQTT 5.0 as a client needs to believe that it is connected; no PUBACK ever."""
    listening = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = listening.accept()
                threading.Thread(target=swallow, args=(connection,), daemon=True).start()

    def swallow(connection: socket.socket) -> None:
        with contextlib.suppress(OSError), connection:
            if connection.recv(4096):
                connection.sendall(bytes((0x20, 0x03, 0x00, 0x00, 0x00)))
            while connection.recv(65536):
                pass

    threading.Thread(target=serve, daemon=True).start()
    bench.files(broker=listening.getsockname()[1])
    with bench.running():
        begin = time.monotonic()
        ill = bench.until(lambda: any("acknowledge" in line for line in bench.said), 150)
    listening.close()
    return ill, f"said after {time.monotonic() - begin:.0f} s" if ill else "not a word in 150 s"


def no_delivery(bench: Bench) -> tuple[bool, str]:
    with bench.running():
        bench.ask("POST", "/api/sleep", {})
        bench.until(lambda: bool(bench.snapshot()["nap"]), 20)
        green = bench.snapshot()["nap"]["green"]
    falsely = [words for words in green if "wake" in words]
    return not falsely, f"green: {', '.join(falsely) or 'no line about waking'}"


def sleep_promise(bench: Bench) -> tuple[bool, str]:
    with bench.running() as process:
        bench.ask("POST", "/api/sleep", {})
        bench.until(lambda: bool(bench.snapshot()["nap"]), 20)
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    with bench.running():
        kept = bench.until(lambda: bool(bench.snapshot()["nap"]), 15)
    return kept, "the list goes on" if kept else "nobody knows that the cook sleeps"


def edited_cook(bench: Bench) -> tuple[bool, str]:
    def stage() -> str:
        return next(str(p["stage"]) for p in bench.snapshot()["pieces"] if p["id"] == "chuck")

    with bench.running() as process:
        bench.ask("POST", "/api/mark", {"kind": "meat-on", "piece": "chuck"})
        bench.until(lambda: stage() != "waiting", 20)
        before = stage()
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    bench.cook.write_text("# for the village hall\n" + bench.cook.read_text())
    with bench.running():
        bench.until(lambda: stage() != "waiting", 15)
        after = stage()
    return before != "waiting" and after != "waiting", f"{before}, then {after}"


def broken_cook(bench: Bench) -> tuple[bool, str]:
    with bench.running() as process:
        bench.ask("POST", "/api/mark", {"kind": "meat-on", "piece": "chuck"})
        time.sleep(2)
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    bench.cook.write_bytes(b"\xff\x00 id = ")
    with bench.running():
        stages = {piece["id"]: piece["stage"] for piece in bench.snapshot()["pieces"]}
    return stages.get("chuck", "waiting") != "waiting", f"{stages}"


def full_output(bench: Bench) -> tuple[bool, str]:
    words = ("run", "--rig", str(bench.rig), "--cook", str(bench.cook), "--state", str(bench.state))
    with Path("/dev/full").open("wb") as full:
        process = subprocess.Popen(
            bench.command(*words), cwd=bench.tree, env=bench.environment, stdout=full, stderr=full
        )
    try:
        runs = bench.until(bench._answers, STARTS_WITHIN)
        for number in (signal.SIGHUP, signal.SIGUSR1, signal.SIGUSR2):
            process.send_signal(number)
        time.sleep(2)
        ended = process.poll()
    finally:
        process.kill()
        process.wait()
    return runs and ended is None, f"answers: {runs}, ended with {ended}"


def few_files(bench: Bench) -> tuple[bool, str]:
    """96 open files in all, and 400 connections without the key."""
    run = ("run", "--rig", str(bench.rig), "--cook", str(bench.cook), "--state", str(bench.state))
    shell = ["bash", "-c", 'ulimit -n 96; exec "$@"', "x", *bench.command(*run)]
    with (bench.home / "said").open("ab") as said:
        process = subprocess.Popen(shell, cwd=bench.tree, env=bench.environment, stdout=said, stderr=said)
    guests: list[socket.socket] = []
    try:
        bench.until(bench._answers, STARTS_WITHIN)
        with contextlib.suppress(OSError):
            guests += [socket.create_connection(("127.0.0.1", bench.port), timeout=2) for _ in range(400)]
        time.sleep(5)
        answered = bench.until(bench._answers, 20)
        lines = len(bench.said)
    finally:
        process.kill()
        process.wait()
        for guest in guests:
            guest.close()
    return answered and lines < 100, f"answers: {answered}, {lines} lines of the log"


def second_cook(bench: Bench) -> tuple[bool, str]:
    piece = {"name": "A", "cut": "lamb-leg", "channel": "lamb", "weight": 2}
    with bench.running():
        bench.ask("POST", "/api/mark", {"kind": "meat-on", "piece": "chuck"})
        time.sleep(2)
        status, _ = bench.ask("POST", "/api/start-cook", {"cook": {"id": "fair", "name": "Fair", "pieces": [piece]}})
    return status == 409, f"answered {status}"


def odd_log(bench: Bench) -> tuple[bool, str]:
    log = bench.home / "meat.csv"
    rows = [f"2026-11-28T12:{minute:02}:00Z,{10 + minute},11" for minute in range(0, 60, 5)]
    log.write_text("\n".join(["time,chuck,lamb", *rows]))
    code, said = bench.run("import", str(log), "--state", str(bench.state), "--name", "Meat", "--pit", "The pit")
    return code == 0, (said.strip().splitlines() or [""])[-1][:90]


CHECKS: tuple[tuple[int, Check], ...] = (
    (3, torn_key), (5, captive_portal), (6, damaged_journal), (7, endless_span), (8, foreign_page), (9, keyless_guest),
    (10, two_watches), (12, deleted_state), (13, endless_names), (14, silent_broker), (16, no_delivery),
    (18, sleep_promise), (20, edited_cook), (21, second_cook), (23, odd_log), (0, broken_cook), (0, full_output), (0, few_files),
)  # fmt: skip


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--tree", type=Path, default=ROOT)
    parser.add_argument("names", nargs="*")
    options = parser.parse_args(arguments)
    held = 0
    wanted = [check for check in CHECKS if not options.names or check[1].__name__ in options.names]
    for row, check in wanted:
        with tempfile.TemporaryDirectory(prefix="outside-") as home:
            bench = Bench(options.tree.resolve(), Path(home))
            try:
                holds, seen = check(bench)
            except (RuntimeError, subprocess.TimeoutExpired, OSError, KeyError, TypeError) as error:
                holds, seen = False, f"{type(error).__name__}: {str(error)[:90]}"
            finally:
                bench.end()
        held += holds
        print(f"{row:3} {check.__name__.replace('_', ' '):18} {'holds' if holds else 'FAILS'}  {seen}", flush=True)
    print(f"{held} of {len(wanted)} hold")
    return 0 if held == len(wanted) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
