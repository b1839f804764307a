"""The description of the JSON API (OpenAPI 3.1)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from rushlight.analysis.views.fact_types import TankFacts
from rushlight.analysis.views.page.history import Past
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.store.log_entry import LONGEST_TEXT, LogEntry
from rushlight.collector.store.log_words import DONE, TESTS

__all__ = ["description"]

_MS = {"type": "integer", "minimum": 0, "maximum": 253402300799000}
_ERROR = {
    "description": "why not",
    "content": {
        "application/json": {
            "schema": {
                "type": "object",
                "required": ["error"],
                "properties": {"error": {"type": "string"}},
            }
        }
    },
}


def description(tanks: Sequence[str]) -> dict[str, Any]:
    """The whole document, with the names of the tanks that its reader may see."""
    _, parts = msgspec.json.schema_components(
        (TankFacts, Past, LogEntry), ref_template="#/components/schemas/{name}"
    )
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Rushlight",
            "version": "1",
            "description": "Read the tanks, acknowledge alarms, note what was done. It only watches: "
            "nothing here switches anything.",
        },
        "servers": [{"url": "/api/v1"}],
        "security": [{"token": []}],
        "paths": _paths(tanks),
        "components": {
            "schemas": parts,
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer", "description": "made on the page under People"}
            },
        },
    }


def _paths(tanks: Sequence[str]) -> dict[str, Any]:
    tank = {"name": "tank", "in": "path", "required": True, "schema": {"type": "string", "enum": list(tanks)}}
    return {
        "/openapi.json": {
            "get": _way("openapi", "This document.", {"type": "object"}),
        },
        "/tanks": {
            "get": _way(
                "tanks",
                "All tanks as they are now. Scope read.",
                _object(well={"type": "boolean"}, tanks=_list(_ref("TankFacts"))),
            ),
        },
        "/tanks/{tank}": {
            "get": _way("tank", "One tank as it is now. Scope read.", _ref("TankFacts"), [tank], (404,)),
        },
        "/tanks/{tank}/values": {
            "get": _way(
                "values",
                "Lowest and highest value of each step of a span; the step grows with the span. Scope read.",
                _object(
                    quantity={"type": "string"},
                    unit={"type": "string"},
                    step_ms={"type": "integer"},
                    values=_list(
                        {"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3}
                    ),
                ),
                [
                    tank,
                    _query("quantity", {"type": "string", "enum": list(QUANTITIES)}, required=True),
                    _query("from", _MS),
                    _query("to", _MS),
                ],
                (400, 404),
            ),
        },
        "/tanks/{tank}/log": {
            "get": _way(
                "log",
                "The keeper's log, oldest first. Scope read.",
                _object(entries=_list(_ref("LogEntry"))),
                [tank, _query("since", _MS)],
                (400, 404),
            ),
            "post": _way(
                "note",
                "Note what was done or measured; the analysis takes it up. Scope note.",
                _ref("LogEntry"),
                [tank],
                (400, 404, 415, 422),
                good=201,
                body=_entry_schema(),
            ),
        },
        "/tanks/{tank}/log/{entry}": {
            "delete": _way(
                "undo",
                "Take an entry back. Scope note.",
                _ref("LogEntry"),
                [
                    tank,
                    {
                        "name": "entry",
                        "in": "path",
                        "required": True,
                        "schema": {"type": "integer", "minimum": 0, "maximum": 999999999999999},
                    },
                ],
                (400, 404),
            ),
        },
        "/alarms": {
            "get": _way(
                "alarms",
                "Alarms that are and were, newest first. Scope read.",
                _object(alarms=_list(_ref("Past"))),
            ),
        },
        "/alarms/acknowledge": {
            "post": _way(
                "acknowledge",
                "Say that an alarm was seen: no more reminders. Scope acknowledge.",
                _object(outcome={"type": "string"}),
                [],
                (400, 404, 409, 415),
                body={
                    "type": "object",
                    "additionalProperties": False,
                    "required": ["alarm"],
                    "properties": {
                        "alarm": {
                            "type": "string",
                            "description": "the ALARM-ID of its notice, or TANK/ALARM for the one raised",
                        }
                    },
                },
            ),
        },
    }


def _way(
    name: str,
    words: str,
    schema: dict[str, Any],
    parameters: list[dict[str, Any]] | None = None,
    bad: tuple[int, ...] = (),
    good: int = 200,
    body: dict[str, Any] | None = None,
) -> dict[str, Any]:
    answers: dict[str, Any] = {
        str(good): {"description": "done", "content": {"application/json": {"schema": schema}}}
    }
    for status in (401, 403, *bad):
        answers[str(status)] = _ERROR
    answers["413"] = answers["503"] = {"description": "too much, or the store can't be used just now"}
    way: dict[str, Any] = {
        "operationId": name,
        "summary": words,
        "parameters": parameters or [],
        "responses": answers,
    }
    if body is not None:
        way["requestBody"] = {"required": True, "content": {"application/json": {"schema": body}}}
    return way


def _entry_schema() -> dict[str, Any]:
    tests = {
        name: {
            "type": "number",
            "minimum": test.low,
            "maximum": test.high,
            "description": f"{test.title} {test.unit}".strip(),
        }
        for name, test in TESTS.items()
    }
    return {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "text": {"type": "string", "maxLength": LONGEST_TEXT},
            "tests": {"type": "object", "additionalProperties": False, "properties": tests},
            "changed_share": {
                "type": ["number", "null"],
                "exclusiveMinimum": 0,
                "maximum": 1,
                "description": "share of the water that was changed",
            },
            "done": {"type": "array", "items": {"type": "string", "enum": list(DONE)}},
            "time_ms": {"anyOf": [_MS, {"type": "null"}], "description": "when it was; left out: now"},
        },
    }


def _query(name: str, schema: dict[str, Any], required: bool = False) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": required, "schema": schema}


def _object(**properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "required": list(properties), "properties": properties}


def _list(items: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items}


def _ref(name: str) -> dict[str, Any]:
    return {"$ref": f"#/components/schemas/{name}"}
