"""The OpenAPI 3.1 document, made from the route table and the pydantic models and from nothing else."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import JsonSchemaMode

from daemon.shell.web import models
from daemon.shell.web.models import Problem
from daemon.shell.web.routes import ROUTES, Route
from daemon.texts.composer import PLAIN

REFERENCE = "#/components/schemas/{model}"
REFUSALS = ("400", "401", "403", "404", "409", "413", "415", "421", "422", "429", "503")


def document() -> dict[str, Any]:
    """The whole document as plain JSON values."""
    wanted: list[tuple[str, JsonSchemaMode, TypeAdapter[Any]]] = [("problem", "serialization", TypeAdapter(Problem))]
    for route in ROUTES:
        if route.takes:
            wanted.append((route.handler, "validation", TypeAdapter(route.takes)))
        if route.gives is not None:
            wanted.append((route.handler, "serialization", TypeAdapter(route.gives)))
    schemas, definitions = TypeAdapter.json_schemas(wanted, ref_template=REFERENCE)
    del definitions["$defs"]["Snapshot"]["properties"]["profile"]  # /api/profile tells it
    problem = {"content": {"application/json": {"schema": schemas["problem", "serialization"]}}}
    paths: dict[str, Any] = {}
    for route in ROUTES:
        paths[route.path] = {route.method.lower(): _operation(route, schemas, problem)}
    return {
        "openapi": "3.1.0",
        "info": {
            "title": PLAIN.words("api.title"),
            "version": "1",
            "description": PLAIN.words("api.description"),
        },
        "paths": paths,
        "components": {
            "schemas": definitions.get("$defs", {}),
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer"},
                "cookie": {"type": "apiKey", "in": "cookie", "name": "pitvigil"},
            },
        },
    }


@cache
def served() -> bytes:
    """The document as it goes out. Made when it is first asked for: few ever ask, and each start would wait for it."""
    return json.dumps(document()).encode()


def _good_statuses(route: Route) -> tuple[str, ...]:
    """202 for what was put in the queue; a question with a body is answered 200, and may also be taken."""
    if route.takes is None:
        return ("200",)
    return ("202",) if route.gives is models.Taken else ("200", "202")


def _operation(route: Route, schemas: dict[Any, Any], problem: dict[str, Any]) -> dict[str, Any]:
    good: dict[str, Any] = {"description": PLAIN.words("api.as-asked")}
    if route.gives is not None:
        good["content"] = {"application/json": {"schema": schemas[route.handler, "serialization"]}}
    else:
        good["content"] = {route.media: {"schema": {"type": "string"}}}
    operation: dict[str, Any] = {
        "operationId": route.handler,
        "summary": PLAIN.words(f"api.route.{route.handler.replace('_', '-')}"),
        "responses": {
            **dict.fromkeys(_good_statuses(route), good),
            **{status: {"description": PLAIN.words(f"api.refused.{status}"), **problem} for status in REFUSALS},
        },
        "security": [] if route.open else [{"token": []}, {"cookie": []}],
    }
    if route.parameters:
        operation["parameters"] = [
            {"name": p.name, "in": "query", "required": p.required, "schema": p.schema} for p in route.parameters
        ]
    if route.takes:
        body = {"application/json": {"schema": schemas[route.handler, "validation"]}}
        operation["requestBody"] = {"required": True, "content": body}
    return operation
