"""The forecast of the fire's end: what the pit has read, when it was fed, what is usual here, and what the model makes of it.

One per pit, kept by `daemon.core.pit.fire`. A forecast that cannot be made anew stands and ages: its times stay where they are
while the clock runs towards them; after `LASTS` it dies.
"""

from __future__ import annotations

from math import isnan, nan
from typing import Any

from daemon.core.pit.careful import carefully, plain_minutes
from daemon.core.pit.exit_model import MIDDLE, ExitForecast
from daemon.core.pit.fire_features import FARTHEST, FireView, features
from daemon.core.pit.habits import TAIL, PastFire, PitHabits, past_fire
from daemon.core.pit.own_pace import OwnPace
from daemon.core.pit_profile import ClassFigure
from daemon.core.said import Text, plain, said, say
from daemon.core.settings import Band, FireModel

MINUTE = 60.0
REMEMBERED = 200
"""Minutes of the pit that are kept: no fire that needs tending lasts longer unfed."""
LASTS = 30 * MINUTE
"""s after which a forecast that could not be made anew is dropped: about one fire. Common practice, no source."""
FORESEEN_KEPT = 10
"""Forecasts before the newest one that it is compared with."""
FEWEST = 4
"""Minutes that must be known before anything is said."""
LOGS_KEPT = 12
"""Newest logs whose times are kept."""
SHORTEST_GAP = 5
"""Minutes between logs below which they are one feeding."""
NOISE_KEEPS = 0.95
"""Share of the noise estimate that one minute leaves."""
NOISE_OF_BEND = 2.6
"""Mean size of the second difference of white noise of deviation 1, over 0.94: sqrt(6) x 0.80 / 0.75, rounded; for minutes that
also bend by themselves the estimate is high rather than low."""
WARM, WARM_UP = 40.0, 10.0
"""°C of the climb to the band, from where and up to how far below the edge its pace is taken."""


