"""Which pit of the rig is the first: the one that was the first before, wherever the file names it now."""

from __future__ import annotations

from typing import Any

from config.rig import Rig


def first_probes(rig: Rig) -> list[str]:
    """Ids of the pit channels of the first pit."""
    return [one.id for one in rig.channels if one.role == "pit" and one.pit in (None, rig.pit.id)]


def in_known_order(rig: Rig, known: Any, probes: Any = None) -> Rig:
    """The rig with that pit first which was the first before, wherever it stands in the file: what is remembered of the first
    pit, and what is on it, must not go to another. known: the ids then, as noted; probes: the first pit's channels then. A first
    pit under a new id is the one that nobody knew, and of several such the one that has most of its probes."""
    if not isinstance(known, list) or not known:
        return rig
    new = [pit for pit in rig.pits if pit.id not in known]
    then = set(map(str, probes)) if isinstance(probes, list) else set()
    has = {pit.id: sum(one.id in then and one.pit == pit.id for one in rig.channels) for pit in new}
    heir = max(new, key=lambda pit: has[pit.id], default=rig.pit)
    if len(new) > 1 and has[heir.id] == 0:
        heir = rig.pit
    first = next((pit for pit in rig.pits if pit.id == known[0]), heir)
    return rig.model_copy(update={"pit": first, "other_pits": tuple(pit for pit in rig.pits if pit is not first)})
