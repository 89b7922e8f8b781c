"""What is tried, in the order in which a household would meet it. Bars: the issue's and a household's, common practice, no
source."""

from __future__ import annotations

import asyncio
import copy
import json
import math
import subprocess
import sys
import time
from datetime import datetime
from typing import Any

import yaml

from daemon.shell.hub import discovery
from daemon.shell.hub.discovery import Hub as Address
from tests.hub.household import CHANNELS
from tests.hub.household_trial import BACK, CONTROL, LIFE, PIT, REFUSED, RUNS, SILENCE, TEMPERATURE, Trial
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
    temperatures = [e for e in entities.values() if "chuck" in e["unique_id"] and e["entity_id"].startswith("sensor.")
                    and t.hub.attributes(e["entity_id"]).get("device_class") == "temperature"]  # fmt: skip
    t.note("sensors of the chuck roll's temperature", len(temperatures), "1", len(temperatures) == 1)
    unlike = [e for e in entities.values() if t.hub.state(e["entity_id"]) == "unavailable"]
    t.note("entities unavailable while the watch lives", len(unlike), "0", not unlike)


async def orders(t: Trial) -> None:
    low, refused = f"number.{PIT}_band_low_edge", REFUSED
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


async def worked(t: Trial) -> None:
    """A cook that changes while it runs, by entities and by the package's forms."""
    await asyncio.sleep(10)  # no family clicks as fast as this: the hub's allowance of orders is full again
    spot, probe, stage = "number.chuck_roll_core_read_by_hand", "select.chuck_roll_probe", "sensor.chuck_roll_stage"
    await t.hub.call("number.set_value", spot, value=145)
    await t.wait("a core read by hand, 145 °F, is shown", t.reads(spot, 145), AT_ONCE)
    await form(t, "core_read_by_hand", piece="Chuck roll", temperature=147.2, where="thick end")
    await t.wait("another by the form, 147.2 °F", t.reads(spot, 147.2), AT_ONCE)
    await t.hub.call("select.select_option", probe, option="Lamb probe")
    await t.wait("a probe is moved", t.is_(probe, "Lamb probe"), AT_ONCE)
    await t.wait("and the other piece has taken its probe", t.is_("select.lamb_shoulder_probe", "Chuck probe"), AT_ONCE)
    await t.hub.call("select.select_option", probe, option="Chuck probe")
    await t.wait("and moved back", t.is_(probe, "Chuck probe"), AT_ONCE)
    await t.hub.call("button.press", "button.chuck_roll_mark_wrapped")
    await t.wait("wrapped so soon is asked about", lambda: "once more" in t.hub.state(REFUSED), AT_ONCE)
    await t.hub.call("button.press", "button.chuck_roll_mark_wrapped")
    await t.wait("marked as wrapped", t.is_(stage, "wrapped"), AT_ONCE)
    await t.wait("the last mark says so", t.is_("sensor.chuck_roll_last_mark", "wrapped"), AT_ONCE)
    await t.hub.call("button.press", "button.chuck_roll_take_back_the_last_mark")
    await t.wait("and taken back", lambda: t.hub.state(stage) not in ("wrapped", "unavailable", ""), AT_ONCE)
    await form(t, "mark_made_earlier", what="log", minutes_ago=20)
    marked = f"event.{PIT}_marked_by_the_cook"
    long_ago = lambda: abs(time.time() - instant(t.hub.attributes(marked).get("at")) - 1200) < 60  # noqa: E731
    await t.wait("a log of 20 min ago is marked as such", long_ago, AT_ONCE)
    await t.hub.call("number.set_value", f"number.{PIT}_splits_at_hand", value=40)
    await t.wait("splits are counted", t.reads(f"number.{PIT}_splits_at_hand", 40), AT_ONCE)
    await asyncio.sleep(10)  # as above
    await form(t, "add_a_piece", name="Meat loaf", cut="meat-loaf", weight=26, unit="kg")
    await t.wait("26 kg of meat loaf are asked about", lambda: "sure" in t.hub.state(REFUSED), AT_ONCE)
    await form(t, "add_a_piece", name="Meat loaf", cut="meat-loaf", weight=2.6, unit="lb")
    await t.wait("2.6 lb join the cook", t.is_("sensor.meat_loaf_stage", "waiting"), 2 * AT_ONCE)
    await asyncio.sleep(10)  # as above
    await form(t, "remind_me", text="Spritz", after="on", every_minutes=45)
    due = f"sensor.{PIT}_spritz_due_at"
    await t.wait("a reminder of one's own has its hour", t.known(due), 2 * AT_ONCE)
    before = t.hub.state(due)
    await t.hub.call("button.press", f"button.{PIT}_spritz_done")
    await t.wait("it is done: the next one", lambda: t.known(due)() and t.hub.state(due) != before, 2 * AT_ONCE)
    await t.hub.call("button.press", f"button.{PIT}_plan_keep")
    await t.wait("a plan is kept: the next step", lambda: t.known(f"sensor.{PIT}_next_step_at")(), 30)
    await t.wait("each piece has its hours", t.known("sensor.meat_loaf_plan_put_on_at"), AT_ONCE)
    t.note("the next step", t.hub.state(f"sensor.{PIT}_next_step"), "in words", t.known(f"sensor.{PIT}_next_step")())
    await form(t, "remove_a_piece", piece="Meat loaf")
    await t.wait("the loaf leaves", lambda: not t.hub.state("sensor.meat_loaf_stage"), 2 * AT_ONCE)
    left = [u for u in await t.hub.entities() if "meat-loaf" in u]
    t.note("entities it leaves behind", len(left), "0", not left)


