"""The home-automation feed: what the watch knows, on the broker, at once and never stale; and orders from there.

A loop listener. Readings, alarms and stages go out as they come, temperatures and forecasts at a pace that a history can
bear, the rest at most every 5 s, and everything once a minute, so that a reader who believes nothing older than that is
never wrong.
"""

from __future__ import annotations

import asyncio
import json
import logging
import random
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from config.delivery import MqttReach
from config.rig import BrokerSection, Rig
from daemon.core.events import (
    EVENT_NAMES,
    AlarmChanged,
    AlarmState,
    CommandRefused,
    Event,
    FireNoticed,
    ForecastMade,
    Marked,
    Sample,
    SamplesJudged,
    StageChanged,
)
from daemon.core.inputs import Health, Input, Part
from daemon.core.snapshot import Snapshot
from daemon.shell.clock import boot_seconds, wall_seconds
from daemon.shell.hub import discovery, homie, places
from daemon.shell.hub.announcer import Announcer
from daemon.shell.hub.commands import CommandGate
from daemon.shell.hub.link import BrokerLink, Incoming, LinkTopics
from daemon.shell.hub.link_settings import BrokerSettings
from daemon.shell.hub.order_models import CommandRejected
from daemon.shell.hub.orders import Makers, PlanWanted
from daemon.shell.hub.picture import Picture
from daemon.shell.hub.properties import NOTHING, number, text, truth
from daemon.shell.view import View
from daemon.shell.wording import event_to_dict, rfc3339
from daemon.texts.composer import Composer
from drivers.reading import Quality

log = logging.getLogger(__name__)

PICTURE_EVERY = 5.0
"""s between publications of what is drawn from the snapshot."""
LIVELY = 3.0
"""s after an order in which the picture goes out with everything that happens: whoever ordered waits for its effect."""
UNCHANGED_EVERY = 10.0
"""s after which an unchanged temperature is sent again, with its new time, for those who keep a history."""
BIRTH_DELAY = (1.0, 5.0)
"""s: a hub that has just started is answered at a random moment, so that not all its devices speak at once."""
SLOW_HUB = 20.0
"""s: a hub that is given two hundred documents on a busy machine has been seen to listen after more than ten."""
PlanKeeper = Callable[[PlanWanted], Awaitable[str]]
"""Plans the running cook and keeps the plan. Answers why not, or ""."""
EARLY_KEPT = 20
"""Orders kept until the watch has judged for the first time: as many as anybody may give at once."""
SILENT_STATES = (AlarmState.NORMAL, AlarmState.SUPPRESSED)
"""An alarm that goes to and fro between these was expected: nobody need hear of it."""


