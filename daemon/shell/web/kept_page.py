"""What the page shows of one kept cook, and of what the pit taught: picked from what the watch holds."""

from __future__ import annotations

from statistics import median
from typing import Any

from daemon.core.marks import OF_THE_PIT
from daemon.core.pit.laid_logs import GAPS_KEPT
from daemon.core.pit_profile import LARGEST_BIAS, TRUSTED_MISSES, PitProfile
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.rows import CookCurve, CookNotes
from daemon.shell.library.summary import done_time
from daemon.shell.web.models import KeptPage, Moment, PieceOrdered, PitLessons, PitOfCook
from daemon.texts.composer import Composer


def kept_page(kept: KeptCook, view: KeptCook, curve: CookCurve, composer: Composer) -> KeptPage:
    """view, curve: of the same cook, as one of its pits had it. composer: for whoever looks."""
    met = set(kept.pits_with_meat)
    return KeptPage(
        curve=curve,
        pits=tuple(PitOfCook(id=pit.id, name=pit.name) for pit in kept.pits if pit.key in met),
        pit=next((pit.id for pit in kept.pits if pit.key == view.viewed), ""),
        band=view.bands[-1][1] if view.bands else view.settings.band,
        notes=CookNotes(kept.verdict, kept.weather, kept.photos, kept.wood, kept.weights),
        pieces=tuple(PieceOrdered(id=p.id, name=p.name, weight=p.weight) for p in kept.settings.pieces),
        moments=tuple(moment for event in kept.events if (moment := _moment(event, view, composer)) is not None),
        running=kept.ended is None,
    )


def _moment(event: Any, kept: KeptCook, composer: Composer) -> Moment | None:
    """A mark or a wake of the event file; anything else has its place in the report."""
    if event["event"] == "mark":
        if event["kind"] in OF_THE_PIT and event.get("pit", "") != kept.viewed:
            return None
        kind, piece, text = event["kind"], event["piece"], event.get("note", "")
    elif event["event"] == "notification" and event["level"] == "wake":
        kind, piece, text = "would-wake" if kept.imported else "woken", None, composer.say(event["text"])
    else:
        return None
    return Moment(at=done_time(kept, event) - kept.started, kind=kind, piece=piece, text=text)


def lessons(profile: PitProfile) -> PitLessons:
    """The newest log intervals count, as they do for the watch itself."""
    intervals = profile.fire.log_intervals
    newest = intervals[-GAPS_KEPT:]
    return PitLessons(
        cooks=profile.cooks,
        logs=len(intervals),
        log_interval=median(newest) if newest else None,
        shortest=min(newest, default=None),
        longest=max(newest, default=None),
        lag=profile.lag,
        drift=profile.drift,
        places=profile.places,
        misses=profile.misses,
        bias=profile.forecast_bias,
        largest_bias=LARGEST_BIAS,
        trusted=len(profile.misses) >= TRUSTED_MISSES,
    )