def instant(text: object) -> float:
    """UTC s of an RFC 3339 text; nan where there is none."""
    return datetime.fromisoformat(text).timestamp() if isinstance(text, str) else math.nan


async def form(t: Trial, script: str, /, **answers: object) -> None:
    """A script of the package, as run from the hub's page."""
    await t.hub.call(f"script.{PIT}_{script}", None, **answers)


WRONG: tuple[bytes, ...] = (
    b"", b"nan", b"-nan", b"inf", b"1e999", b"-1e999", b"0x1F", b"1_0", b" 63 ", b"true", b"null", b"[]", b"{}", b"[[[[",
    b'{"command":"end-cook"}', b'{"command":"spot","piece":"chuck","celsius":1e999}',
    b'{"command":"spot","piece":{},"celsius":[]}', b'{"command":["spot"]}', b'{"command":"add-piece","piece":null}',
    b'{"command":"mark","kind":"log","minutes_ago":1e308}', b'{"command":"take-back","what":7}', b"\xff\xfe\x00",
    b"\x00", b"\xed\xa0\x80", b'{"by":"\\ud800","command":"sleep"}', b"9" * 5000, b"[" * 1000, b"x" * 200_000,
)  # fmt: skip
AIMS = (
    "homie/5/pit/pit/band-low/set", "homie/5/pit/piece-chuck/spot/set", "homie/5/pit/piece-chuck/probe/set",
    "homie/5/pit/piece-nobody/mark/set", "homie/5/pit/watch/order/set", "homie/5/pit/watch/pause/set",
    "homie/5/pit/pit/wood/set", "homie/5/pit/x/y/set", "homie/5/yard/pit/mark/set", "pitvigil/pit/command",
    "pitvigil/pit/orders/hub", "pitvigil/yard/command",
)  # fmt: skip


