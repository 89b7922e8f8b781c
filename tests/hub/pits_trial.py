"""A watch over two pits on a real hub: whose device is whose, orders, a piece that moves, a pit that goes.

    python -m tests.hub.pits_trial ENVIRONMENT DIRECTORY

As `tests.hub.trial`, which tries the rest; `deploy/hub/try_hub.sh` starts both.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import functools
import json
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import yaml

from tests.hub.checks import AT_ONCE, DEPLOY, NAMES, named
from tests.hub.household import ONE_PIT, Board, Broker, Watch
from tests.hub.household_trial import BACK, Trial
from tests.hub.hub_process import Hub
from tests.ports import free_port

PITS = """[[pits]]
id = "offset"
name = "Offset"
band = { low = 107, high = 135 }
[[pits]]
id = "drum"
name = "Drum"
band = { low = 105, high = 140 }"""
ON = {"pit-left": "offset", "pit-right": "offset", "chuck": "offset", "pit-back": "drum", "lamb": "drum"}
ALONE = ONE_PIT.replace('id = "pit"\nname = "The long pit"', 'id = "offset"\nname = "Offset"')
LIFE, REFUSED = "sensor.pit_watch_watch", "sensor.pit_watch_last_refused_order"
HANGS = {
    "Offset": "Pit watch",
    "Drum": "Pit watch",
    "Cabinet": "Pit watch",
    "Chuck roll": "Offset",
    "Lamb shoulder": "Drum",
}


def filled(file: str) -> str:
    given = NAMES[1:] if file == "package.yaml" else ()
    command = ["sh", str(DEPLOY / "fill-in.sh"), file, "Pit watch", *given, "Offset", "Drum"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


async def ids(t: Trial) -> dict[str, str]:
    """unique id -> entity id."""
    return {unique: row["entity_id"] for unique, row in (await t.hub.entities()).items()}


async def hangs(t: Trial) -> dict[str, str]:
    """Device -> the device it hangs on."""
    devices = {d["id"]: d for d in await t.hub.devices()}
    return {
        d["name"]: devices[d["via_device_id"]]["name"] for d in devices.values() if d.get("via_device_id") in devices
    }


async def until_hangs(t: Trial, what: str, expected: dict[str, str], bar: float) -> None:
    begin, found = time.monotonic(), await hangs(t)
    while found != expected and time.monotonic() - begin < 2 * bar + 30:
        await asyncio.sleep(0.5)
        found = await hangs(t)
    t.took(what, time.monotonic() - begin if found == expected else None, bar)


async def all_are(t: Trial, what: str, known: dict[str, str], here: bool, bar: float, begin: float) -> None:
    """Every entity of every device is unavailable, or none is; events and what is not there have no say."""
    own = [e for e in known.values() if not e.startswith("event.") and e != LIFE]
    holds = lambda: all((t.hub.state(e) == "unavailable") is not here for e in own)  # noqa: E731
    await t.wait(f"{what} ({len(own)} entities)", holds, bar, begin)


async def appears(t: Trial) -> dict[str, str]:
    await t.wait(
        "two pits: the watch and both pits appear", lambda: t.known("sensor.offset")() and t.known("sensor.drum")(), 30
    )
    await asyncio.sleep(20)
    names = sorted(d["name"] for d in await t.hub.devices())
    t.note("devices", ", ".join(names), "watch, pits, cabinet, pieces", names == sorted(["Pit watch", *HANGS]))
    await until_hangs(t, "each hangs on its own", HANGS, AT_ONCE)
    entities = await t.hub.entities()
    t.note("entities; hidden", f"{len(entities)}; {sum(r['disabled_by'] is not None for r in entities.values())}", "-; 0",
           all(row["disabled_by"] is None for row in entities.values()))  # fmt: skip
    said = Counter(t.hub.attributes(row["entity_id"]).get("friendly_name", "") for row in entities.values())
    twice = [name for name, count in said.items() if count > 1 or any(name.count(device) > 1 for device in names)]
    t.note("names given twice, or that say a device twice", ", ".join(twice) or "none", "none", not twice)
    # The hub's word that it is up makes all unavailable, until the watch has answered: it may come a while after its start.
    known = await ids(t)
    await all_are(t, "all is available while the watch lives", known, True, BACK, time.monotonic())
    device_of = {d["id"]: d["name"] for d in await t.hub.devices()}
    at = {row["entity_id"]: device_of[row["device_id"]] for row in entities.values()}
    own = (
        "sensor.{}",
        "number.{}_band_low_edge",
        "sensor.{}_low_without_wood_at",
        "button.{}_mark_log_is_on",
        "binary_sensor.{}_fire_lost",
    )
    strange = [
        e for pit in ("offset", "drum") for e in (form.format(pit) for form in own) if at.get(e) != pit.capitalize()
    ]
    t.note(
        "each pit has its temperature, band, next log, marks and alarms",
        ", ".join(strange) or "yes",
        "yes",
        not strange,
    )
    card = yaml.safe_load(filled("card.yaml"))
    gone = [e for e in named(card) if not t.hub.state(e)]
    t.note("entities of the card for two pits that do not exist", ", ".join(gone) or "none", "none", not gone)
    return known


async def orders(t: Trial) -> None:
    low, other = "number.drum_band_low_edge", t.hub.state("number.offset_band_low_edge")
    await t.hub.call("number.set_value", low, value=228)
    await t.wait("the drum's band is moved", t.reads(low, 228), AT_ONCE)
    t.note("and the offset's is not", t.hub.state("number.offset_band_low_edge"), other,
           t.hub.state("number.offset_band_low_edge") == other)  # fmt: skip
    for pit in ("offset", "drum"):
        await t.hub.call("button.press", f"button.{pit}_mark_fire_lit")
        await t.wait(f"{pit}: fire lit", t.is_(f"sensor.{pit}_last_mark", "fire-lit"), AT_ONCE)
    for piece in ("chuck_roll", "lamb_shoulder"):
        await t.hub.call("button.press", f"button.{piece}_mark_on_the_pit")
    await t.wait("both pieces are on", t.is_("sensor.lamb_shoulder_stage", "on", "cooking"), 2 * AT_ONCE)
    before = t.hub.state("sensor.offset_last_log_at")
    await t.hub.call("button.press", "button.drum_mark_log_is_on")
    await t.wait("a log on the drum", t.is_("sensor.drum_last_mark", "log"), AT_ONCE)
    t.note("and none on the offset", t.hub.state("sensor.offset_last_log_at"), before,
           t.hub.state("sensor.offset_last_log_at") == before and t.is_("sensor.offset_last_mark", "fire-lit")())  # fmt: skip
    await asyncio.sleep(10)  # the hub's allowance of orders is full again
    await t.hub.call("button.press", "button.drum_take_back_the_last_mark")
    await t.wait("taken back: the drum's mark before", t.is_("sensor.drum_last_mark", "fire-lit"), AT_ONCE)
    t.note(
        "the offset's stands",
        t.hub.state("sensor.offset_last_mark"),
        "fire-lit",
        t.is_("sensor.offset_last_mark", "fire-lit")(),
    )
    for topic, payload, word in (
        ("homie/5/offset/piece-lamb/mark/set", "off", "it is on: drum"),
        ("homie/5/offset-watch/pit/mark/set", "log", "it is on: offset, drum"),
        (
            "homie/5/offset-watch/watch/order/set",
            json.dumps({"command": "mark", "kind": "log", "pit": "kiln"}),
            "no pit is called kiln",
        ),
    ):
        await t.hub.call("mqtt.publish", topic=topic, payload=payload)
        said = functools.partial(lambda words: words in t.hub.state(REFUSED), word)
        await t.wait(f'a wrong pit is refused: "{word}"', said, AT_ONCE)
    await t.hub.call("script.pit_watch_mark_made_earlier", None, what="log", minutes_ago=20, pit="Drum")
    await t.wait("a mark made earlier, by the form, for the drum", t.is_("sensor.drum_last_mark", "log"), AT_ONCE)
    await t.hub.press_on_phone("pit_watch_log_offset")
    await t.wait('"Log is on: Offset" on the phone', t.is_("sensor.offset_last_mark", "log"), 2 * AT_ONCE)


async def moves(t: Trial, known: dict[str, str]) -> None:
    choice = "select.chuck_roll_pit"
    for pit in ("Drum", "Offset"):
        await t.hub.call("select.select_option", choice, option=pit)
        await t.wait(f"the chuck roll moves to the {pit.lower()}", t.is_(choice, pit), 2 * AT_ONCE)
        await until_hangs(t, "and its device with it", HANGS | {"Chuck roll": pit}, 2 * AT_ONCE)
        await asyncio.sleep(10)
        now = await ids(t)
        t.note("entities lost, left behind or renamed", len(known.items() ^ now.items()), "0", now == known)
        dead = [e for e in now.values() if t.hub.state(e) == "unavailable"]
        t.note("of these unavailable", ", ".join(dead) or "none", "none", not dead)
        await t.wait("its temperature is told", t.known("sensor.chuck_roll"), AT_ONCE)
    await t.hub.call("button.press", "button.lamb_shoulder_mark_in_the_hold")
    await t.wait("held so soon is asked about", lambda: "once more" in t.hub.state(REFUSED), AT_ONCE)
    await t.hub.call("button.press", "button.lamb_shoulder_mark_in_the_hold")
    await until_hangs(t, "held, the lamb hangs on the cabinet", HANGS | {"Lamb shoulder": "Cabinet"}, 2 * AT_ONCE)
    await t.hub.call("button.press", "button.lamb_shoulder_take_back_the_last_mark")
    await until_hangs(t, "taken back, on the drum", HANGS, 2 * AT_ONCE)
    t.note(
        "entities lost, left behind or renamed", len(known.items() ^ (await ids(t)).items()), "0", await ids(t) == known
    )


async def falls_silent(t: Trial, known: dict[str, str]) -> None:
    begin = time.monotonic()
    t.watch.stop(kill=True)
    await all_are(t, "kill -9: every device is unavailable", known, False, AT_ONCE, begin)
    t.watch.start()
    await all_are(t, "started again: all is back", known, True, BACK, time.monotonic())
    begin = time.monotonic()
    t.watch.stop()
    await all_are(t, "clean stop: every device is unavailable", known, False, AT_ONCE, begin)
    t.watch.start()
    await all_are(t, "started again: all is back", known, True, BACK, time.monotonic())
    await t.hub.restart()
    await all_are(t, "hub restarted: all is back", known, True, BACK, time.monotonic())
    t.broker.keep()
    await asyncio.sleep(2)
    begin = time.monotonic()
    t.watch.stop(kill=True)
    t.broker.stop(kill=True)
    await all_are(t, "power cut: every device is unavailable", known, False, AT_ONCE, begin)
    await t.broker.start()
    await asyncio.sleep(30)
    alive = [e for e in known.values() if t.hub.state(e) not in ("unavailable", "unknown", "")]
    t.note("broker back alone: shown as alive after 30 s", ", ".join(alive) or "none", "none", not alive)
    t.watch.start()
    await all_are(t, "power back: all is back", known, True, BACK, time.monotonic())


async def rewritten(t: Trial, what: str, pits: str, on: dict[str, str] | None, life: str) -> dict[str, str]:
    """The watch started anew with another rig; the ids the hub knows once it has settled."""
    t.watch.stop()
    await asyncio.sleep(2)
    t.watch.write(t.board.port, pits=pits, on=on)
    t.watch.start()
    await t.wait(f"{what}: the watch is back", t.is_(life, "watching"), BACK)
    await asyncio.sleep(25)
    return await ids(t)


async def pits_come_and_go(t: Trial, known: dict[str, str]) -> None:
    barrel = PITS.replace('id = "drum"\nname = "Drum"', 'id = "barrel"\nname = "Barrel"')
    now = await rewritten(
        t, "the drum is called barrel", barrel, {c: "barrel" if p == "drum" else p for c, p in ON.items()}, LIFE
    )
    left = [u for u in now if "drum" in u] + [d["name"] for d in await t.hub.devices() if d["name"] == "Drum"]
    t.note("what the drum leaves behind", ", ".join(left) or "none", "none", not left)
    t.note("entities; before", f"{len(now)}; {len(known)}", "the same", len(now) == len(known))
    await t.wait("the barrel's temperature", t.known("sensor.barrel"), AT_ONCE)
    now = await rewritten(t, "called drum again", PITS, ON, LIFE)
    t.note("ids that differ from before", len(known.items() ^ now.items()), "0", now == known)
    now = await rewritten(t, "the drum is taken away", ALONE, None, "sensor.offset_watch")
    left = sorted({d["name"] for d in await t.hub.devices()} - {"Offset", "Chuck roll", "Lamb shoulder"})
    t.note("devices it leaves behind", ", ".join(left) or "none", "none", not left)
    dead = [e for e in now.values() if t.hub.state(e) in ("unavailable", "")]
    t.note("entities unavailable with one pit", ", ".join(dead) or "none", "none", not dead)
    await t.wait("the offset's temperature", t.known("sensor.offset"), AT_ONCE)
    topics = {topic.split("/")[2] for topic in t.watch.announcements() if topic.startswith("homie/")}
    t.note("Homie devices remembered", ", ".join(sorted(topics)), "offset", topics == {"offset"})
    now = await rewritten(t, "the drum is given back", PITS, ON, LIFE)
    t.note("ids that differ from a first installation", len(known.items() ^ now.items()), "0", now == known)


async def trial(environment: Path, home: Path) -> int:
    home.mkdir(parents=True)
    this = asyncio.current_task()
    assert this is not None
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, this.cancel)
    broker, board = Broker(home / "broker", "offset+drum+barrel"), Board(home)
    await broker.start()
    watch = Watch(home / "watch", broker, home / "watch.log")
    watch.write(board.port, pits=PITS, on=ON)
    watch.start()
    hub = Hub(environment, home / "hub", free_port())
    (home / "hub" / "packages" / "pit.yaml").write_text(filled("package.yaml"), encoding="utf-8")
    t = Trial(hub, broker, board, watch)
    try:
        await hub.start()
        await hub.use_bedroom()
        await hub.use_phone()
        await hub.use_broker(broker.port, "hub", broker.password("hub"))
        sys.stdout.write(f"The hub {hub.version}, two pits\n\n| tried | found | bar | met |\n|---|---|---|---|\n")
        known = await appears(t)
        await orders(t)
        await moves(t, known)
        await falls_silent(t, known)
        await pits_come_and_go(t, known)
        _, strange = t.complaints(home)
        t.note("warnings of the hub about us", strange, "0", not strange)
    finally:
        with contextlib.suppress(Exception):
            await hub.stop()
        watch.stop(kill=True)
        await board.unplug()
        broker.stop()
    return t.verdict()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("environment", type=Path)
    parser.add_argument("directory", type=Path)
    given = parser.parse_args()
    sys.exit(asyncio.run(trial(given.environment.resolve(), given.directory.resolve())))
