"""Every wrong type in every key of every order of the page is refused in plain words. No outside source: the words are ours."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from daemon.shell.web.request import Refused, checked
from daemon.shell.web.routes import ROUTES
from tests.config.test_plain_errors import FOREIGN, paths, with_value
from tests.shell.web.test_api import ORDERS, WRONG

VALUES: tuple[Any, ...] = (
    "words", "", 3, -1, 10**30, 2.5, -1e300, True, False, None, [], ["a", 1], [[]], {}, {"no": 1},
)  # fmt: skip
"""One of each kind that JSON can say, and of each the awkward ones."""
BODIES = [(path, body) for path, body, _ in (*ORDERS, *WRONG)]


def is_foreign(said: str) -> bool:
    """It holds a word of the library, from its first letter on."""
    return any(re.search(rf"\b{re.escape(word)}", said) for word in FOREIGN)


@pytest.mark.parametrize("path", sorted({path for path, _ in BODIES}))
def test_whatever_is_wrong_with_an_order_is_said_in_plain_words(path: str) -> None:
    model = next(route.takes for route in ROUTES if route.path == f"/api/{path}")
    assert model is not None
    tried = 0
    for _, body in (row for row in BODIES if row[0] == path):
        for place in paths(body):
            for value in VALUES:
                try:
                    checked(json.dumps(with_value(body, place, value)).encode(), model)
                except Refused as refused:
                    tried += 1
                    said = str(refused).replace(value, "") if isinstance(value, str) and value else str(refused)
                    assert said and not is_foreign(said), (place, value, said)
    assert tried


@pytest.mark.parametrize(
    ("raw", "status", "words"),
    [(b"", 400, "that is no JSON"), (b"{", 400, "that is no JSON"), (b"[" * 9000, 400, "that is no JSON"),
     (b"[1]", 422, ""), (b"3", 422, ""), (b"null", 422, "")],
)  # fmt: skip
def test_what_is_no_order_at_all_is_said_too(raw: bytes, status: int, words: str) -> None:
    model = next(route.takes for route in ROUTES if route.path == "/api/mark")
    assert model is not None
    with pytest.raises(Refused) as caught:
        checked(raw, model)
    assert caught.value.status == status and words in str(caught.value)
    assert not is_foreign(str(caught.value)), caught.value