async def vandals(t: Trial) -> None:
    """Nothing of it moves the band, ends the cook or keeps the next order waiting for longer than its allowance."""
    band, runs = t.hub.state(f"number.{PIT}_band_low_edge"), t.hub.state(RUNS)
    nonsense = [(topic, payload, keep) for payload in WRONG for topic in AIMS for keep in (False, True)]
    await asyncio.to_thread(t.broker.send, "hub", nonsense)
    await asyncio.sleep(10)
    same = (t.hub.state(f"number.{PIT}_band_low_edge"), t.hub.state(RUNS), t.hub.state(LIFE)) == (
        band,
        runs,
        "watching",
    )
    t.note(f"{len(nonsense)} messages of nonsense: the watch lives, band and cook as before", same, "yes", same)
    clean = [(topic, b"", True) for topic in AIMS]
    await asyncio.to_thread(t.broker.send, "hub", clean)
    await asyncio.sleep(12)
    await t.hub.call("number.set_value", f"number.{PIT}_band_low_edge", value=226)
    await t.wait("an order after it", t.reads(f"number.{PIT}_band_low_edge", 226), AT_ONCE)
    await t.hub.call("number.set_value", f"number.{PIT}_band_low_edge", value=230)


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


OLD_DOCUMENT: dict[str, Any] = {
    "device": {"identifiers": ["pitvigil_pit"], "name": "The long pit", "model": "Pit watch"},
    "origin": {"name": "pitvigil", "sw_version": "0.1.0"},
    "components": {
        "pit_temperature": {"platform": "sensor", "name": "The long pit temperature"},
        "watch_clock-set": {"platform": "binary_sensor", "name": "Clock is set", "entity_category": "diagnostic"},
        "piece-chuck_temperature": {"platform": "sensor", "name": "Chuck roll core temperature"},
        "channel-outside_rate": {"platform": "sensor", "name": "Outside rate", "enabled_by_default": False},
    },
}
"""As version 0.1.0 announced: one device, names with names in them, hidden entities."""
MAIN = "homeassistant/device/pitvigil_pit/config"


async def upgraded(t: Trial) -> None:
    """From version 0.1.0: its entities go, the hidden ones too, and ours bear the ids of a first installation."""
    was = {u: e["entity_id"] for u, e in (await t.hub.entities()).items()}
    t.watch.stop()
    await t.hub.until(t.is_(LIFE, "stopped"), AT_ONCE)
    hub, ours = Address("homeassistant", "pit", "The long pit", "homie/5/pit", "pitvigil/pit"), t.watch.announcements()
    for device in discovery.devices_of(ours):
        topic = discovery.device_topic(hub, device)
        bye = json.dumps(discovery.farewell(hub, device, ours)).encode()
        await asyncio.to_thread(t.broker.send, "pitvigil", [(topic, bye, False), (topic, b"", True)])
    await t.none_left()
    old = copy.deepcopy(OLD_DOCUMENT)
    for key, component in old["components"].items():
        component |= {"unique_id": f"pitvigil_pit_{key}", "state_topic": "homie/5/pit/watch/cook"}
    await asyncio.to_thread(t.broker.send, "pitvigil", [(MAIN, json.dumps(old).encode(), True)])
    await t.some_known(len(old["components"]))
    t.watch.announced({MAIN, *(f"#{c['platform']}/{key}" for key, c in old["components"].items())})
    t.watch.start()
    await t.wait("upgraded from 0.1.0: the watch is back", t.is_(LIFE, "watching"), BACK)
    await asyncio.sleep(10)
    now = {u: e["entity_id"] for u, e in (await t.hub.entities()).items()}
    left, other = now.keys() - was.keys(), {u: i for u, i in now.items() if was.get(u, i) != i}
    t.note("entities of 0.1.0 left behind", ", ".join(sorted(left)) or "none", "none", not left)
    t.note("ids that differ from those of a first installation", ", ".join(other.values()) or "none", "none",
           not other and now.keys() == was.keys())  # fmt: skip


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


IN_ORDER = (
    vandals, not_known, stops, broker_restarts, killed, frozen, power_cut, renamed, upgraded, one_document_an_entity,
)  # fmt: skip
"""After `appears`, `orders`, `worked`, `package` and `recorder`."""
