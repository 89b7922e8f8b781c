"""The general home-automation hub in a process of its own, and what a household sees of it through its own API."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiohttp

BEDROOM = Path(__file__).parent / "bedroom"
CONFIGURATION = """
homeassistant:
  name: Village hall
  unit_system: {units}
  latitude: 51.5
  longitude: 0
  time_zone: Europe/London
  packages: !include_dir_named packages
http:
  server_host: 127.0.0.1
  server_port: {port}
frontend:
config:
recorder:
history:
mobile_app:
automation:
script:
logger:
  default: warning
"""
READY_WITHIN = 180.0
"""s a hub may take to start on a loaded machine."""


@dataclass(frozen=True)
class Change:
    """One change of state: when it was seen (s, monotonic), of what, to what."""

    at: float
    entity: str
    before: str
    state: str


@dataclass
class Seen:
    """What the hub told while it ran."""

    changes: list[Change] = field(default_factory=list)
    calls: list[dict[str, Any]] = field(default_factory=list)
    pushed: list[dict[str, Any]] = field(default_factory=list)


class HubFailed(Exception):
    pass


class Hub:
    """environment: directory of the hub's virtual environment. home: its configuration directory, made here."""

    def __init__(self, environment: Path, home: Path, port: int, fahrenheit: bool = True) -> None:
        self.environment, self.home, self.port = environment, home, port
        self.address = f"http://127.0.0.1:{port}"
        self.seen = Seen()
        self._process: subprocess.Popen[bytes] | None = None
        self._token = ""
        self._session: aiohttp.ClientSession | None = None
        self._socket: aiohttp.ClientWebSocketResponse | None = None
        self._listener: asyncio.Task[None] | None = None
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[Any]] = {}
        self._handlers: dict[int, Callable[[dict[str, Any]], None]] = {}
        self._webhook = ""
        self._states: dict[str, dict[str, Any]] = {}
        (home / "packages").mkdir(parents=True, exist_ok=True)
        shutil.copytree(BEDROOM, home / "custom_components" / "bedroom", dirs_exist_ok=True)
        units = "us_customary" if fahrenheit else "metric"
        (home / "configuration.yaml").write_text(CONFIGURATION.format(port=port, units=units), encoding="utf-8")

    @property
    def version(self) -> str:
        found = next((self.environment / "lib").glob("python*/site-packages/homeassistant-*.dist-info"))
        return found.name.removeprefix("homeassistant-").removesuffix(".dist-info")

    # --- life ------------------------------------------------------------------------------------------------

    async def start(self) -> None:
        with (self.home / "hub.log").open("ab") as log:
            self._process = subprocess.Popen(
                [str(self.environment / "bin" / "hass"), "-c", str(self.home), "--skip-pip"], stdout=log, stderr=log
            )
        self._session = aiohttp.ClientSession()
        async with asyncio.timeout(READY_WITHIN):
            while True:
                if self._process.poll() is not None:
                    raise HubFailed("the hub ended while it started: see hub.log")
                with contextlib.suppress(aiohttp.ClientError):
                    async with self._session.get(f"{self.address}/manifest.json") as answer:
                        if answer.status == 200:
                            break
                await asyncio.sleep(0.2)
        if not self._token:
            await self._onboard()
        await self._listen()
        async with asyncio.timeout(READY_WITHIN):
            while (await self.rest("get", "/api/config"))["state"] != "RUNNING":
                await asyncio.sleep(0.2)
        if self._webhook:
            await self._channel()

    async def stop(self, kill: bool = False) -> None:
        if self._listener is not None:
            self._listener.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._listener
        if self._session is not None:
            await self._session.close()
        if self._process is not None:
            self._process.kill() if kill else self._process.terminate()
            await asyncio.to_thread(self._process.wait)
            self._process = None

    async def restart(self) -> None:
        await self.stop()
        await self.start()

    async def _onboard(self) -> None:
        """The first person of the house; then a token that outlives restarts."""
        assert self._session is not None
        client = self.address + "/"
        person = {"client_id": client, "name": "Cook", "username": "cook", "password": "trial", "language": "en"}
        async with asyncio.timeout(60):
            while True:  # the page is served a little before the steps are
                async with self._session.post(f"{self.address}/api/onboarding/users", json=person) as answer:
                    if answer.status == 200:
                        code = (await answer.json())["auth_code"]
                        break
                await asyncio.sleep(0.2)
        form = {"grant_type": "authorization_code", "code": code, "client_id": client}
        async with self._session.post(f"{self.address}/auth/token", data=form) as answer:
            self._token = (await answer.json())["access_token"]
        await self._listen()
        self._token = await self.ask("auth/long_lived_access_token", client_name="trial", lifespan=30)
        assert self._listener is not None
        self._listener.cancel()

    # --- its API ---------------------------------------------------------------------------------------------

    async def rest(self, method: str, path: str, body: Any = None) -> Any:
        assert self._session is not None
        headers = {"Authorization": f"Bearer {self._token}"}
        async with self._session.request(method, self.address + path, json=body, headers=headers) as answer:
            text = await answer.text()
            if answer.status >= 400:
                raise HubFailed(f"{path}: {answer.status} {text[:300]}")
            try:
                return json.loads(text)
            except ValueError:
                return text

    async def _listen(self) -> None:
        assert self._session is not None
        self._socket = await self._session.ws_connect(f"{self.address}/api/websocket", max_msg_size=0)
        await self._socket.receive_json()
        await self._socket.send_json({"type": "auth", "access_token": self._token})
        assert (await self._socket.receive_json())["type"] == "auth_ok"
        self._handlers.clear()
        self._listener = asyncio.create_task(self._hear(self._socket))
        await self.subscribe("subscribe_events", self._changed, event_type="state_changed")
        await self.subscribe("subscribe_events", lambda e: self.seen.calls.append(e["data"]), event_type="call_service")
        self._states = {s["entity_id"]: s for s in await self.ask("get_states")}

    async def _hear(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        async for message in socket:
            body = json.loads(message.data)
            number = body.get("id")
            if body["type"] == "event" and number in self._handlers:
                self._handlers[number](body["event"])
            elif number in self._waiting:
                self._waiting.pop(number).set_result(body)

    async def ask(self, kind: str, **more: Any) -> Any:
        """Raises HubFailed when the hub says no."""
        assert self._socket is not None
        number = next(self._numbers)
        self._waiting[number] = asyncio.get_running_loop().create_future()
        await self._socket.send_json({"id": number, "type": kind} | more)
        async with asyncio.timeout(30):
            answer = await self._waiting[number]
        if not answer.get("success", True):
            raise HubFailed(f"{kind}: {answer['error']['message']}")
        return answer.get("result")

    async def subscribe(self, kind: str, handler: Callable[[dict[str, Any]], None], **more: Any) -> None:
        """handler: called with each event."""
        assert self._socket is not None
        number = next(self._numbers)
        self._handlers[number] = handler
        self._waiting[number] = asyncio.get_running_loop().create_future()
        await self._socket.send_json({"id": number, "type": kind} | more)
        async with asyncio.timeout(30):
            answer = await self._waiting[number]
        if not answer.get("success", True):
            raise HubFailed(f"{kind}: {answer['error']['message']}")

    def _changed(self, event: dict[str, Any]) -> None:
        data = event["data"]
        new, old = data["new_state"], data["old_state"]
        if new is None:
            self._states.pop(data["entity_id"], None)
        else:
            self._states[data["entity_id"]] = new
        words = [s["state"] if s else "" for s in (old, new)]
        if words[0] != words[1] or new is None:
            self.seen.changes.append(Change(time.monotonic(), data["entity_id"], words[0], words[1]))

    async def call(self, service: str, entity: str | None = None, **data: Any) -> None:
        domain, name = service.split(".")
        target = {"target": {"entity_id": entity}} if entity else {}
        await self.ask("call_service", domain=domain, service=name, service_data=data, **target)

    def state(self, entity: str) -> str:
        """ "" when there is no such entity."""
        return str(self._states.get(entity, {}).get("state", ""))

    def attributes(self, entity: str) -> dict[str, Any]:
        return dict(self._states.get(entity, {}).get("attributes", {}))

    def states(self) -> dict[str, dict[str, Any]]:
        return self._states

    async def until(self, holds: Callable[[], bool], within: float) -> float | None:
        """s until it held, or None if it did not."""
        begin = time.monotonic()
        while not holds():
            if time.monotonic() - begin > within:
                return None
            await asyncio.sleep(0.05)
        return time.monotonic() - begin

    async def entities(self) -> dict[str, dict[str, Any]]:
        """unique_id -> row of the entity registry, of what came by MQTT."""
        rows = await self.ask("config/entity_registry/list")
        found = [r for r in rows if r["platform"] == "mqtt"]
        details = await self.ask("config/entity_registry/get_entries", entity_ids=[r["entity_id"] for r in found])
        return {details[r["entity_id"]]["unique_id"]: details[r["entity_id"]] for r in found if details[r["entity_id"]]}

    async def devices(self) -> list[dict[str, Any]]:
        return [
            d for d in await self.ask("config/device_registry/list") if any(i[0] == "mqtt" for i in d["identifiers"])
        ]

    # --- set up ----------------------------------------------------------------------------------------------

    async def use_broker(self, port: int, user: str, password: str) -> None:
        """As a household does it: the settings dialogue."""
        flow = await self.rest(
            "post", "/api/config/config_entries/flow", {"handler": "mqtt", "show_advanced_options": False}
        )
        answers = {"broker": "127.0.0.1", "port": port, "username": user, "password": password}
        for _ in range(3):
            if flow["type"] == "create_entry":
                return
            flow = await self.rest("post", f"/api/config/config_entries/flow/{flow['flow_id']}", answers)
        if flow["type"] != "create_entry":
            raise HubFailed(f"the broker was not taken: {flow}")

    async def use_bedroom(self) -> None:
        await self.rest("post", "/api/config/config_entries/flow", {"handler": "bedroom"})

    async def use_phone(self) -> None:
        """A phone with the hub's app: messages come by the app's own channel, buttons go by its own web hook."""
        phone = {
            "device_id": "trial-phone", "app_id": "trial", "app_name": "Trial", "app_version": "1", "device_name": "Phone",
            "manufacturer": "Trial", "model": "Trial", "os_name": "Trial", "os_version": "1", "supports_encryption": False,
            "app_data": {"push_websocket_channel": True},
        }  # fmt: skip
        self._webhook = (await self.rest("post", "/api/mobile_app/registrations", phone))["webhook_id"]
        await self._channel()

    async def _channel(self) -> None:
        await self.subscribe("mobile_app/push_notification_channel", self.seen.pushed.append, webhook_id=self._webhook)

    async def press_on_phone(self, action: str) -> None:
        event = {"event_type": "mobile_app_notification_action", "event_data": {"action": action}}
        await self.rest("post", f"/api/webhook/{self._webhook}", {"type": "fire_event", "data": event})

    # --- its recorder ----------------------------------------------------------------------------------------

    def recorded(self) -> tuple[int, int, int]:
        """Rows of states, rows of statistics, bytes of the whole database."""
        with contextlib.closing(
            sqlite3.connect(f"file:{self.home}/home-assistant_v2.db?mode=ro", uri=True)
        ) as database:
            states = database.execute("select count(*) from states").fetchone()[0]
            statistics = database.execute("select count(*) from statistics_short_term").fetchone()[0]
            pages = (
                database.execute("pragma page_count").fetchone()[0] * database.execute("pragma page_size").fetchone()[0]
            )
        return states, statistics, pages

    def recorded_most(self, since: float) -> list[tuple[str, int]]:
        """The entities that wrote most states since a UTC time, s."""
        with contextlib.closing(
            sqlite3.connect(f"file:{self.home}/home-assistant_v2.db?mode=ro", uri=True)
        ) as database:
            return database.execute(
                "select m.entity_id, count(*) from states s join states_meta m on s.metadata_id = m.metadata_id "
                "where s.last_updated_ts > ? group by 1 order by 2 desc limit 25", (since,),
            ).fetchall()  # fmt: skip

    def complaints(self) -> list[str]:
        """Lines of the hub's log that speak of MQTT, warnings and worse."""
        lines = (self.home / "hub.log").read_text(encoding="utf-8", errors="replace").splitlines()
        return [line for line in lines if "components.mqtt" in line and (" WARNING " in line or " ERROR " in line)]
