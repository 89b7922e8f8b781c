"""Mail by the standard library's client, in a thread: a few messages a night need no more."""

from __future__ import annotations

import smtplib
import ssl
from dataclasses import dataclass
from email.message import EmailMessage

from daemon.shell.background import in_background
from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.texts.composer import PLAIN

TIMEOUT = 10.0
"""s for each step of the exchange."""


@dataclass(frozen=True, slots=True)
class MailRoute:
    host: str
    port: int
    security: str
    sender: str
    to: tuple[str, ...]
    user: str | None = None
    password: str | None = None


class Smtp:
    """tls: how the server is trusted; None for the system's own authorities, which are read when a mail is sent, for they
    take 2 MB."""

    def __init__(self, name: str, route: MailRoute, tls: ssl.SSLContext | None = None) -> None:
        self.name, self._route, self._tls = name, route, tls

    async def send(self, message: Message) -> None:
        await in_background(self._send, message)

    def _send(self, message: Message) -> None:
        route = self._route
        mail = EmailMessage()
        mail["From"], mail["To"] = route.sender, ", ".join(route.to)
        mail["Subject"] = f"{message.title}: {message.text}"
        mail["X-Pitvigil-Id"] = message.id
        mail.set_content(f"{message.text}\n{message.time}\n")
        if message.attachment:
            mail.add_attachment(message.attachment, maintype="image", subtype="png", filename="cook.png")
        try:
            with self._connect() as server:
                if route.user is not None:
                    server.login(route.user, route.password or "")
                server.send_message(mail)
        except ssl.SSLCertVerificationError:
            raise PermanentFailure(PLAIN.words("reach.certificate", host=route.host)) from None
        except smtplib.SMTPAuthenticationError:
            raise PermanentFailure(PLAIN.words("reach.mail-login")) from None
        except smtplib.SMTPRecipientsRefused:
            raise PermanentFailure(PLAIN.words("reach.mail-recipients")) from None
        except smtplib.SMTPResponseException as error:
            failure = TemporaryFailure if 400 <= error.smtp_code < 500 else PermanentFailure
            raise failure(PLAIN.words("reach.mail-code", code=error.smtp_code)) from None
        except (smtplib.SMTPException, OSError) as error:
            raise TemporaryFailure(PLAIN.words("reach.no-mail", kind=type(error).__name__)) from None

    def _connect(self) -> smtplib.SMTP:
        route = self._route
        if route.security == "tls":
            return smtplib.SMTP_SSL(route.host, route.port, timeout=TIMEOUT, context=self._trust())
        server = smtplib.SMTP(route.host, route.port, timeout=TIMEOUT)
        if route.security == "starttls":
            server.starttls(context=self._trust())
        return server

    def _trust(self) -> ssl.SSLContext:
        return self._tls or ssl.create_default_context()

    async def close(self) -> None:
        return None
