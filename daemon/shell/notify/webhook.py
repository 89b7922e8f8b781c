"""A web hook: POST of JSON, signed with HMAC-SHA256 (RFC 2104) over the body, so that the receiver can trust it."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import ssl

import aiohttp

from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.texts.composer import PLAIN

TIMEOUT = 12.0
"""s for the whole exchange; below the 15 s an attempt may take."""
SIGNATURE_HEADER = "X-Pitvigil-Signature"
TRY_AGAIN = frozenset({408, 425, 429})
"""HTTP status codes of the 4xx class that say "later" (RFC 9110, RFC 8470, RFC 6585)."""


class Webhook:
    """The URL may hold a secret, so no error text shows more than its host."""

    def __init__(self, name: str, url: str, secret: str | None = None, tls: ssl.SSLContext | None = None) -> None:
        self.name, self._url, self._secret, self._tls = name, url, secret, tls
        self._session: aiohttp.ClientSession | None = None

    async def send(self, message: Message) -> None:
        body = json.dumps(
            {
                **message.told(),
                "picture": base64.b64encode(message.attachment).decode() if message.attachment else None,
            },
            ensure_ascii=False,
        ).encode()
        headers = {"Content-Type": "application/json", "Idempotency-Key": message.id}
        if self._secret is not None:
            headers[SIGNATURE_HEADER] = hmac.new(self._secret.encode(), body, hashlib.sha256).hexdigest()
        if self._session is None:
            self._session = aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(total=TIMEOUT))
        try:
            async with self._session.post(
                self._url, data=body, headers=headers, ssl=self._tls or True, allow_redirects=False
            ) as answer:
                status, later = answer.status, answer.headers.get("Retry-After", "")
        except aiohttp.ClientConnectorCertificateError as error:
            raise PermanentFailure(PLAIN.words("reach.certificate", host=str(error.host))) from None
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            raise TemporaryFailure(PLAIN.words("reach.nobody", kind=type(error).__name__)) from None
        if 200 <= status < 300:
            return
        if not 400 <= status < 500 or status in TRY_AGAIN:
            # A network that wants a login first answers 3xx for everybody; it may let us through in a minute.
            words = PLAIN.words("reach.http-elsewhere" if status < 400 else "reach.http", status=status)
            raise TemporaryFailure(words, float(later) if later.isdigit() else None)
        raise PermanentFailure(PLAIN.words("reach.http", status=status))

    async def close(self) -> None:
        if self._session is not None:
            await self._session.close()
            self._session = None