class ExitWatch:
    """`forecast` as last made, None when none stands: `reason` says why."""

    def __init__(self, model: FireModel | None) -> None:
        self.model = model
        self.forecast: ExitForecast | None = None
        self.reason: Text = say("fire.not-lit")
        self.habits = PitHabits()
        self.pace = OwnPace()
        self.foreseen: list[float] = []
        """Engine times at which the middles of the last forecasts had the pit leave its band, one a minute, the newest last."""
        self.two_minded_since: float | None = None
        """Since when forecasts tell two stories at once."""
        self.noise = 0.5
        """°C, of one minute's value."""
        self._minutes: list[float] = []
        """°C, holes filled with what was last known; the newest last."""
        self._known_at: float | None = None
        self._last = 0.0
        self._logs: list[tuple[float, bool]] = []
        """(engine time, marked) of the last logs, oldest first."""
        self.marked_at: float | None = None
        """Engine time of the newest log that was marked."""
        self._counted = [0, 0]
        """Logs noticed only, and marked, in this cook."""
        self._own_fires = 0
        """Fires of this cook that were learned from; the habits may know of others."""
        self._unlearned: float | None = None
        """Engine time of the log whose fire has ended and has yet to be learned from."""
        self._lids: list[bool] = []
        self._lid_at: float | None = None
        self._damper_at: float | None = None
        self._ambient: list[float] = []
        self._burning_since: float | None = None
        self._warm_at: float | None = None
        self._warmed: float | None = None

    # --- what happens ---------------------------------------------------------------------------------

    def minute(self, now: float, pit: float, band: Band, ambient: float, lid_open: bool, why_not: Text) -> None:
        """One closed minute. pit: °C, NaN where unknown or under an open lid. why_not: why no forecast can be made, or ""."""
        self._last = now
        self.habits.in_band(band.low, band.high)
        self._lids = [*self._lids[-14:], lid_open]
        self._lid_at = now if lid_open else self._lid_at
        self._ambient = [*self._ambient[-15:], ambient]
        if isnan(pit) and not self._minutes:
            self.reason = why_not or say("fire.few-readings")
            return
        if not isnan(pit):
            self._known_at = now
            if len(self._minutes) > 1:
                bend = abs(pit - 2 * self._minutes[-1] + self._minutes[-2]) / NOISE_OF_BEND
                self.noise = NOISE_KEEPS * self.noise + (1 - NOISE_KEEPS) * min(bend, 5.0)
            self._warm(now, pit, band)
        self._minutes = [*self._minutes[-REMEMBERED:], self._minutes[-1] if isnan(pit) else pit]
        if self._unlearned is not None and now >= self._logs[-1][0] + TAIL * MINUTE:
            self._learn()
        self.pace.minute(now, pit, band.low)
        self._predict(now, band, isnan(pit), why_not)
        self._compare(now)

    def log(self, at: float, marked: bool) -> None:
        """A log went in at `at`."""
        self._counted[marked] += 1
        self.marked_at = at if marked else self.marked_at
        if marked:
            self.pace.fed()
        if self._logs and at - self._logs[-1][0] < SHORTEST_GAP * MINUTE:
            self._logs[-1] = (self._logs[-1][0], marked or self._logs[-1][1])
            return
        if self._unlearned is not None:
            self._learn()
        if self._logs and self._burning_since is not None and self._logs[-1][0] >= self._burning_since:
            self._unlearned = self._logs[-1][0]
        self._logs = [*self._logs[1 - LOGS_KEPT :], (at, marked)]

    def take_back_log(self, at: float, marked_at: float | None) -> None:
        """No log went in at `at`. marked_at: the newest marked log that stands. A fire that it ended goes on, and what was
        learned of that fire is forgotten; what older logs have taught meanwhile is not worked out anew."""
        self._counted[True] = max(0, self._counted[True] - 1)
        self.marked_at = marked_at
        if (at, True) not in self._logs:  # it counted as one feeding with a log beside it
            near = SHORTEST_GAP * MINUTE
            self._logs = [(t, marked and (t == marked_at or abs(t - at) >= near)) for t, marked in self._logs]
            return
        newest = self._logs[-1] == (at, True)
        self._logs.remove((at, True))
        before = self._logs[-1][0] if self._logs else None
        if not newest or before is None:
            return
        if self._unlearned == before:
            self._unlearned = None
        elif self.habits.fires and self.habits.fires[-1].gap == (at - before) // MINUTE:
            self.use(self.habits.rows()[:-1])
            self._own_fires = max(0, self._own_fires - 1)

    def damper(self, at: float | None) -> None:
        """Engine time at which it was moved, None: never that anybody knows."""
        self._damper_at = at

    def burning(self, since: float | None) -> None:
        """The fire has brought the pit to its band (engine time), or burns no more (None)."""
        if since is None or self._burning_since is None:
            self._burning_since = since

    # --- what is known --------------------------------------------------------------------------------

    def view(self, now: float, band: Band) -> FireView:
        """What the model looks at."""
        known = [v for v in self._ambient if not isnan(v)]
        return FireView(
            minutes=self._minutes,
            low=band.low,
            high=band.high,
            logs=tuple(min(FARTHEST, (now - at) / MINUTE) for at, _ in reversed(self._logs)),
            marked=bool(self._logs) and self._logs[-1][1],
            logs_marked=min(self._counted[1], 6),
            logs_noticed=min(self._counted[0], 6),
            noise=self.noise,
            lid=_since(now, self._lid_at),
            lid_minutes=sum(self._lids),
            damper=_since(now, self._damper_at),
            ambient=(known[-1], known[-1] - known[0]) if known else None,
            burning=_since(now, self._burning_since),
            warmed=self._warmed,
        )

    def own_fires(self, number: int) -> list[PastFire]:
        """The last fires, if so many are of this cook and not of an earlier one; else none."""
        return self.habits.fires[-number:] if self._own_fires >= number else []

    @property
    def lid_lately(self) -> bool:
        """It was open in the last quarter of an hour."""
        return any(self._lids)

    @property
    def minutes(self) -> list[float]:
        """The pit, °C a minute, holes filled with what was last known; the newest last."""
        return self._minutes

    def minutes_since(self, at: float, now: float) -> list[float]:
        """The pit since `at` (engine time), °C a minute."""
        back = int((now - at) // MINUTE)
        return self._minutes[-back - 1 :] if back < len(self._minutes) else list(self._minutes)

    def _predict(self, now: float, band: Band, unseen: bool, why_not: Text) -> None:
        if why_not:
            self.forecast, self.reason = None, why_not
        elif unseen or self._known_at is None:
            if self.forecast is not None and now - self.forecast.made_at > LASTS:
                self.forecast, self.reason = None, say("fire.unseen")
        elif len(self._minutes) < FEWEST:
            self.forecast, self.reason = None, say("fire.few-readings")
        elif self.model is None:
            self.forecast, self.reason = None, say("fire.unlearned")
        else:
            seen = features(self.view(now, band), self.habits)
            left = self.model.logs_left(seen)
            if self.model.is_beyond(seen):
                left = carefully(left, plain_minutes(seen))
            self.forecast, self.reason = ExitForecast.of(now, self.pace.foretold(now, left)), ""

    def _compare(self, now: float) -> None:
        """What the newest forecasts have in common."""
        if self.forecast is None or self.forecast.made_at != now:
            self.foreseen, self.two_minded_since = [], None
            return
        self.foreseen = [*self.foreseen[-FORESEEN_KEPT:], self.forecast.exits[MIDDLE]]
        since = now if self.two_minded_since is None else self.two_minded_since
        self.two_minded_since = since if self.forecast.is_two_minded else None

    def _warm(self, now: float, pit: float, band: Band) -> None:
        """The pace of the climb to the band tells a heavy pit from a light one."""
        if self._warmed is not None or self._burning_since is not None:
            return
        if pit < WARM:
            self._warm_at = now
        elif pit >= band.low - WARM_UP and self._warm_at is not None and now > self._warm_at:
            self._warmed = (pit - WARM) / (now - self._warm_at) * MINUTE

    # --- what own fires teach -------------------------------------------------------------------------

    def _learn(self) -> None:
        """The fire before the last log has shown itself whole: keep it."""
        began, ended = self._unlearned, self._logs[-1][0]
        self._unlearned = None
        if began is None:
            return
        start = len(self._minutes) - 1 - int((self._last - began) // MINUTE)
        gap = int((ended - began) // MINUTE)
        if start < 0 or gap < SHORTEST_GAP:
            return
        self.habits.add(past_fire(self._minutes[start:], gap, self.noise))
        self._own_fires += 1

    def use(self, fires: tuple[tuple[float, ...], ...]) -> None:
        """Take over what was learned in earlier cooks, in place of what is known."""
        self.habits.use(fires)

    def dump(self) -> dict[str, object]:
        return {
            "forecast": None if self.forecast is None else self.forecast.dump(),
            "reason": plain(self.reason),
            "habits": [list(row) for row in self.habits.rows()],
            "class": [[one.figure, one.middle, one.fires] for one in self.habits.class_figures],
            "pace": self.pace.dump(),
            "foreseen": list(self.foreseen),
            "two_minded_since": self.two_minded_since,
            "noise": self.noise,
            "minutes": list(self._minutes),
            "known_at": self._known_at,
            "last": self._last,
            "logs": [list(pair) for pair in self._logs],
            "counted": list(self._counted),
            "marked_at": self.marked_at,
            "own_fires": self._own_fires,
            "unlearned": self._unlearned,
            "lids": list(self._lids),
            "lid_at": self._lid_at,
            "damper_at": self._damper_at,
            "ambient": [None if isnan(v) else v for v in self._ambient],
            "burning_since": self._burning_since,
            "warm_at": self._warm_at,
            "warmed": self._warmed,
        }

    def load(self, dumped: dict[str, object]) -> None:
        state: Any = dumped
        self.forecast = None if state["forecast"] is None else ExitForecast.loaded(state["forecast"])
        self.reason, self.noise = said(state["reason"]), state["noise"]
        self.use(tuple(tuple(row) for row in state["habits"]))
        self.habits.use_class(tuple(ClassFigure(*one) for one in state.get("class", ())))
        self._minutes, self._known_at, self._last = list(state["minutes"]), state["known_at"], state["last"]
        self._logs = [(at, marked) for at, marked in state["logs"]]
        # not in the checkpoints of earlier versions
        if "pace" in state:
            self.pace.load(state["pace"])
        self.foreseen, self.two_minded_since = list(state.get("foreseen", ())), state.get("two_minded_since")
        self._own_fires = state.get("own_fires", 0)
        self._counted, self._unlearned = list(state["counted"]), state["unlearned"]
        self.marked_at = state["marked_at"]
        self._lids, self._lid_at, self._damper_at = list(state["lids"]), state["lid_at"], state["damper_at"]
        self._ambient = [nan if v is None else v for v in state["ambient"]]
        self._burning_since = state["burning_since"]
        self._warm_at, self._warmed = state["warm_at"], state["warmed"]


def _since(now: float, at: float | None) -> float:
    """Minutes since `at`, at most FARTHEST; FARTHEST if it never was."""
    return FARTHEST if at is None else min(FARTHEST, (now - at) / MINUTE)
