"""The hub as a household uses it, tried on a real hub: `deploy/hub/try_hub.sh` starts this and prints its table.

    python -m tests.hub.trial ENVIRONMENT DIRECTORY [--minutes 10] [--only killed ...]

ENVIRONMENT is a virtual environment that holds the hub, DIRECTORY is made and holds all of the trial. Times are real ones.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from pathlib import Path

from tests.hub.checks import IN_ORDER, appears, filled, orders, package, recorder, worked
from tests.hub.household import Board, Broker, Watch
from tests.hub.household_trial import Trial
from tests.hub.hub_process import Hub
from tests.ports import free_port


async def family_list(hub: Hub) -> list[str]:
    """The hub's page as a family reads it."""
    devices = {d["id"]: d["name"] for d in await hub.devices()}
    lines = []
    for row in (await hub.entities()).values():
        attributes = hub.attributes(row["entity_id"])
        name = attributes.get("friendly_name", "?").removeprefix(devices[row["device_id"]]).strip() or "(itself)"
        state = f"{hub.state(row['entity_id'])} {attributes.get('unit_of_measurement', '')}".strip()
        kind = row["entity_id"].split(".")[0]
        lines.append(f"| {devices[row['device_id']]} | {row['entity_category'] or ''} | {name} | {kind} | {state} |")
    return sorted(lines)


async def trial(environment: Path, home: Path, minutes: float, only: list[str]) -> int:
    home.mkdir(parents=True)
    this = asyncio.current_task()
    assert this is not None
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, this.cancel)
    broker, board = Broker(home / "broker"), Board(home)
    await broker.start()
    watch = Watch(home / "watch", broker, home / "watch.log")
    watch.write(board.port)
    watch.start()
    hub = Hub(environment, home / "hub", free_port())
    (home / "hub" / "packages" / "pit.yaml").write_text(filled("package.yaml"), encoding="utf-8")
    t = Trial(hub, broker, board, watch)
    try:
        await hub.start()
        await hub.use_bedroom()
        await hub.use_phone()
        await hub.use_broker(broker.port, "hub", broker.password("hub"))
        sys.stdout.write(
            f"The hub {hub.version}, °F, recorder on\n\n| tried | found | bar | met |\n|---|---|---|---|\n"
        )
        await appears(t)
        await orders(t)
        if not only or "worked" in only:
            await worked(t)
        if not only:
            await package(t)
            await recorder(t, minutes)
        listed = await family_list(hub)
        for check in IN_ORDER:
            if not only or check.__name__ in only:
                await check(t)
        complaints, strange = t.complaints(home)
        t.note(
            "warnings of the hub about MQTT; of these about us", f"{complaints}; {strange}", "0 about us", not strange
        )
        sys.stdout.write(
            "\n| device | filed under | name | kind | state |\n|---|---|---|---|---|\n" + "\n".join(listed) + "\n"
        )
    finally:
        await hub.stop()
        watch.stop(kill=True)
        await board.unplug()
        broker.stop()
    return t.verdict()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("environment", type=Path)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--minutes", type=float, default=10.0, help="how long the recorder is watched")
    names = ["worked", *(check.__name__ for check in IN_ORDER)]
    parser.add_argument("--only", nargs="+", default=[], choices=names, help="a part of what is tried")
    given = parser.parse_args()
    sys.exit(asyncio.run(trial(given.environment.resolve(), given.directory.resolve(), given.minutes, given.only)))
