"""Whoever is woken over a broker is out of reach while that is gone: found without a message, and the first call goes another way
as well. No outside source: the promise is ours."""

from __future__ import annotations

from pathlib import Path

from daemon.core.events import Level, Notification
from daemon.core.inputs import Part
from daemon.shell.hub import link
from daemon.wiring.watch import Watch
from tests.faults.stage import TOO_HOT, staged, watching
from tests.faults.test_disk import patched
from tests.system.hub.mqtt_broker import NEEDS_MOSQUITTO


def well(watch: Watch, part: Part) -> bool:
    """This part has been heard of, and is well."""
    health = [item.ok for (kind, _), (item, _) in watch.engine.health.items() if kind is part]
    return bool(health) and all(health)


@NEEDS_MOSQUITTO
async def test_a_sleeper_whose_only_way_is_a_broker_that_dies_is_called_by_the_sounder(tmp_path: Path) -> None:
    rang = tmp_path / "rang"
    sounder = f"""
[[delivery]]
kind = "command"
name = "siren"
audience = ["sounder"]
command = ["/bin/sh", "-c", "cat >> {rang}"]
"""
    with patched(link, "TRIAL", 0.0), patched(link, "LONGEST_PAUSE", 1.0):  # these take real time
        await night(tmp_path, sounder, rang)


async def night(tmp_path: Path, sounder: str, rang: Path) -> None:
    async with staged(tmp_path, sounder) as stage, watching(stage, tmp_path / "state") as running:
        watch = running.watch
        await stage.until(lambda: well(watch, Part.BROKER))
        calls: list[Notification] = []
        watch.loop.listeners.append(
            lambda events, view, now: calls.extend(e for e in events if isinstance(e, Notification))
        )
        stage.broker.kill()
        await stage.until(lambda: not well(watch, Part.CHANNEL))
        stage.pit = TOO_HOT
        await stage.until(rang.exists)
        wakes = [call.audiences for call in calls if call.level is Level.WAKE]
        assert wakes[0] == ("phone", "sounder"), "it waits for no message of its own to fail"
        await stage.broker.start()
        await stage.until(lambda: well(watch, Part.CHANNEL))
