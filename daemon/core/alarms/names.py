"""How little of a name still says which of several it is: for where there is no room for the whole."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from daemon.core.said import Text, say

LEAST = 8
"""Letters, with the ellipsis, that a message leaves of a name at least. Ours: what fits beside verb, values and the rest."""


def told_by(name: str, others: Collection[str]) -> str:
    """The name in at most `LEAST` letters, cut where it still differs from every other one; its beginning where nothing does."""
    if len(name) <= LEAST:
        return name
    cuts = list(_cuts(name))
    return next((cut for cut in cuts if not any(_fits(cut, other) for other in others if other != name)), cuts[0])


def called(name: str, others: Collection[str]) -> Text:
    """The name as a message takes it: one that its first letters do not tell from the others says by which it is told."""
    short = told_by(name, others)
    return name if name == short or name.startswith(short[:-1]) else say("name.told-by", name=name, short=short)


def _cuts(name: str) -> Iterator[str]:
    """The plainest first: the beginning, both ends, the end, a word or a part within."""
    yield name[: LEAST - 1].rstrip() + "…"
    for letters in range(1, LEAST - 2):
        yield f"{name[: LEAST - 1 - letters].rstrip()}…{name[-letters:]}"
    yield "…" + name[1 - LEAST :].lstrip()
    starts = range(1, len(name) - LEAST + 2)
    for start in sorted(starts, key=lambda at: name[at - 1] != " "):
        yield f"…{name[start : start + LEAST - 2].strip()}…"


def _fits(cut: str, name: str) -> bool:
    """It could be a cut of this name too."""
    head, _, tail = cut.partition("…")
    return tail[:-1] in name if tail.endswith("…") else name.startswith(head) and name.endswith(tail)
