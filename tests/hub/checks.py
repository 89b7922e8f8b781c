"""What is tried, in the order in which a household would meet it. Bars: the issue's and a household's, common practice, no
source."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import time
from typing import Any

import yaml

from tests.hub.household import CHANNELS
from tests.hub.household_trial import BACK, CONTROL, LIFE, PIT, RUNS, SILENCE, TEMPERATURE, Trial
from tests.hub.hub_process import Hub, HubFailed
from tests.system.hub.mqtt_broker import ROOT

DEPLOY = ROOT / "deploy" / "hub"
NAMES = ("The long pit", "notify.mobile_app_phone", "light.bedroom", "media_player.bedroom", "tts.home")
DAY = 86400.0
ROWS_BAR = 20_000
"""States a day with eight channels."""
SILENCE_BAR = 300.0
"""s from a power cut to the hub's saying so."""
AT_ONCE = 5.0
RUN_OUT = 260.0
"""s: longer than any value is believed without being said again."""


def filled(file: str) -> str:
    done = subprocess.run(["sh", str(DEPLOY / "fill-in.sh"), file, *NAMES], capture_output=True, text=True, check=True)
    return done.stdout


def named(card: Any) -> list[str]:
    """Every entity a card names."""
    if isinstance(card, dict):
        own = [card["entity"]] if "entity" in card else []
        own += [e for e in card.get("entities", []) if isinstance(e, str)]
        return own + [e for value in card.values() for e in named(value)]
    return [e for item in card for e in named(item)] if isinstance(card, list) else []


async def rendered(hub: Hub, template: str) -> str:
    return str(await hub.rest("post", "/api/template", {"template": template}))


async def appears(t: Trial) -> None:
    await t.wait("the watch appears in the hub", t.known(TEMPERATURE), 30)
    await asyncio.sleep(10)
    entities = await t.hub.entities()
    enabled = sum(row["disabled_by"] is None for row in entities.values())
    t.note("entities; of these enabled", f"{len(entities)}; {enabled}", "all enabled", len(entities) == enabled > 50)
    devices = sorted(d["name"] for d in await t.hub.devices())
    expected = ["Chuck roll", "Lamb shoulder", "The long pit"]
    t.note("devices", ", ".join(devices), "the pit and each piece", devices == expected)
    names = [t.hub.attributes(row["entity_id"]).get("friendly_name", "") for row in entities.values()]
    doubled = [n for n in names if any(n.count(d) > 1 for d in devices)]
    t.note("names that say a device twice; that are given twice",
           f"{len(doubled)}; {len(names) - len(set(names))}", "0; 0", not doubled and len(names) == len(set(names)))  # fmt: skip
    temperatures = [e for e in entities.values() if "chuck" in e["unique_id"]
                    and t.hub.attributes(e["entity_id"]).get("device_class") == "temperature"]  # fmt: skip
    t.note("temperatures of the chuck roll", len(temperatures), "1", len(temperatures) == 1)
    unlike = [e for e in entities.values() if t.hub.state(e["entity_id"]) == "unavailable"]
    t.note("entities unavailable while the watch lives", len(unlike), "0", not unlike)


async def orders(t: Trial) -> None:
    low, refused = f"number.{PIT}_band_low_edge", f"sensor.{PIT}_last_refused_order"
    for fahrenheit in (225, 230):
        await t.hub.call("number.set_value", low, value=fahrenheit)
        await t.wait(f"{fahrenheit} °F into the band's low edge: taken, answered", t.reads(low, fahrenheit), AT_ONCE)
    high = f"number.{PIT}_band_high_edge"
    most = t.hub.attributes(high)["max"]
    said = ""
    try:
        await t.hub.call("number.set_value", high, value=most + 1)
    except HubFailed as refusal:
        said = str(refusal)
    t.note("one degree above what the hub is told is possible", said or "taken", "the hub says no", bool(said))
    await t.hub.call("number.set_value", high, value=most)
    await t.wait(f"the limit itself, {most} °F", t.reads(high, most), AT_ONCE)
    await t.hub.call("number.set_value", high, value=275)
    event = f"event.{PIT}_order_refused"
    before = t.hub.state(event)
    await t.hub.call("mqtt.publish", topic="homie/5/pit/pit/band-high/set", payload="300")
    await t.wait("a refused order is seen as an entity", lambda: "300" in t.hub.state(refused), AT_ONCE)
    await t.wait("and as an event", lambda: t.hub.state(event) != before, AT_ONCE)
    await t.hub.call("button.press", f"button.{PIT}_mark_fire_lit")
    await t.hub.call("button.press", "button.chuck_roll_mark_on_the_pit")
    await t.wait("marks: the chuck roll is on", t.is_("sensor.chuck_roll_stage", "on", "cooking"), AT_ONCE)
    await t.wait("a cook runs", t.is_(RUNS, "on"), 2 * AT_ONCE)


