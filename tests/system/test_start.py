"""How `pitvigil run` starts its watch."""

from __future__ import annotations

import gc
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon import cli
from daemon.wiring import watch as app


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


def test_every_command_shows_an_example_that_it_can_read(capsys: pytest.CaptureFixture[str]) -> None:
    parser = cli._parser()
    for name, example in cli.EXAMPLES.items():
        with pytest.raises(SystemExit) as ended:
            cli.main([name, "--help"])
        assert ended.value.code == 0
        assert f"pitvigil {name} {example}" in capsys.readouterr().out
        parser.parse_args([name, *shlex.split(example)])
