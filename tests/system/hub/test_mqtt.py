"""The feed on a real mosquitto: what arrives in which order, orders, and what a hub sees."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from config.rig import BrokerSection, Rig
from daemon.core.events import AlarmState, Sample, SamplesJudged
from daemon.core.inputs import Health
from daemon.core.orders import Acknowledge, Mark, MarkKind, SetBand
from daemon.core.snapshot import Snapshot
from daemon.shell.hub import feed
from daemon.shell.hub.announcer import FORM
from daemon.shell.hub.link import BrokerLink, LinkTopics
from daemon.shell.hub.pace import SOONEST
from daemon.shell.notify.base import Message, TemporaryFailure
from daemon.shell.notify.mqtt_topic import MqttTopic
from drivers.reading import Fault, Quality
from tests.patience import PATIENCE
from tests.shell.hub.hub_scenario import NIGHT, WALL_OFFSET, Still, alarm
from tests.system.hub.mqtt_broker import NEEDS_MOSQUITTO, Ear, PrivateBroker, retained_on
from tests.system.hub.mqtt_watch import BASE, at, watching

pytestmark = [pytest.mark.usefixtures("quick"), NEEDS_MOSQUITTO]

# --- order, values, words -----------------------------------------------------------------------------------


async def test_the_order_of_homie(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    """init, description, values, ready (Homie 5.0.0, Device Lifecycle); the states are retained, nothing is NaN."""
    async with Ear(mosquitto.port, (f"{BASE}/#", "homeassistant/#")) as ear:
        async with watching(evening, at(mosquitto.port)) as watch:
            watch.tell(watch.read(121.4))
            await ear.hears(f"{BASE}/$state", "ready")
            topics = [h.topic for h in ear.heard]
            first = {topic: topics.index(topic) for topic in topics}
            ready = ear.heard.index(await ear.hears(f"{BASE}/$state", "ready"))
            assert ear.heard[0].topic == f"{BASE}/$state" and ear.heard[0].payload == "init"
            assert first[f"{BASE}/$description"] < first[f"{BASE}/pit/temperature"] < ready
            described = json.loads(ear.of(f"{BASE}/$description")[0])
            for node, body in described["nodes"].items():
                for prop, facts in body["properties"].items():
                    assert (f"{BASE}/{node}/{prop}" in first) == facts.get("retained", True)
            before = await retained_on(mosquitto.port)
            assert before[f"{BASE}/channel-pit-left/temperature"] == "121.4"
            assert not {"nan", "inf", "-inf", "None"} & set(before.values())
        await ear.hears(f"{BASE}/$state", "disconnected")
        assert "lost" not in ear.of(f"{BASE}/$state")


async def test_a_reading_goes_out_as_it_is_judged_a_temperature_at_its_pace(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker
) -> None:
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        for celsius in (122.0, 123.0, 124.0):
            watch.tell(watch.read(celsius), later=0.2)
        await ear.until(lambda: len(ear.of(f"{BASE}/channel-pit-left/reading")) == 3)
        assert ear.of(f"{BASE}/channel-pit-left/temperature") == []
        reading = json.loads(ear.of(f"{BASE}/channel-pit-left/reading")[-1])
        assert reading["celsius"] == 124.0
        measured = datetime.fromisoformat(reading["time"]).timestamp()
        assert measured == pytest.approx(watch.now - 0.2 + WALL_OFFSET, abs=0.01)
        watch.tell(watch.read(124.0), later=60.0)
        await ear.hears(f"{BASE}/channel-pit-left/temperature", "124.0")
        await ear.hears(f"{BASE}/pit/temperature", "124.0")
        watch.tell(watch.read(140.0), later=SOONEST)  # a lid that opens, fat that burns: not a minute later
        await ear.hears(f"{BASE}/channel-pit-left/temperature", "140.0")
        watch.tell(watch.read(140.1, quality=Quality.SUSPECT), later=0.1)
        await ear.hears(f"{BASE}/channel-pit-left/temperature", "")


async def test_a_bad_probe_is_not_live(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with watching(evening, at(mosquitto.port)) as watch:
        watch.tell(watch.read(121.0))
        watch.tell(SamplesJudged(watch.now, (Sample("pit-left", None, Quality.BAD, watch.now, Fault.OPEN_CIRCUIT),)))
        watch.tell(SamplesJudged(watch.now, (Sample("pit-right", 900.0, Quality.SUSPECT, watch.now),)))
        await watch.until(lambda: watch.feed.link.connected)
        await watch.feed.link.deliver("flush", "")
        kept = await retained_on(mosquitto.port)
        assert kept[f"{BASE}/channel-pit-left/live"] == kept[f"{BASE}/channel-pit-right/live"] == "false"
        assert not {f"{BASE}/channel-pit-left/temperature", f"{BASE}/channel-pit-right/temperature"} & kept.keys()


async def test_values_run_out_by_themselves(mosquitto: PrivateBroker) -> None:
    """MQTT 5.0, 3.3.2.3.3 Message Expiry Interval: what nobody renews is gone, even if watch and broker died together."""
    link = BrokerLink(at(mosquitto.port), LinkTopics("s", "init", "ready", "off", "lost"))
    link.retain("value", "121.0", expires=1)
    link.retain("name", "pit")
    try:
        async with Ear(mosquitto.port, ("value", "name")) as ear:
            link.start()
            await ear.hears("value")
            await ear.hears("name")
        async with asyncio.timeout(PATIENCE):
            while "value" in (kept := await retained_on(mosquitto.port)):
                await asyncio.sleep(0.2)
        assert kept["name"] == "pit"
    finally:
        await link.stop()


async def test_the_heartbeat_says_everything_again(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        watch.feed.heartbeat(watch.now + 60)
        await ear.hears(f"{BASE}/channel-outside/live")
        await ear.hears(f"{BASE}/watch/cook", "Village-hall lunch")
        await ear.hears(f"{BASE}/$state", "ready")
        assert ear.of(f"{BASE}/watch/serve-chance") == [
            ""
        ]  # "not known" is said again too: silence means something else
        assert ear.of(f"{BASE}/channel-pit-left/temperature") == ["121.0"]
        assert not [h for h in ear.heard if h.topic.startswith("homeassistant/")]


# --- orders -------------------------------------------------------------------------------------------------


async def test_orders_come_in_and_retained_ones_do_not(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with Ear(mosquitto.port) as ear:
        ear.say(f"{BASE}/pit/mark/set", "fire-lit", retain=True)
        async with watching(evening, at(mosquitto.port)) as watch:
            watch.tell(watch.read(121.0))
            await ear.hears(f"{BASE}/$log/warn")
            ear.say(f"{BASE}/pit/mark/set", "log")
            soon = (datetime.now(UTC) + timedelta(seconds=30)).isoformat()
            ear.say(
                "pitvigil/pit/command", json.dumps({"command": "acknowledge", "alarm": "*", "id": "1", "expires": soon})
            )
            ear.say("pitvigil/pit/command", json.dumps({"command": "sleep", "id": "1", "expires": soon}))
            ear.say("pitvigil/pit/command", b"x" * 1025)
            await ear.until(lambda: len(ear.of("pitvigil/pit/command/result")) == 3)
        commands = [item for item in watch.posted if not isinstance(item, Health)]
        assert commands == [Mark(MarkKind.LOG, None, "hub"), Acknowledge("*", "hub")]
        answers = [json.loads(text) for text in ear.of("pitvigil/pit/command/result")]
        assert [answer["taken"] for answer in answers] == [True, False, False]
        assert answers[1]["id"] == "1" and "this id" in answers[1]["problem"]


async def test_an_order_that_comes_before_the_first_judging_waits_for_it(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker
) -> None:
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        await watch.settled(ear)
        soon = (datetime.now(UTC) + timedelta(seconds=50)).isoformat()
        order = {"command": "acknowledge", "alarm": "*", "id": "early", "expires": soon}
        ear.say("pitvigil/pit/command", json.dumps(order))
        await watch.until(lambda: bool(watch.feed._early))
        watch.tell(watch.read(121.0))
        await ear.hears("pitvigil/pit/command/result")
        assert json.loads(ear.of("pitvigil/pit/command/result")[0])["taken"]
        assert Acknowledge("*", "hub") in watch.posted


async def test_a_refusal_is_seen_and_not_only_logged(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        ear.say(f"{BASE}/pit/band-high/set", "300")
        await ear.hears(f"{BASE}/watch/refused")
        assert ear.of(f"{BASE}/watch/refused")[-1].startswith("pit/band-high 300: the high edge")
        await ear.hears("pitvigil/pit/event/refused")
        event = json.loads(ear.of("pitvigil/pit/event/refused")[-1])
        assert event["event_type"] == "refused" and event["command"] == "pit/band-high 300" and "112" in event["reason"]
        ear.say("pitvigil/pit/orders/ann", json.dumps({"command": "sleep", "id": "x", "expires": "soon"}))
        await ear.hears("pitvigil/pit/answers/ann")
        assert not json.loads(ear.of("pitvigil/pit/answers/ann")[-1])["taken"]
        watch.tell(later=10.0)  # it is still there with the next picture
        await watch.settled(ear)
        assert (await retained_on(mosquitto.port))[f"{BASE}/watch/refused"].startswith("sleep of ann")


async def test_whoever_orders_sees_the_effect_with_the_next_event(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker
) -> None:
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        ear.say(f"{BASE}/pit/band-low/set", "110")
        await watch.until(lambda: any(isinstance(item, SetBand) for item in watch.posted))
        pit = watch.still.picture.pit
        watch.still.picture = replace(watch.still.picture, pit=replace(pit, band=replace(pit.band, low=110.0)))
        watch.tell(later=0.2)
        await ear.hears(f"{BASE}/pit/band-low", "110.0")


async def test_an_alarm_that_was_expected_is_no_event(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        raised = alarm(1, NIGHT)
        hushed = replace(raised, after=AlarmState.SUPPRESSED)
        watch.tell(hushed, replace(hushed, before=AlarmState.SUPPRESSED, after=AlarmState.NORMAL), raised)
        await ear.hears("pitvigil/pit/event/alarm")
        assert [json.loads(text)["event_type"] for text in ear.of("pitvigil/pit/event/alarm")] == ["unacknowledged"]


# --- the hub ------------------------------------------------------------------------------------------------


async def test_a_hub_that_starts_is_told_everything_a_little_later(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert feed.BIRTH_DELAY == (1.0, 5.0)
    monkeypatch.setattr(feed, "BIRTH_DELAY", (0.3, 0.4))
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        ear.say("homeassistant/status", "online")
        ear.say("homeassistant/status", "online")
        await ear.hears("homeassistant/status", "online")
        assert not ear.of("homeassistant/device/pitvigil_pit/config")
        await ear.hears("homeassistant/device/pitvigil_pit/config")
        await ear.hears(f"{BASE}/channel-cabinet/live")
        assert len(ear.of("homeassistant/device/pitvigil_pit/config")) == 1


@pytest.mark.parametrize("style", ["device", "per-entity"])
async def test_a_rename_cleans_up_after_itself(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker, style: str
) -> None:
    """In the same run and in the next one."""
    section = BrokerSection(host="127.0.0.1", port=mosquitto.port, discovery=style)  # type: ignore[arg-type]
    async with watching(evening, at(mosquitto.port), section=section) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await ear.hears(f"{BASE}/$state", "ready")
        first = json.loads(ear.of(f"{BASE}/$description")[-1])
        pieces = watch.still.picture.pieces
        watch.still.picture = replace(watch.still.picture, pieces=(replace(pieces[0], id="beef"), *pieces[1:]))
        await watch.settled(ear)
        watch.tell(later=10.0)
        await ear.hears(f"{BASE}/$state", "ready")
        assert ear.of(f"{BASE}/$state") == ["init", "ready"]
        second = json.loads(ear.of(f"{BASE}/$description")[-1])
        assert second["version"] > first["version"] and "piece-beef" in second["nodes"]
        if style == "device":
            entities, nothing = ear.of("homeassistant/device/pitvigil_pit/piece-chuck/config")  # each, and as one
            assert json.loads(entities)["components"]["piece-chuck_stage"] == {"platform": "sensor"} and not nothing
            assert json.loads(ear.of("homeassistant/device/pitvigil_pit/piece-beef/config")[-1])["components"]
        left_behind = watch.remembered[-1]
    async with watching(evening, at(mosquitto.port), left_behind, section) as watch, Ear(mosquitto.port) as ear:
        pieces = watch.still.picture.pieces
        watch.still.picture = replace(watch.still.picture, pieces=(replace(pieces[0], id="roll"), *pieces[1:]))
        watch.tell(watch.read(121.0))
        await ear.hears(f"{BASE}/$state", "ready")
        await watch.feed.link.deliver("marker", "")
        kept = await retained_on(mosquitto.port)
        assert any("piece-roll" in topic for topic in kept)
        stale = [t for t in kept if "piece-chuck" in t or "piece-beef" in t]
        assert stale == []
        if style == "device":
            document = json.loads(kept["homeassistant/device/pitvigil_pit/piece-roll/config"])
            assert document["components"]["piece-roll_stage"]["unique_id"] == "pitvigil_pit_piece-roll_stage"


async def test_a_channel_that_is_no_more_is_named_as_gone(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker
) -> None:
    """In this run's document, and in the next one's when it went while the watch was down."""
    topic = "homeassistant/device/pitvigil_pit/config"
    earlier = {"#/sensor/channel-porch_temperature", FORM}
    async with watching(evening, at(mosquitto.port), earlier) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await ear.hears(topic)
        picture = watch.still.picture
        watch.still.picture = replace(picture, channels=tuple(c for c in picture.channels if c.id != "outside"))
        await watch.settled(ear)
        watch.tell(later=10.0)
        await ear.hears(topic)
        components = json.loads(ear.of(topic)[-1])["components"]
        for channel in ("outside", "porch"):
            assert components[f"channel-{channel}_temperature"] == {"platform": "sensor"}


async def test_a_pit_that_was_renamed_ceases_to_exist(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    """Homie 5.0.0, Device Lifecycle: a zero-length `$state` removes the device; the hub's document goes as well."""
    rig, snapshot = evening
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0), alarm(1, NIGHT))
        await ear.hears(f"{BASE}/$state", "ready")
        left_behind = watch.remembered[-1]
    assert (await retained_on(mosquitto.port))[f"{BASE}/$state"] == "disconnected"
    other = rig.model_copy(update={"pit": rig.pit.model_copy(update={"id": "yard"})})
    async with watching((other, snapshot), at(mosquitto.port), left_behind) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await ear.hears("homie/5/yard/$state", "ready")
        await watch.settled(ear)
        kept = await retained_on(mosquitto.port)
        assert not [topic for topic in kept if topic.startswith(f"{BASE}/") or "pitvigil_pit" in topic]
        assert kept["homeassistant/device/pitvigil_yard/config"]