async def package(t: Trial) -> None:
    before, last = len(t.hub.seen.pushed), t.hub.state(f"sensor.{PIT}_last_log_at")
    await t.hub.call("button.press", f"button.{PIT}_send_a_test_wake")
    await t.wait("a wake reaches the phone", lambda: len(t.hub.seen.pushed) > before, 2 * AT_ONCE)
    message = t.hub.seen.pushed[before] if len(t.hub.seen.pushed) > before else {}
    buttons = [a["title"] for a in message.get("data", {}).get("actions", [])]
    t.note("its buttons", ", ".join(buttons), "two", buttons == ["Heard", "Log is on"])
    await t.wait("the bedroom's light", t.is_("light.bedroom", "on"), AT_ONCE)
    await t.wait("the bedroom's speaker", t.is_("media_player.bedroom", "playing"), AT_ONCE)
    await t.hub.press_on_phone(f"{PIT}_heard")
    await t.wait('"Heard" on the phone answers it', t.is_(f"sensor.{PIT}_test_wake", "acknowledged"), 2 * AT_ONCE)
    await t.hub.press_on_phone(f"{PIT}_log")
    await t.wait('"Log is on" marks the log', lambda: t.hub.state(f"sensor.{PIT}_last_log_at") != last, 2 * AT_ONCE)
    card = yaml.safe_load(filled("card.yaml"))
    content = next(c["content"] for c in card["cards"] if c["type"] == "markdown")
    text = await rendered(t.hub, content)
    t.note("the card lists the pieces", text.splitlines()[0], "both, with no error",
           "Chuck roll" in text and "Lamb shoulder" in text)  # fmt: skip
    gone = [e for e in named(card) if not t.hub.state(e)]
    t.note("entities of the card that do not exist", ", ".join(gone) or "none", "none", not gone)


async def recorder(t: Trial, minutes: float) -> None:
    rows, statistics, size = t.hub.recorded()
    begin, wall = time.monotonic(), time.time()
    await asyncio.sleep(60 * minutes)
    more = t.hub.recorded()
    scale = DAY / (time.monotonic() - begin)
    a_day = (more[0] - rows) * scale
    t.note(f"recorder, states a day (from {minutes:g} min, 8 channels, a cook runs)", f"{a_day:,.0f}",
           f"<= {ROWS_BAR:,}", a_day <= ROWS_BAR)  # fmt: skip
    t.note("recorder, statistics a day; MB a day, file",
           f"{(more[1] - statistics) * scale:,.0f}; {(more[2] - size) * scale / 1e6:.1f}", "-", True)  # fmt: skip
    for entity, count in t.hub.recorded_most(wall)[:8]:
        sys.stdout.write(f"    {entity}: {count * scale:,.0f} a day\n")


