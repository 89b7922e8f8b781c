"""The API against its own OpenAPI document, fuzzed with schemathesis: no crash, no answer it does not know.

Run by `test_fuzz`: its cases are made while tests are collected, which every worker of a run would do anew."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from daemon.shell.web import server as server_module
from daemon.shell.web.access import Limit
from daemon.shell.web.openapi import document
from tests.shell.web.page_thread import TOKEN, ServedPage, served
from tests.shell.web.test_fuzz import EXAMPLES

FUZZED = document()
del FUZZED["paths"]["/api/events"]  # never ends; proven in test_web_api
SCHEMA = schemathesis.openapi.from_dict(FUZZED)
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


@pytest.fixture(scope="module")
def page() -> Iterator[ServedPage]:
    patch = pytest.MonkeyPatch()
    patch.setattr(server_module, "COMMANDS", 10**9)  # the limits are proven elsewhere and would end the fuzzing
    patch.setattr(Limit, "wait", lambda self, address, now: 0.0)
    with served() as running:
        yield running
    patch.undo()


@pytest.fixture(scope="module")
def session() -> Iterator[requests.Session]:
    """One connection for all cases. It does not look in the environment for a proxy, which takes longer than most answers."""
    with requests.Session() as kept:
        kept.trust_env = False
        yield kept


@SCHEMA.parametrize()
@settings(
    max_examples=int(os.environ.get(EXAMPLES, "3")), deadline=None, derandomize=EXAMPLES not in os.environ,
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
def test_the_document_and_the_server_agree(case: Any, page: ServedPage, session: requests.Session) -> None:
    case.headers = {**(case.headers or {}), "Authorization": f"Bearer {TOKEN}"}
    session.cookies.clear()
    case.call_and_validate(base_url=page.address, session=session, checks=CHECKS)
    page.watch.__init__()  # type: ignore[misc]  # a fuzzed command must not spoil the next case
