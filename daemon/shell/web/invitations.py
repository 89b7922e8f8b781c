"""Links that let one more person in: each pairs one device, once, and only for a while."""

from __future__ import annotations

from daemon.shell.web.access import new_token

LASTS = 15 * 60.0
"""s from making a link to its end: long enough to scan it or to send it, too short to be found in a chat next week."""
AT_ONCE = 8
"""Links that may wait; a newer one takes the place of the oldest."""


class Invitations:
    """Kept in memory only: a restart ends them all."""

    def __init__(self) -> None:
        self._until: dict[str, float] = {}

    def make(self, now: float) -> str:
        """A new word, good for one device. now: steady s."""
        while len(self._until) >= AT_ONCE:
            del self._until[next(iter(self._until))]
        word = new_token()
        self._until[word] = now + LASTS
        return word

    def take(self, offered: str, now: float) -> bool:
        """Whether it may come in; the word is used up. It holds 256 bits: nobody finds one by trying or by timing."""
        return self._until.pop(offered, float("-inf")) >= now