async def not_known(t: Trial) -> None:
    warmer = f"sensor.{PIT}_warmer"
    t.board.broken.add("cabinet")
    await t.wait("a broken probe becomes unknown", t.is_(warmer, "unknown"), 30)
    before = t.silences()
    await t.hub.restart()
    begin = time.monotonic()
    await t.wait("hub restarted: all there again", t.known(TEMPERATURE), 30, begin)
    await t.wait("what is not known is unknown, not unavailable", t.is_(warmer, "unknown"), 30, begin)
    await t.none_cried("hub restarted", before)
    await asyncio.sleep(max(0.0, begin + RUN_OUT - time.monotonic()))
    t.note(
        "and still is when values have had the time to run out",
        t.hub.state(warmer),
        "unknown",
        t.is_(warmer, "unknown")(),
    )
    t.board.broken.clear()
    await t.wait("the probe is back", t.known(warmer), 60)
    await t.board.unplug()
    await t.wait("board unplugged: a blind pit is unknown", t.is_(TEMPERATURE, "unknown"), 90)
    t.note("the watch itself is", t.hub.state(LIFE), "watching", t.hub.state(LIFE) == "watching")
    t.board.plug_in()
    await t.wait("plugged in again", t.known(TEMPERATURE), 90)


async def falls_silent(t: Trial, what: str, bar: float, begin: float) -> None:
    await t.wait(f"{what}: a temperature is unavailable", t.is_(TEMPERATURE, "unavailable"), bar, begin)
    await t.wait(f"{what}: a control is unavailable", t.is_(CONTROL, "unavailable"), bar, begin)


async def stops(t: Trial) -> None:
    before, begin = t.silences(), time.monotonic()
    t.watch.stop()
    await falls_silent(t, "clean stop", AT_ONCE, begin)
    await t.wait("clean stop: the hub says", t.is_(LIFE, "stopped"), AT_ONCE, begin)
    await t.none_cried("clean stop", before)
    t.watch.start()
    await t.all_back("started again: all is back")
    await t.wait("and a cook runs", t.is_(RUNS, "on"), BACK)


async def broker_restarts(t: Trial) -> None:
    before, begin = t.silences(), time.monotonic()
    t.broker.stop()
    await falls_silent(t, "broker gone", AT_ONCE, begin)
    await asyncio.sleep(6)
    await t.broker.start()
    await t.all_back("broker back after 6 s: all is back")
    await t.none_cried("broker restarted", before)


async def killed(t: Trial) -> None:
    before, begin = t.silences(), time.monotonic()
    t.watch.stop(kill=True)
    await falls_silent(t, "kill -9", AT_ONCE, begin)
    await t.wait("kill -9: the hub cries", lambda: t.silences() > before, SILENCE_BAR, begin)
    pushed = lambda: any(message.get("title") == SILENCE for message in t.hub.seen.pushed)  # noqa: E731
    await t.wait("and the phone hears it", pushed, AT_ONCE)
    spoken = lambda: any("Nobody" in str(c["service_data"].get("message")) for c in t.hub.seen.calls  # noqa: E731
                         if c["domain"] == "tts")  # fmt: skip
    await t.wait("and the bedroom", spoken, AT_ONCE)
    t.watch.start()
    await t.all_back("started again: all is back")
    await t.wait("and a cook runs", t.is_(RUNS, "on"), BACK)


async def frozen(t: Trial) -> None:
    begin = time.monotonic()
    t.watch.freeze(True)
    await falls_silent(t, "watch frozen", 60, begin)
    t.watch.freeze(False)
    await t.all_back("thawed: all is back")
    await t.wait("and a cook runs", t.is_(RUNS, "on"), BACK)


