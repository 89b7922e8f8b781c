"""Server-sent events: the newest snapshot to each open page, and short news (a refusal, the morning account)."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable

from aiohttp import web

from daemon.texts.composer import Composer

Made = Callable[[Composer], bytes]
"""What is sent, in the words of one reader."""

STREAM_LIMIT, GUEST_LIMIT = 16, 4
"""Open pages of those with the key, and of those without. Beyond the first the oldest is closed, and comes again by itself
where somebody still looks at it; beyond the second a guest is refused: the cook always gets in."""
PING_SECONDS = 15.0
SEND_SECONDS = 10.0
"""A phone that takes nothing for so long is let go; it reconnects by itself."""
NEWS_LIMIT = 20


class _Stream:
    """What one page has yet to be sent: only ever the newest snapshot, and at most NEWS_LIMIT news."""

    def __init__(self, holds_key: bool, composer: Composer) -> None:
        self.holds_key, self.dropped = holds_key, False
        self.composer = composer
        self.snapshot: bytes | None = None
        self.news: deque[bytes] = deque(maxlen=NEWS_LIMIT)
        self.woken = asyncio.Event()


class Streams:
    """All open event streams. Snapshots are numbered; a page that already has the newest is not sent it again."""

    def __init__(self) -> None:
        self._streams: dict[_Stream, None] = {}
        """The oldest first."""
        self._number = 0
        self._closing = False
        self._made: Made | None = None
        self._pictures: dict[Composer, bytes] = {}
        """The newest snapshot in the words of each reader who asked for it."""

    def admit(self, holds_key: bool) -> bool:
        """There is a place; for whoever holds the key one is made."""
        same = [stream for stream in self._streams if stream.holds_key == holds_key and not stream.dropped]
        if len(same) < (STREAM_LIMIT if holds_key else GUEST_LIMIT):
            return True
        if holds_key:
            same[0].dropped = True
            same[0].woken.set()
        return holds_key

    @property
    def open_count(self) -> int:
        return len(self._streams)

    def publish(self, made: Made) -> None:
        """made: the snapshot for a reader, one JSON object without line breaks."""
        self._number += 1
        self._made, self._pictures = made, {}
        for stream in self._streams:
            stream.snapshot = self._picture(stream.composer)
            stream.woken.set()

    def _picture(self, composer: Composer) -> bytes | None:
        if composer not in self._pictures and self._made is not None:
            body = b"id: %d\nevent: snapshot\ndata: %b\n\n" % (self._number, self._made(composer))
            self._pictures[composer] = body
        return self._pictures.get(composer)

    def tell(self, name: str, made: Made) -> None:
        """News that is not part of the snapshot."""
        for stream in self._streams:
            stream.news.append(b"event: %b\ndata: %b\n\n" % (name.encode(), made(stream.composer)))
            stream.woken.set()

    def close(self) -> None:
        self._closing = True
        for stream in self._streams:
            stream.woken.set()

    async def serve(self, request: web.Request, holds_key: bool, composer: Composer) -> web.StreamResponse:
        """Send until the page goes away, or its place is wanted. The caller has asked `admit`."""
        stream = _Stream(holds_key, composer)
        if request.headers.get("Last-Event-ID", "") != str(self._number):
            stream.snapshot = self._picture(composer)
        self._streams[stream] = None
        response = web.StreamResponse(headers={"Content-Type": "text/event-stream", "Cache-Control": "no-store"})
        try:
            await response.prepare(request)
            await response.write(b"retry: 2000\n\n")
            while not (self._closing or stream.dropped):
                await self._send_what_waits(stream, response)
        except (ConnectionError, TimeoutError):
            pass
        finally:
            self._streams.pop(stream, None)
        return response

    async def _send_what_waits(self, stream: _Stream, response: web.StreamResponse) -> None:
        stream.woken.clear()
        chunks = list(stream.news)
        stream.news.clear()
        if stream.snapshot is not None:
            chunks.append(stream.snapshot)
            stream.snapshot = None
        if not chunks:
            try:
                async with asyncio.timeout(PING_SECONDS):
                    await stream.woken.wait()
                return
            except TimeoutError:
                chunks = [b": ping\n\n"]
        async with asyncio.timeout(SEND_SECONDS):
            await response.write(b"".join(chunks))