class Broken(Still):
    def snapshot(self, now: float) -> Snapshot:
        raise ArithmeticError("no picture")


async def test_a_feed_that_fails_does_not_stop_the_watch(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker
) -> None:
    async with watching(evening, at(mosquitto.port)) as watch:
        watch.still = Broken(watch.still.picture)
        watch.tell(watch.read(121.0))
        watch.tell(watch.read(122.0))
        watch.feed.heartbeat(watch.now)
        assert watch.health == [(False, "the feed failed: ArithmeticError: no picture")]


async def test_a_message_that_nobody_listens_to_is_not_delivered(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker
) -> None:
    """MQTT 5.0, 3.4.2.1: PUBACK with reason code 16, "No matching subscribers". A hub that is down, or was never told of
    the announcement, wakes nobody, however readily the broker takes it."""
    message = Message("a-1", "wake", "The long pit", "Shut the dampers", "pit-high/pit", True, "2026-11-28T03:10:00Z")
    async with watching(evening, at(mosquitto.port)) as watch:
        watch.tell(watch.read(121.0))
        await watch.until(lambda: watch.feed.link.connected)
        bedroom = MqttTopic("bedroom", watch.feed.link, "pit")
        with pytest.raises(TemporaryFailure, match="nobody on the broker listens"):
            await bedroom.send(message)
        async with Ear(mosquitto.port, (bedroom.topic,)) as ear:
            await bedroom.send(message)
            assert json.loads((await ear.hears(bedroom.topic)).payload)["id"] == "a-1"