async def power_cut(t: Trial) -> None:
    """The board and the broker lose power; the broker comes back alone and still says that the watch is ready."""
    t.broker.keep()
    await asyncio.sleep(2)
    before, begin = t.silences(), time.monotonic()
    t.watch.stop(kill=True)
    t.broker.stop(kill=True)
    await falls_silent(t, "power cut", AT_ONCE, begin)
    await asyncio.sleep(30)
    await t.broker.start()
    back = time.monotonic()
    await t.wait("power cut: the hub cries", lambda: t.silences() > before, SILENCE_BAR, begin)
    shown = [c for c in t.hub.seen.changes if c.at > back and c.entity in (TEMPERATURE, CONTROL)
             and c.state != "unavailable"]  # fmt: skip
    until = max((c.at for c in t.hub.seen.changes if c.at > back and c.state == "unavailable"
                 and c.entity in (TEMPERATURE, CONTROL)), default=back)  # fmt: skip
    wrong = until - min((c.at for c in shown), default=until)
    t.note("broker back without the watch: shown as alive for", f"{wrong:.1f} s", "<= 30 s", wrong <= 30)
    states = {e: t.hub.state(e) for e in (TEMPERATURE, CONTROL)}
    t.note(
        "and from then on",
        ", ".join(sorted(set(states.values()))),
        "unavailable",
        set(states.values()) == {"unavailable"},
    )
    await t.hub.restart()
    await asyncio.sleep(30)
    states = {e: t.hub.state(e) for e in (TEMPERATURE, CONTROL)}
    t.note("hub restarted while the watch is dead", ", ".join(sorted(set(states.values()))), "unavailable",
           set(states.values()) == {"unavailable"})  # fmt: skip
    await t.wait("and it cries again", lambda: t.silences() > before + 1, SILENCE_BAR)
    t.watch.start()
    await t.all_back("power back: all is back")


async def renamed(t: Trial) -> None:
    was = {u: e["entity_id"] for u, e in (await t.hub.entities()).items()}
    less = tuple(c for c in CHANNELS if c != "shed")
    t.watch.stop()
    await t.hub.until(t.is_(LIFE, "stopped"), AT_ONCE)
    t.watch.write(t.board.port, less, lamb=False, outside="Yard")
    t.watch.start()
    await t.wait("channel and piece taken away: the watch is back", t.is_(LIFE, "watching"), BACK)
    await asyncio.sleep(10)
    now = await t.hub.entities()
    left = [u for u in now if "shed" in u or "piece-lamb" in u]
    t.note("entities they leave behind", len(left), "0", not left)
    t.note("devices", ", ".join(sorted(d["name"] for d in await t.hub.devices())), "no lamb",
           "Lamb shoulder" not in [d["name"] for d in await t.hub.devices()])  # fmt: skip
    yard = now["pitvigil_pit_channel-outside_temperature"]["entity_id"]
    t.note("a channel renamed keeps its entity; its name is",
           t.hub.attributes(yard).get("friendly_name"), "Yard", yard == was["pitvigil_pit_channel-outside_temperature"]
           and "Yard" in t.hub.attributes(yard).get("friendly_name", ""))  # fmt: skip
    t.watch.stop()
    await t.hub.until(t.is_(LIFE, "stopped"), AT_ONCE)
    t.watch.write(t.board.port)
    t.watch.start()
    await t.wait("given back: they are there", t.known("sensor.lamb_shoulder"), BACK)
    await asyncio.sleep(10)
    again = {u: e["entity_id"] for u, e in (await t.hub.entities()).items()}
    other = {u: i for u, i in again.items() if was.get(u) != i}
    t.note(
        "ids that differ from before",
        ", ".join(other.values()) or "none",
        "none",
        not other and again.keys() == was.keys(),
    )


async def one_document_an_entity(t: Trial) -> None:
    """For older hubs; this one reads them as well."""
    was = {u: e["entity_id"] for u, e in (await t.hub.entities()).items()}
    t.watch.stop()
    await t.hub.until(t.is_(LIFE, "stopped"), AT_ONCE)
    t.watch.write(t.board.port, discovery="per-entity")
    t.watch.start()
    await t.wait("one document an entity: the watch is back", t.is_(LIFE, "watching"), BACK)
    await asyncio.sleep(10)
    await t.all_back("and all with it")
    again = {u: e["entity_id"] for u, e in (await t.hub.entities()).items()}
    t.note("ids that differ from those of one document a device", len(was.items() ^ again.items()), "0", was == again)
    gone = [i for i in again.values() if t.hub.state(i) in ("", "unavailable")]
    t.note("of these unavailable", len(gone), "0", not gone)


IN_ORDER = (not_known, stops, broker_restarts, killed, frozen, power_cut, renamed, one_document_an_entity)
"""After `appears`, `orders`, `package` and `recorder`."""
