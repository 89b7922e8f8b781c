"""Orders that look into another state directory than the running watch's say so. No outside source: the promise is ours."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from config.rig import PageSection
from daemon import cli
from daemon.shell.state.whole_file import write_whole
from daemon.wiring.keys import KEY_FILE
from tests.shell.kept_cooks import make_journal


class Refuses(BaseHTTPRequestHandler):
    """A page that knows another key."""

    def do_GET(self) -> None:
        self.send_error(401)

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_error(401)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        pass


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Path]:
    """A rig whose page is served, by a watch that knows another key."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), Refuses)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    make_journal(tmp_path, 0.1)
    file = tmp_path / "rig.toml"
    text = file.read_text(encoding="utf-8")
    assert "[page]" not in text
    assert PageSection().listen == "127.0.0.1"
    file.write_text(f"{text}\n[page]\nport = {server.server_address[1]}\n", encoding="utf-8")
    yield file
    server.shutdown()
    server.server_close()


@pytest.mark.parametrize("words", [["key"], ["mark", "log"]])
def test_an_order_says_which_watch_it_looked_for(
    rig: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    state = rig.parent / "elsewhere"
    state.mkdir()
    call = [*words, "--rig", str(rig), "--state", str(state)]
    assert cli.main(call) != 0
    said = capsys.readouterr()
    assert f"no watch runs with the state directory {state}" in said.err and "--state" in said.err and not said.out
    write_whole(state / KEY_FILE, "x" * 64 + "\n")
    assert cli.main(call) != 0
    said = capsys.readouterr()
    assert "runs with another state directory" in said.err and "--state" in said.err and not said.out
