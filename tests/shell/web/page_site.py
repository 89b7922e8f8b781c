"""A page server whose clock stands until told, for those who ask who may look and who may change."""

from __future__ import annotations

from daemon.shell.web.contract import PageSettings
from daemon.shell.web.server import PageServer
from tests.shell.web.page_scenario import FakeWatch
from tests.shell.web.page_thread import TOKEN


class Steady:
    """A clock that stands until told."""

    def __init__(self) -> None:
        self.time = 1000.0

    def __call__(self) -> float:
        return self.time


class Site:
    def __init__(self, open_view: bool = False) -> None:
        self.watch, self.clock = FakeWatch(), Steady()
        page = PageSettings(host="127.0.0.1", port=0, open_view=open_view)
        watch = self.watch
        self.server = PageServer(
            page, watch.snapshot, watch.command, watch.history, watch.cooks, TOKEN,
            build_cook=watch.build_cook, seconds=self.clock,
        )  # fmt: skip

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.port}"


def bearer(token: str = TOKEN) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}
