"""Any service that the optional library apprise knows. Imported on the first message: it costs tens of megabytes."""

from __future__ import annotations

from typing import Any

from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.texts.composer import PLAIN


class Push:
    """url: an apprise URL. It holds secrets and is shown nowhere."""

    def __init__(self, name: str, url: str) -> None:
        self.name, self._url = name, url
        self._service: Any = None

    def check(self) -> None:
        """Raises PermanentFailure when the library is missing or does not know the URL."""
        try:
            import apprise
        except ModuleNotFoundError:
            raise PermanentFailure(PLAIN.words("reach.no-apprise")) from None
        if self._service is None:
            asset = apprise.AppriseAsset()
            asset.http_redirects = False  # what answers elsewhere is not the service
            service = apprise.Apprise(asset=asset)
            if not service.add(self._url):
                raise PermanentFailure(PLAIN.words("reach.no-url"))
            self._service = service

    async def send(self, message: Message) -> None:
        self.check()
        import apprise
        from apprise.attachment.memory import AttachMemory

        kind = apprise.NotifyType.FAILURE if message.level == "wake" else apprise.NotifyType.INFO
        attach = None
        if message.attachment:
            attach = apprise.AppriseAttachment()
            picture: Any = AttachMemory
            attach.add(picture(content=message.attachment, name="cook.png", mimetype="image/png"))
        if not await self._service.async_notify(
            body=message.text, title=message.title, notify_type=kind, attach=attach
        ):
            raise TemporaryFailure(PLAIN.words("reach.not-taken"))

    async def close(self) -> None:
        return None
