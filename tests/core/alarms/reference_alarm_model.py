"""A plain model of one alarm to hold the alarm table against: no table, no deadlines, one second at a time.
After the sources in tests/data/isa_18_2_transitions.csv. The standard's letters: A normal, B unacknowledged,
C acknowledged, D returned unacknowledged, E shelved, F suppressed by design, G out of service;
LU, LA: latched unacknowledged, latched acknowledged."""

from __future__ import annotations


class ReferenceAlarm:
    def __init__(self, on: int, off: int, re_alarm: int | None, latched: bool, prompt: bool, once: bool, safety: bool):
        self.on, self.off, self.re_alarm = on, off, re_alarm
        self.latched, self.prompt, self.once, self.safety = latched, prompt, once, safety
        self.seconds = 0
        self.shelf_ends = -1
        self.log: list[tuple[int, str, str]] = []
        self.occurrence = 0
        self.forget()

    def forget(self) -> None:
        self.state, self.beyond, self.back = "A", -1, -1  # seconds spent beyond the set point / back within; -1 = not
        self.guarded = self.improving = False
        self.severity = 0
        self.told: int | None = None
        self.seen: int | None = None  # when it was last acknowledged
        self.raises: list[int] = []

    def go(self, state: str) -> None:
        self.log.append((self.seconds, self.state, state))
        if state == "B":
            if self.state in "AEFG":
                self.occurrence += 1
            if self.state not in "BC":
                self.told = self.severity
                self.raises.append(self.seconds)
            self.told = max(self.told or 0, self.severity)
            self.seen = None
        self.state = state

    def may_rise(self) -> bool:
        if self.beyond < self.on or (self.once and self.told is not None and self.severity <= self.told):
            return False
        worse = self.told is not None and self.severity > self.told
        return worse or self.safety or not self.left_alone()

    def left_alone(self) -> bool:
        return self.seen is not None and self.re_alarm is not None and self.seconds < self.seen + self.re_alarm

    def chatters(self) -> bool:
        thirds = zip(self.raises, self.raises[2:], strict=False)
        return any(third - first < 60 and self.seconds < third + 600 for first, third in thirds)

    def look(self) -> None:
        """What follows from how long things have been as they are."""
        if self.state in ("A", "D", "LU", "LA") and self.may_rise():
            self.go("B")
        if self.state == "E" and self.seconds >= self.shelf_ends:
            self.come_back()
        if self.state in "BC" and self.back >= self.off and not self.chatters():
            unseen = self.state == "B" and not self.prompt
            held = self.latched and not self.prompt
            self.go(("LU" if unseen else "LA") if held else ("D" if unseen else "A"))
        still = self.state == "C" and self.beyond >= 0 and not self.improving
        if still and self.re_alarm is not None and not self.left_alone():
            self.go("B")

    def wait(self, seconds: int) -> None:
        for _ in range(seconds):
            self.seconds += 1
            self.beyond += self.beyond >= 0
            self.back += self.back >= 0
            self.look()

    def judge(self, active: bool, within: bool, guarded: bool, severity: int, improving: bool) -> None:
        self.guarded, self.severity, self.improving = guarded, severity, improving
        self.beyond = max(self.beyond, 0) if active and not guarded else -1
        self.back = max(self.back, 0) if within and not active and not guarded else -1
        if guarded and self.state not in "EFG" and (active or self.state != "A"):
            self.go("F")
        elif self.state == "F" and not guarded:
            self.go("A")
        if self.beyond >= 0 and not improving and severity > (self.told or 0):
            if self.state in "BC":
                self.go("B")
            elif self.state == "E":
                self.come_back()
        self.look()

    def acknowledge(self) -> None:
        step = {"B": "C", "D": "A", "LU": "LA", "LA": "A"}.get(self.state)
        if step is not None:
            self.go(step)
            self.seen = self.seconds
            self.look()

    def come_back(self) -> None:
        self.go("B" if self.may_rise() else "A")
        self.look()

    def retire(self) -> None:
        if self.state != "A":
            self.go("A")
        self.forget()
