"""A Homie 5 controller that is not ours finds the watch, reads it and sets it: ebus-sdk (PyPI), an independent library."""

from __future__ import annotations

import asyncio
import gc
from pathlib import Path

import pytest

from daemon.core.inputs import Mark, MarkKind
from tests.shell.hub.hub_scenario import night
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
