"""The messages people get: their ids, their one line of words, and which alarms each of them named.

One alarm gives a message its id and its words: a matter of safety where that is most urgent, else what is new or worse, for that
is why the message is sent, else those of the highest priority in turn, so that none waits behind a number for long, but one that
goes by no reading (a probe to look at) only where no other goes by one; a runaway pit gives way to nothing. Of the others the
next is named where there is room, and the rest are counted. Whoever answers a message answers every alarm it named, for nobody
taps three times at night; what it did not name cannot have been seen and calls on.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, cast

from daemon.core.alarms.rule import PRIORITY_ORDER, AlarmRule, WakePolicy
from daemon.core.annunciation.state import Annunciation
from daemon.core.events import Level, Notification
from daemon.core.said import Text, say

REMEMBERED = 64
"""Messages of which it is known what they named: more than a bad night sends."""


class Messages:
    """Writes them and remembers what they said. All that is remembered outlives a restart."""

    def __init__(self, rules: dict[str, AlarmRule]) -> None:
        self._rules = rules
        self._steps: dict[str, list[int]] = {}
        """alarm key -> [occurrence, next step]: an id is never used twice."""
        self._named: dict[str, dict[str, int]] = {}
        """message id -> alarm key -> occurrence, the newest message last."""
        self._led: dict[str, int] = {}
        """alarm key -> occurrence of those whose words a message gave, the last one last."""
        self.life = ""
        """Of the watch, see `Resumed.life`."""
        self.pits: Mapping[str, str] = {}
        """What tells its pit from the others by subject, in a rig with several."""

    def write(
        self,
        level: Level,
        annunciations: list[Annunciation],
        audiences: tuple[str, ...],
        not_after: float,
        now: float,
        news: Collection[str] = (),
    ) -> Notification:
        """One message about all of these. news: keys of those that are new or worse since the last one."""
        lead, *others = self._in_turn(annunciations, news)
        occurrence, step = self._steps.get(lead.key, [lead.occurrence, 0])
        if occurrence != lead.occurrence:
            step = 0
        self._steps[lead.key] = [lead.occurrence, step + 1]
        message = Notification(
            time=now,
            id=message_id(lead.key, lead.occurrence, step, self.life),
            level=level,
            alarm=lead.key,
            occurrence=lead.occurrence,
            step=step,
            text=self._line(lead, others),
            audiences=audiences,
            not_after=not_after,
            merged=tuple(t.key for t in others),
            held_back=lead.held,
        )
        if level is not Level.LOG:
            self._led.pop(lead.key, None)
            self._led[lead.key] = lead.occurrence
            self._led = dict(list(self._led.items())[-REMEMBERED:])
            self._named[message.id] = {t.key: t.occurrence for t in annunciations}
            self._named = dict(list(self._named.items())[-REMEMBERED:])
        return message

    def words(self, message: str, annunciations: list[Annunciation]) -> Text:
        """One line about all of these, as they are now, for a message that was written: with the same one first, if it stands."""
        ordered = sorted(annunciations, key=self._urgency)
        lead = next((t for t in ordered if message.startswith(f"{t.key}#")), ordered[0])
        return self._line(lead, [t for t in ordered if t is not lead])

    def _in_turn(self, annunciations: list[Annunciation], news: Collection[str]) -> list[Annunciation]:
        """By urgency, but first the one whose turn it is to give the words."""
        ordered = sorted(annunciations, key=self._urgency)
        worst = self._rules[ordered[0].rule]
        if worst.waits_for_nothing:
            return ordered
        # what a message is sent for is named once, for something worse says nothing of it; but of one pit or piece the worse
        # thing says it all, and nothing goes before a matter of safety
        named = () if worst.safety else [t.key for t in ordered if t.key in news and self._is_apart(t, ordered[0])]
        may = [t for t in ordered if t.key in named or self._rank(t) == self._rank(ordered[0])]
        may = [t for t in may if not self._is_covered(t, annunciations)]
        turns = {led: turn for turn, led in enumerate(self._led.items())}
        # what nobody reads asks for a look, and gives way to what is known
        lead = min(
            may,
            key=lambda t: (
                t.key not in news,
                self._rank(t),
                t.value is None,
                turns.get((t.key, t.occurrence), -1),
            ),
        )
        return [lead, *(t for t in ordered if t is not lead)]

    def _line(self, lead: Annunciation, others: list[Annunciation]) -> Text:
        """Another pit is named: "also" for what the first words ask for, "see" for anything else, for a deed that fits one pit
        may be wrong for another."""
        annunciations = [lead, *others]
        others = [t for t in others if not self._is_covered(t, annunciations)]
        elsewhere = next((t for t in others if self._pit(t) not in ("", self._pit(lead))), None)
        rules = [self._rules[t.rule] for t in others]
        if elsewhere is None:
            return merged_text(lead.text, rules, brief=lead.value is None)
        safety = any(rule.safety for rule in rules)
        pit, rest, every = self._pit(elsewhere), the_rest(len(others) - 1, safety), the_rest(len(others), safety)
        if elsewhere.rule == lead.rule:
            return say("message.also", text=lead.text, others=pit, rest=rest, all=every)
        return say("message.see", text=lead.text, others=pit, rest=rest, all=every)

    def _pit(self, annunciation: Annunciation) -> str:
        return self.pits.get(annunciation.key.removeprefix(f"{annunciation.rule}/"), "")

    def named(self, message: str) -> Mapping[str, int]:
        """Alarm key -> occurrence of what this message named; empty for one that is not remembered."""
        return self._named.get(message, {})

    def answered_by(self, word: str, waiting: Mapping[str, int]) -> tuple[str, ...]:
        """The alarms that an answer to this message (its id, or an alarm that the newest one named) means.

        waiting: alarm key -> occurrence of all that nobody has acknowledged; an earlier occurrence is not answered for
        a later one. An alarm's own key is always among them, known or not.
        """
        named = self._named.get(word)
        if named is not None:
            return tuple(key for key, occurrence in named.items() if waiting.get(key) == occurrence)
        newest = next((n for n in reversed(self._named.values()) if word in n), {})
        if newest.get(word) != waiting.get(word):
            newest = {}
        others = (key for key, occurrence in newest.items() if waiting.get(key) == occurrence and key != word)
        return (word, *others)

    def dump(self) -> dict[str, object]:
        """Plain values only."""
        return {"steps": self._steps, "named": self._named, "led": self._led, "life": self.life}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._steps = cast(dict[str, list[int]], dumped["steps"])
        self._named = cast(dict[str, dict[str, int]], dumped["named"])
        self._led = cast(dict[str, int], dumped.get("led", {}))
        self.life = str(dumped.get("life", ""))

    def _is_covered(self, lesser: Annunciation, among: list[Annunciation]) -> bool:
        """Another of these contains it: one thing, counted once."""
        subject = lesser.key.removeprefix(lesser.rule)
        return any(lesser.rule in self._rules[t.rule].covers and t.key.endswith(subject) for t in among)

    def _is_apart(self, lesser: Annunciation, worst: Annunciation) -> bool:
        """Wakes for a matter of its own: another pit or piece."""
        subjects = (t.key.removeprefix(t.rule) for t in (lesser, worst))
        return self._rules[lesser.rule].wake is not WakePolicy.NEVER and len(set(subjects)) > 1

    def _rank(self, annunciation: Annunciation) -> tuple[int, bool]:
        """Priority, then safety."""
        rule = self._rules[annunciation.rule]
        return PRIORITY_ORDER[rule.priority], not rule.safety

    def _urgency(self, annunciation: Annunciation) -> tuple[int, bool, float, float, float, str]:
        """Its rank, then the time the alarm list gives to act, then, of several pits, the nearer, then which came first."""
        rule = self._rules[annunciation.rule]
        by = (annunciation.consequence_at or 0.0) if self.pits else 0.0
        return *self._rank(annunciation), rule.time_to_act, by, annunciation.since, annunciation.key


def message_id(alarm: str, occurrence: int, step: int, life: str) -> str:
    """Never given twice, see `Resumed.life`."""
    return f"{alarm}#{occurrence}{f'-{life}' if life else ''}.{step}"


def merged_text(first: Text, others: Sequence[AlarmRule], brief: bool = False) -> Text:
    """The most urgent words, and what else waits on the page: the next by its title where there is room, else only how many, and
    that one of them is a matter of safety. others: in the order of their urgency, of two with one priority safety first. brief:
    the first words give way, so that the next has room."""
    if not others:
        return first
    safety = [rule.safety for rule in others]
    named, rest = say(f"alarm.{others[0].id}.title"), the_rest(len(others) - 1, any(safety[1:]))
    key = "message.more-safety" if any(safety) else "message.more-brief" if brief else "message.more"
    return say(key, text=first, named=named, rest=rest, others=len(others))


def the_rest(others: int, safety: bool) -> Text:
    """How many more wait, behind words that have named one."""
    if not others:
        return say("message.safety") if safety else ""
    return say("message.rest-safety", others=others) if safety else say("message.rest", others=others)
