"""What a message says, and what an answer to it answers."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import pytest

from daemon.core.alarms.rules import ALARM_RULES, rule_by_id
from daemon.core.annunciation.messages import merged_text
from daemon.core.engine import Engine
from daemon.core.events import Level, Notification
from daemon.core.inputs import Health, Part, WallClock
from daemon.core.orders import Acknowledge
from daemon.core.said import say
from daemon.core.settings import Band, ChannelSettings, CookSettings, Role, WatchSettings
from tests.core.annunciation.test_annunciator import MIDNIGHT, SETTINGS, Watch
from tests.texts.english import in_english


@pytest.mark.parametrize(
    ("rules", "first", "also"),
    [
        # medium and safety, high and not: the priority decides
        (("cooling-slow", "fire-out"), "fire-out", "Leftovers cooling too slowly"),
        # all high, one a matter of safety
        (("pit-blind", "hold-falling", "target-reached"), "hold-falling", "Target reached +1"),
        # both medium: 15 and 10 min
        (("pit-high", "lid-left-open"), "lid-left-open", "Pit too hot"),
    ],
)
def test_the_most_urgent_alarm_gives_a_merged_wake_its_words(rules: tuple[str, ...], first: str, also: str) -> None:
    """Priority first, then safety, then the shortest time to act in the alarm list, whichever came first."""
    watch = Watch()
    for rule in rules:
        watch.judge(rule)
    watch.until(1000.0)
    told = watch.wakes()[-1]
    assert told.alarm == f"{first}/pit" and set(told.merged) == {f"{rule}/pit" for rule in rules if rule != first}
    assert in_english(told.text) == f"Do {first} 1 °C; also: {also}"


def test_what_is_new_in_a_call_is_named_at_once_and_then_each_in_its_turn() -> None:
    """Both are high: nothing that somebody must act on waits behind a number for more than one message."""
    watch = Watch()
    watch.raised("target-reached", 1000.0)
    watch.raised("fire-out", 1060.0)
    watch.until(3000.0)
    watch.crash()
    watch.until(5000.0)
    led = told_of(n.alarm for n in watch.wakes())
    assert led[:2] == ["target-reached", "fire-out"] and len(led) > 4
    assert all(one != other for one, other in itertools.pairwise(led)), led


@pytest.mark.parametrize("rules", [("meat-cooling", "pit-blind"), ("pit-blind", "meat-cooling")])
def test_a_matter_of_safety_is_named_first_whichever_joined_the_call(rules: tuple[str, str]) -> None:
    """Who is called later in the call has not read what came before: nobody learns of it as a number. Our own rule, no source."""
    watch = Watch()
    for rule, at in zip(rules, (1000.0, 1060.0), strict=True):
        watch.raised(rule, at)
    watch.until(5000.0)
    joined = [n for n in watch.wakes() if n.merged]
    assert len(joined) > 3 and set(told_of(n.alarm for n in joined)) == {"meat-cooling"}


def told_of(alarms: Iterable[str]) -> list[str]:
    """The rules of these alarms of the pit."""
    return [alarm.removesuffix("/pit") for alarm in alarms]


def test_a_message_names_what_it_is_sent_for_though_something_worse_stands_elsewhere() -> None:
    """Meat that is tender joins the call about a pit that nobody sees: the same words once more would tell nobody of it. From the
    next message on what is worst has its turn again."""
    watch = Watch()
    watch.raised("pit-blind", 1000.0)
    watch.raised("tender-range", 1060.0, subject="chuck")
    watch.until(2500.0)
    led = [(n.alarm, len(n.merged)) for n in watch.wakes() if n.time >= 1060.0]
    assert led[0] == ("tender-range/chuck", 1) and {alarm for alarm, _ in led[1:]} == {"pit-blind/pit"}


@pytest.mark.parametrize(("new", "subject"), [("pit-falling", "pit"), ("stage-question", "chuck")])
def test_what_wakes_nobody_or_is_the_lesser_matter_of_one_pit_is_only_counted(new: str, subject: str) -> None:
    watch = Watch()
    watch.raised("pit-blind", 1000.0)
    watch.raised(new, 1200.0, subject=subject)
    watch.until(2500.0)
    assert {n.alarm for n in watch.wakes()} == {"pit-blind/pit"}


def test_a_probe_to_look_at_gives_way_to_a_fire_that_wants_wood() -> None:
    """Both are medium: who is woken at three reads first what the fire wants, and of the probe once, as it joins the call."""
    watch = Watch()
    watch.raised("pit-falling", 1000.0, value=104.0)
    watch.raised("tender-range", 1060.0, subject="chuck")
    watch.until(5000.0)
    led = told_of(n.alarm for n in watch.wakes() if n.time >= 1060.0)
    assert len(led) > 4 and led.count("tender-range/chuck") == 1 and set(led[1:]) == {"pit-falling"}, led


def test_words_that_are_brief_leave_room_to_name_what_else_waits() -> None:
    slid = say("alarm.tender-range.slid", name="Chuck roll")
    others = [rule_by_id("pit-falling"), rule_by_id("tender-range")]
    assert (
        in_english(merged_text(slid, others, brief=True)) == "Look at Chuck roll's probe; also: Fire wants feeding +1"
    )


def test_a_runaway_pit_keeps_the_words_when_something_less_joins_it() -> None:
    watch = Watch()
    watch.raised("runaway", 1000.0)
    watch.raised("tender-range", 1060.0)
    assert {n.alarm for n in watch.wakes()} == {"runaway/pit"} and watch.wakes()[-1].merged == ("tender-range/pit",)


@pytest.mark.parametrize("answer", ["its id", "its first alarm", "another of its alarms", "*"])
def test_one_answer_to_a_merged_message_answers_every_alarm_it_named(answer: str) -> None:
    watch = Watch()
    for rule in ("fire-out", "pit-blind", "pit-high"):
        watch.judge(rule)
    watch.until(400.0)
    told = watch.wakes()[-1]
    assert len(told.merged) == 2
    watch.acknowledge({"its id": told.id, "its first alarm": told.alarm, "*": "*"}.get(answer, told.merged[-1]))
    before = len(watch.wakes())
    watch.until(1200.0)
    assert len(watch.wakes()) == before, "nothing goes on calling"
    assert {v.state.value for v in watch.table.views()} == {"acknowledged"}


@pytest.mark.parametrize("answer", ["its id", "its alarm", "*"])
def test_what_the_message_did_not_name_goes_on_calling(answer: str) -> None:
    """pit-high comes up 10 s after the message about the fire and has yet to be told when the message is answered."""
    watch = Watch()
    watch.raised("fire-out", 1000.0)
    watch.raised("pit-high", 1010.0)
    told = watch.wakes()[-1]
    watch.acknowledge({"its id": told.id, "its alarm": told.alarm}.get(answer, "*"))
    watch.until(1100.0)
    assert [(n.time, n.alarm, n.merged) for n in watch.wakes()[1:]] == [(1030.0, "pit-high/pit", ())]


def test_an_answer_to_an_old_message_does_not_answer_what_came_after_it() -> None:
    watch = Watch()
    watch.judge("fire-out")
    watch.judge("pit-blind")
    watch.until(300.0)
    old = watch.wakes()[-1]
    for rule in ("fire-out", "pit-blind"):
        watch.judge(rule, active=False)
    watch.until(700.0)
    watch.acknowledge()
    watch.raised("pit-blind", 1400.0)
    watch.raised("fire-out", 1500.0)
    watch.acknowledge(old.id)
    watch.acknowledge("fire-out/pit#9.9")
    assert all(v.state.value == "unacknowledged" for v in watch.table.views())


def test_what_a_message_named_is_known_after_a_restart() -> None:
    watch = Watch()
    watch.judge("fire-out")
    watch.judge("pit-blind")
    watch.until(301.0)
    watch.crash()
    watch.acknowledge(watch.wakes()[-1].id)
    assert all(v.state.value == "acknowledged" for v in watch.table.views())


def test_a_merged_text_stays_short() -> None:
    text = in_english(merged_text("Relight fire: the long-named pit behind the hall 61 °C, ok", 12 * ALARM_RULES[:1]))
    assert len(text) <= 60 and text.endswith("… +12, safety")


@pytest.mark.parametrize("word", ["the message", "one of its alarms", "*"])
def test_the_engine_takes_one_answer_for_the_whole_message(word: str) -> None:
    """From the phone, the hub or the page: `Acknowledge` says what was tapped, and all that the message named is answered."""
    cook = CookSettings("night", "village-hall lunch", Band(107.0, 135.0))
    probe = ChannelSettings("pit-left", "Left", Role.PIT)
    engine = Engine(WatchSettings("pit", "Pit", (probe,), cook, SETTINGS))
    now = 3600.0
    engine.handle(WallClock(MIDNIGHT - now, True), now)
    for channel in ("push", "horn", "neighbour"):  # nobody can be reached any more: three alarms at once
        engine.handle(Health(Part.CHANNEL, channel, False, "no answer"), now)
    told: list[Notification] = []
    while not any(len(n.merged) == 2 for n in told) and now < 7200.0:
        now = engine.next_deadline() or 7200.0
        told += [e for e in engine.handle_timer(now) if isinstance(e, Notification) and e.level is Level.WAKE]
    message = told[-1]
    engine.handle(Acknowledge({"the message": message.id, "*": "*"}.get(word, message.merged[-1]), "cook"), now)
    named = [engine.alarms.view(key) for key in (message.alarm, *message.merged)]
    assert [v.state.value for v in named if v is not None] == ["acknowledged"] * 3
