"""The OpenAPI description of the intake address: what the library writes, with our error type, headers and examples."""

from __future__ import annotations

import json
from typing import Any

from ninja import NinjaAPI

from company.programs import MEDIA_TYPE
from devices.api.schemas import BATCH_ID, TIME, Row

WHEN = {
    "200": "What was asked for.",
    "400": "No JSON, or broken off.",
    "401": "No token, an unknown one, or one that has ended.",
    "403": "The source is retired.",
    "404": "Not there, or not what this token speaks for: both are answered alike.",
    "405": "Another method.",
    "409": "Another batch came under this id. Nothing was taken.",
    "411": "The length of the body is not told.",
    "413": "Too big. Cut it into smaller batches.",
    "415": "No JSON by its head, or packed.",
    "422": "JSON, but not as described.",
    "429": "Too often.",
    "503": "The records cannot be reached just now. Nothing was taken; send it again.",
}
RETRY = {"Retry-After": {"description": "Seconds to wait.", "schema": {"type": "integer", "minimum": 1}}}
HEADERS: dict[str, dict[str, Any]] = {
    "401": {"WWW-Authenticate": {"schema": {"type": "string"}}},
    "405": {"Allow": {"schema": {"type": "string"}}},
    "429": RETRY,
    "503": RETRY,
}
EXAMPLE = {
    "batch": "gw7-000481",
    "receiver": "MAIN-1",
    "until": TIME,
    "rows": [
        {"serial": "4F-10273", "time": TIME, "kind": "check_in", "margin_db": 18.5, "battery_v": 2.94},
        {"serial": "4F-10273", "time": TIME, "kind": "low_battery"},
        {"time": TIME, "kind": "power_fault"},
    ],
}
ANSWER = {
    "batch": "gw7-000481", "received_at": TIME, "repeated": False, "rows": 3, "taken": 2,
    "refused": [], "set_aside": [{"row": 2, "serial": "4F-10273", "why": "This serial is not on record."}], "clamped": 0,
}  # fmt: skip


def described(api: NinjaAPI) -> dict[str, Any]:
    """The whole description as plain data."""
    # Through JSON once, so that it holds plain words and lists only, as a reader gets it.
    whole: dict[str, Any] = json.loads(json.dumps(api.get_openapi_schema(path_prefix="api/v1")))
    row = Row.model_json_schema(ref_template="#/components/schemas/{model}")
    whole["components"]["schemas"] |= row.pop("$defs") | {"Row": row}
    whole["components"]["schemas"]["Batch"]["properties"]["rows"]["items"] = {"$ref": "#/components/schemas/Row"}
    for path in whole["paths"].values():
        for operation in path.values():
            _mend(operation)
    post = whole["paths"]["/api/v1/checkins"]["post"]
    post["requestBody"]["content"]["application/json"]["example"] = EXAMPLE
    post["responses"]["200"]["description"] = "Taken, now or before."
    post["responses"]["200"]["content"]["application/json"]["example"] = ANSWER
    (batch,) = whole["paths"]["/api/v1/batches/{batch}"]["get"]["parameters"]
    batch["schema"]["pattern"] = BATCH_ID
    return whole


def _mend(operation: dict[str, Any]) -> None:
    """Give each answer its words, errors their type and their headers."""
    for status, answer in operation["responses"].items():
        answer["description"] = WHEN[status]
        if status in HEADERS:
            answer["headers"] = HEADERS[status]
        if status != "200":
            answer["content"] = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