class HubFeed:
    """announced: topics and discovery marks left on the broker by earlier runs; remember: called with the new set.
    page: link to the page for people, or "". composer: for those who read the hub. makers and keep_plan: what orders need from
    outside; without them such orders are refused."""

    def __init__(
        self,
        rig: Rig,
        link_settings: BrokerSettings,
        post: Callable[[Input], None],
        announced: set[str],
        remember: Callable[[set[str]], None],
        wall_offset: Callable[[], float],
        wall: Callable[[], float] = wall_seconds,
        ticks: Callable[[], float] = boot_seconds,
        page: str = "",
        composer: Composer | None = None,
        makers: Makers | None = None,
        keep_plan: PlanKeeper | None = None,
    ) -> None:
        self._composer = composer or Composer()
        self._ticks = ticks
        broker = rig.broker or BrokerSection(host=link_settings.host, port=link_settings.port)
        self._broker, self._post, self._wall_offset, self._wall = broker, post, wall_offset, wall
        self._remember = remember
        several = bool(rig.other_pits)
        name = self._composer.words("hub.watch-name") if several else rig.pit.name
        domain = f"{broker.homie_root}/5"
        self.base = f"{domain}/{places.root_id(rig.pit.id, several)}"
        self.root = f"pitvigil/{rig.pit.id}"
        others = (*(pit.id for pit in rig.pits), places.cabinet_id(rig.pit.id)) if several else ()
        hottest = {pit.id: pit.band.high for pit in rig.pits}
        self._gate = CommandGate(self.base, self.root, wall, ticks, hottest, rig.people.unit == "F", makers, others)
        self._keep_plan = keep_plan
        self._planning: asyncio.Task[None] | None = None
        hub = discovery.Hub(
            broker.discovery_prefix, rig.pit.id, name, self.base, self.root, broker.birth_topic,
            tuple(d.name for d in rig.delivery if isinstance(d, MqttReach)), page, rig.people.unit == "F", self._composer,
        )  # fmt: skip
        self._snapshot: Snapshot | None = None
        self._early: list[Incoming] = []
        self._view: View | None = None
        self._picture_at = self._lively_until = float("-inf")
        self._sent: dict[str, tuple[str | None, float]] = {}
        self._refused = NOTHING
        self._birth: asyncio.TimerHandle | None = None
        self._later: asyncio.TimerHandle | None = None
        self._failure = ""
        topics = LinkTopics(
            state=f"{self.base}/$state",
            connecting=homie.Lifecycle.INIT,
            online=homie.Lifecycle.READY,
            offline=homie.Lifecycle.DISCONNECTED,
            lost=homie.Lifecycle.LOST,
            # QoS 0 on `/set`: an order either comes now or not at all (Homie 5, "QoS choices explained").
            heard=(
                (f"{self.base}/+/+/set", 0),
                *((f"{domain}/{other}/+/+/set", 0) for other in others),
                *((t, 1) for t in self._gate.heard),
                (broker.birth_topic, 0),
            ),
        )
        self.carries: Callable[[bool, str], None] = lambda works, why: None
        """Whoever sends by this link is told when it stops and when it begins to work, and why."""
        self.link = BrokerLink(link_settings, topics, self._hear, self._carries)
        self._announcer = Announcer(hub, broker.discovery, self.link, announced, self._told_hub, ticks)
        left = {t for t in announced if t.startswith(f"{broker.homie_root}/")}
        self._picture = Picture(
            name, self.base, self.link, self._announcer, left, self._remember_all, wall, hottest, self._composer
        )

    def start(self) -> None:
        self.link.start()

    async def stop(self) -> None:
        for handle in (self._birth, self._later):
            if handle is not None:
                handle.cancel()
        if self._planning is not None:
            self._planning.cancel()
            await asyncio.gather(self._planning, return_exceptions=True)
        self._picture.goodbye()
        await self.link.stop()

    # --- from the watch ----------------------------------------------------------------------------------

    def on_events(self, events: Sequence[Event], view: View, now: float) -> None:
        """The watch goes on whatever happens here."""
        try:
            self._take(events, view, now)
        except Exception as error:
            self._failed(error)

    def _take(self, events: Sequence[Event], view: View, now: float) -> None:
        self._view = view
        if self._snapshot is None:  # the description goes first
            self._publish_picture(view.snapshot(now), now)
            early, self._early = self._early, []
            for message in early:
                self._hear(message)
        urgent = self._ticks() < self._lively_until
        for event in events:
            if isinstance(event, SamplesJudged):
                for sample in event.samples:
                    self._publish_sample(sample, now)
            elif type(event) in EVENT_NAMES:
                self._tell(event)
                urgent = True
        if urgent or now - self._picture_at >= PICTURE_EVERY:
            self._publish_picture(view.snapshot(now), now)

    def heartbeat(self, now: float, view: View | None = None) -> None:
        """Everything once more. Called every `discovery.HEARTBEAT` s, whether or not anything happened."""
        view = view or self._view
        if view is None:
            return
        self._view = view
        try:
            self._publish_picture(view.snapshot(now), now)
            self.link.resend(tuple(f"{base}/" for base in self._picture.bases))
        except Exception as error:
            self._failed(error)

    def _failed(self, error: Exception) -> None:
        """Said once in each kind: what is not published runs out at the hub by itself."""
        words = f"the feed failed: {type(error).__name__}: {error}"
        if words != self._failure:
            self._failure = words
            log.exception("the home-automation feed failed; the watch goes on")
            self._link_changed(False, words)

    def _publish_sample(self, sample: Sample, now: float) -> None:
        value = number(sample.celsius) if sample.quality is Quality.GOOD else None
        node = self._picture.topic(f"channel-{sample.channel}")
        self._picture.show(f"{node}/temperature", value, now)
        self._picture.show(f"{node}/live", truth(value is not None), now)
        before, at = self._sent.get(sample.channel, ("", float("-inf")))
        if value == before and now - at < UNCHANGED_EVERY:
            return
        self._sent[sample.channel] = (value, now)
        reading = {
            "time": rfc3339(sample.measured_at + self._wall_offset()),
            "celsius": sample.celsius,
            "quality": sample.quality,
        }
        self.link.tell(f"{node}/reading", _json(reading))

    def _tell(self, event: Event) -> None:
        """A lasting event. Alarms survive an outage of the broker; a late account of anything else helps nobody."""
        event = self._composer.at(self._wall_offset()).spoken(event)
        body = event_to_dict(event, self._wall_offset())
        word = body["event"]
        kind = word
        match event:
            case AlarmChanged(before=before, after=after) if before in SILENT_STATES and after in SILENT_STATES:
                return
            case AlarmChanged():
                kind = event.after
            case FireNoticed():
                kind = event.sign
            case Marked():
                kind = event.kind
            case StageChanged():
                kind = event.after
            case ForecastMade():
                del body["fan"]
            case CommandRefused():
                self._refuse(event.command, f"{event.reason}")
                return
        keep = isinstance(event, AlarmChanged)
        self.link.tell(f"{self.root}/event/{word}", _json({"event_type": kind} | body), keep=keep)

    def _publish_picture(self, snapshot: Snapshot, now: float) -> None:
        snapshot = self._composer.at(snapshot.wall_offset).spoken(snapshot)
        self._snapshot, self._picture_at = snapshot, now
        self._picture.publish(snapshot, now, self._refused)

    def _remember_all(self) -> None:
        self._remember(self._picture.topics | self._announcer.remembered)

    # --- from the broker ---------------------------------------------------------------------------------

    def _carries(self, works: bool, words: str) -> None:
        self._link_changed(works, words)
        self.carries(works, words)

    def _link_changed(self, works: bool, words: str) -> None:
        self._post(Health(Part.BROKER, "broker", works, words))

    def _hear(self, message: Incoming) -> None:
        if message.topic == self._broker.birth_topic:
            here = message.payload == discovery.HUB_IS_UP.encode()
            if here or message.payload == discovery.HUB_IS_DOWN.encode():
                self._announcer.hub_is(here)
            if here:
                self._resend_soon()
            return
        if self._snapshot is None:  # heard before the watch has judged: taken as soon as it has
            if len(self._early) < EARLY_KEPT:
                self._early.append(message)
            else:
                self._refuse(self._gate.words(message), self._composer.words("order.starting"))
            return
        try:
            order = self._gate.take(message, self._snapshot)
        except CommandRejected as refusal:
            if refusal.again:
                return
            log.warning("an order on %s is not carried out: %s", message.topic, refusal)
            problem = self._composer.at(self._wall_offset()).say(refusal.text)
            self._refuse(self._gate.words(message), problem)
            if not message.retained:
                self._answer(message.topic, refusal.id, problem)
            return
        self._lively_until = self._ticks() + LIVELY
        if isinstance(order.command, PlanWanted):
            self._plan(order.command, message, order.id)
            return
        self._post(order.command)
        self._answer(message.topic, order.id, "")

    def _plan(self, wanted: PlanWanted, message: Incoming, id_: str) -> None:
        """Takes seconds of another thread; one at a time."""
        if self._keep_plan is None:
            problem = self._composer.words("order.no-plan")
        elif self._planning is not None and not self._planning.done():
            problem = self._composer.words("order.planning")
        else:
            self._planning = asyncio.create_task(self._planned(self._keep_plan, wanted, message, id_), name="hub plan")
            return
        self._refuse(self._gate.words(message), problem)
        self._answer(message.topic, id_, problem)

    async def _planned(self, keep: PlanKeeper, wanted: PlanWanted, message: Incoming, id_: str) -> None:
        try:
            problem = await keep(wanted)
        except Exception as error:
            log.exception("a plan asked for by the hub could not be made")
            problem = self._composer.words("order.not-planned", why=str(error))
        self._lively_until = self._ticks() + LIVELY
        if problem:
            self._refuse(self._gate.words(message), problem)
        self._answer(message.topic, id_, problem)

    def _answer(self, topic: str, id_: str, problem: str) -> None:
        answers = self._gate.answers(topic)
        if answers:
            self.link.tell(answers, _json({"id": id_, "taken": not problem, "problem": problem}))

    def _refuse(self, order: str, reason: str) -> None:
        """Where people see it, not only in a log: an order that vanishes looks like one that was carried out."""
        self._refused = text(f"{order}: {reason}")
        self._picture.retain(f"{self.base}/watch/refused", self._refused)
        self.link.tell(f"{self.base}/$log/warn", self._composer.words("order.refused", what=self._refused))
        body = {"event_type": "refused", "event": "refused", "command": order, "reason": reason}
        self.link.tell(f"{self.root}/event/refused", _json(body | {"time": rfc3339(self._wall())}))

    def _told_hub(self) -> None:
        """It hears the values of what is new once it listens; an empty one is kept by no broker and would be lost."""
        self._remember_all()
        self._resend_soon()
        if self._later is not None:
            self._later.cancel()
        self._later = asyncio.get_running_loop().call_later(SLOW_HUB, self.link.resend)

    def _resend_soon(self) -> None:
        if self._birth is None:
            delay = random.uniform(*BIRTH_DELAY)  # nosec B311  # a pause, no secret
            self._birth = asyncio.get_running_loop().call_later(delay, self._announce)

    def _announce(self) -> None:
        """A hub came up: it has forgotten us unless the broker has not, and believes nothing older; say it all again."""
        self._birth = None
        self._announcer.work()
        self.link.resend()


def _json(body: dict[str, Any]) -> str:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
