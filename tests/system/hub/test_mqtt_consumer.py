"""A Homie 5 controller that is not ours finds the watch, reads it and sets it: ebus-sdk (PyPI), an independent library."""

from __future__ import annotations

import asyncio
import gc
from pathlib import Path

import pytest

from daemon.core.orders import Mark, MarkKind
from tests.shell.hub.hub_scenario import night, two_pits
from tests.system.hub.mqtt_broker import NEEDS_MOSQUITTO, plain_broker
from tests.system.hub.mqtt_watch import at, watching

pytestmark = NEEDS_MOSQUITTO
ebus = pytest.importorskip("ebus_sdk")


# The library calls its MQTT client in an older way and leaves its sockets to the garbage collector.
@pytest.mark.filterwarnings("ignore:Callback API version 1:DeprecationWarning")
@pytest.mark.filterwarnings("ignore:.*unclosed <socket:ResourceWarning")
@pytest.mark.filterwarnings("ignore:Exception ignored in. <socket:pytest.PytestUnraisableExceptionWarning")
async def test_an_independent_controller_understands_us(tmp_path: Path) -> None:
    rig, _, snapshot = night(2)
    private = plain_broker(tmp_path)
    await private.start()
    controller = ebus.Controller({"host": "127.0.0.1", "port": private.port}, homie_domain="homie")
    try:
        controller.start_discovery()
        async with watching((rig, snapshot), at(private.port)) as watch:
            watch.tell(watch.read(121.4))

            def device() -> object:
                return controller.get_device("pit")

            def value(node: str, prop: str) -> str | None:
                found = controller.get_device("pit")
                text: str | None = found.get_property(node, prop) if found is not None else None
                return text

            await watch.until(lambda: value("channel-pit-left", "temperature") == "121.4")
            await watch.until(lambda: getattr(device(), "state", None) == "ready")
            described = controller.get_device("pit").description
            assert described["homie"] == "5.0" and described["name"] == "The long pit"
            assert value("watch", "cook") == "Village-hall lunch"
            assert value("channel-cabinet", "live") == "false"
            assert not value("channel-cabinet", "temperature")
            assert controller.set_property("pit", "pit", "mark", "log")
            await watch.until(lambda: Mark(MarkKind.LOG, None, "hub") in watch.posted)
        await watch.until(lambda: getattr(device(), "state", None) == "disconnected")
    finally:
        await asyncio.to_thread(controller.stop)
        private.stop()
        controller = None
        gc.collect()


@pytest.mark.filterwarnings("ignore:Callback API version 1:DeprecationWarning")
@pytest.mark.filterwarnings("ignore:.*unclosed <socket:ResourceWarning")
@pytest.mark.filterwarnings("ignore:Exception ignored in. <socket:pytest.PytestUnraisableExceptionWarning")
async def test_it_sees_a_tree_of_several_pits_that_lives_and_dies_with_its_root(tmp_path: Path) -> None:
    rig, _, snapshot = two_pits(2)
    private = plain_broker(tmp_path)
    await private.start()
    controller = ebus.Controller({"host": "127.0.0.1", "port": private.port}, homie_domain="homie")
    devices = ("offset-watch", "offset", "drum", "offset-cabinet")

    def effective() -> set[str]:
        return {controller.get_effective_state(device) for device in devices}

    try:
        controller.start_discovery()
        async with watching((rig, snapshot), at(private.port)) as watch:
            watch.tell()
            await watch.until(lambda: effective() == {"ready"})
            # descriptions and values arrive one by one, after the states
            await watch.until(
                lambda: {d.device_id for d in controller.get_children("offset-watch")} == set(devices[1:])
            )
            await watch.until(lambda: all(controller.get_device(d).root_id == "offset-watch" for d in devices))
            drum = controller.get_device("drum")
            await watch.until(lambda: drum.get_property("pit", "stage") == snapshot.pits[1].stage)
            assert drum.description["name"] == "Drum"
            assert controller.set_property("drum", "pit", "mark", "log")
            assert controller.set_property("drum", "piece-chuck", "mark", "off")
            await watch.until(lambda: Mark(MarkKind.LOG, None, "hub", pit="drum") in watch.posted)
            refused = "drum/piece-chuck/mark off: the device drum has no piece-chuck; it is on: offset"
            root = controller.get_device("offset-watch")
            await watch.until(lambda: root.get_property("watch", "refused") == refused)
            assert not any(isinstance(said, Mark) and said.piece for said in watch.posted)
        await watch.until(lambda: effective() == {"disconnected"})
    finally:
        await asyncio.to_thread(controller.stop)
        private.stop()
        controller = None
        gc.collect()
