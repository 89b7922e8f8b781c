"""How a wake grows louder while nobody answers: the ladder of audiences, and the one open call to a sleeper."""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.core.settings import AnnouncingSettings

PHONE = "phone"
LOUDER = "louder"
SOUNDER = "sounder"
SECOND = "second"
NOTICE = "notice"

FALL_OVER = (SOUNDER, SECOND)
"""Who is told instead when an audience cannot be reached, in this order."""

LAST_NAMED_RUNG = 3
"""The second person's; those above only repeat it."""

LONGEST_PAUSE = 3600.0
"""s: what insists is called again at least so often. Our choice, no source."""


@dataclass(frozen=True, slots=True)
class Rung:
    """after: s since the call was opened. audiences: who is told then."""

    after: float
    audiences: tuple[str, ...]


def rung(settings: AnnouncingSettings, number: int) -> Rung | None:
    """Rung 0 is the first announcement; after the second person everybody is told again after `re_announce_every` s, then after
    twice as long each time, until `give_up_after`; then None."""
    named = (
        Rung(0.0, (PHONE,)),
        Rung(settings.repeat_after, (LOUDER,)),
        Rung(settings.sounder_after, (LOUDER, SOUNDER)),
        Rung(settings.second_person_after, (LOUDER, SOUNDER, SECOND)),
    )
    if number < len(named):
        return named[number]
    after = settings.second_person_after + sum(_pauses(settings, number - LAST_NAMED_RUNG))
    return Rung(after, named[-1].audiences) if after <= settings.give_up_after else None


def _pauses(settings: AnnouncingSettings, number: int) -> list[float]:
    """The first s between calls to everybody: who has slept through the last one needs no more of them, and who lies awake and
    cannot help fewer."""
    return [min(LONGEST_PAUSE, settings.re_announce_every * 2.0**n) for n in range(number)]


@dataclass(slots=True)
class WakeCall:
    """Somebody is being woken and has not answered. members: keys of the alarms the call is about.
    unannunciated: those of them that joined or grew worse since the last message.
    fallen: audiences called because another failed. insists: it is never given up.
    insisted: calls made after the ladder's end.
    said_mending: it has been said, on this rung, that things get better by themselves."""

    opened_at: float
    annunciated_at: float
    members: list[str]
    rung: int = 0
    unannunciated: list[str] = field(default_factory=list)
    fallen: list[str] = field(default_factory=list)
    insists: bool = False
    insisted: int = 0
    said_mending: bool = False
    joined: dict[str, float] = field(default_factory=dict)
    """Member -> engine time since which somebody is called for its pit or piece."""

    def join(self, key: str, settings: AnnouncingSettings, now: float) -> None:
        """This alarm is new or worse: it is to be said soon. The ladder goes on at its pace, for nobody has answered what was
        said; from the second person's rung it goes on anew, so that what joins late is not given up early."""
        self.rung, self.insisted = min(self.rung, LAST_NAMED_RUNG), 0
        if self.rung == LAST_NAMED_RUNG:
            self._is_called_since(now, settings)
        if key not in self.members:
            self.members.append(key)
        if key not in self.unannunciated:
            self.unannunciated.append(key)
        of_it = [at for other, at in self.joined.items() if _subject(other) == _subject(key)]
        self.joined.setdefault(key, min(of_it, default=now))

    def leave(self, key: str, settings: AnnouncingSettings) -> None:
        """This alarm is answered or gone. What joined it and is of something else has not been called for as long."""
        self.members = [k for k in self.members if k != key]
        self.unannunciated = [k for k in self.unannunciated if k != key]
        if self.joined.pop(key, None) is not None and self.joined:
            self._is_called_since(min(self.joined.values()), settings)

    def _is_called_since(self, at: float, settings: AnnouncingSettings) -> None:
        """The present rung is heard since then."""
        here = rung(settings, self.rung)
        self.opened_at = max(self.opened_at, at - (here.after if here is not None else 0.0))

    def climb(self, settings: AnnouncingSettings, now: float) -> bool:
        """Go up to the highest rung whose time has come. False when the ladder has ended: nobody answers."""
        before = self.rung
        while (above := rung(settings, self.rung + 1)) is not None and self.opened_at + above.after <= now:
            self.rung += 1
        return self.rung > before or now < self.opened_at + settings.give_up_after

    def next_rung_at(self, settings: AnnouncingSettings) -> float:
        """When the next rung is due, or when the call is given up; of one that insists, when it is made again."""
        above = rung(settings, self.rung + 1)
        if above is not None:
            return self.opened_at + above.after
        if not self.insists:
            return self.opened_at + settings.give_up_after
        pauses = _pauses(settings, self.rung + 1 + self.insisted - LAST_NAMED_RUNG)
        return self.opened_at + settings.second_person_after + sum(pauses)

    def hold(self, settings: AnnouncingSettings, until: float) -> None:
        """The ladder stands still: the next rung is not due before `until`."""
        self.opened_at += max(0.0, until - self.next_rung_at(settings))


def _subject(key: str) -> str:
    """What an alarm is about."""
    return key.partition("/")[2]
