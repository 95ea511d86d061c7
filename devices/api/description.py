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
ABOUT = """\
Hand over check-ins and events of transmitters, exactly once.

**Once for each id.** Send each batch under an id of its own. A batch counts once for each id: where the answer is lost or is
429 or 5xx, wait, then send the same bytes again under the same id; never make a new id for a retry. The same events sent
under another id are another batch. For check-ins and faults that changes nothing, but an activation in it is counted again: a
gateway is believed that the button was pressed twice. (Only event logs that the office uploads as files are held against
what is there: they fill quarter hours that have no activation yet.)

**Rows stand for themselves.** A row that cannot be taken comes back in `refused` and holds up no other. Put it right and send it
in a new batch, alone, under a new id. A row is refused for its `time`, its `kind`, or where nobody can tell whose it is. A figure,
a note, or a slot beside a serial that is no good is left out, and the row is taken without it: `left_out` says which, and it
need not be sent again. A name that stands twice in an object is refused, in the batch or in the row.

**Errors** are `application/problem+json` (RFC 9457), whatever the method and the address under /api/. What is no proper HTTP
is turned away by the server in front before it comes to us, in a few plain words, and nothing is taken: 400 for a request
line, a header, a `Content-Length` or a body in chunks that cannot be read, 413 for a body of 40,000,000 bytes or more (it then
hangs up at once, so that a sender may see no answer at all), 431 for a request line and headers of 65,536 bytes or more, 501
for a `Transfer-Encoding` other than chunked; a proxy before it may add 502 and 504. Go by the status there: 4xx and 501 are to
be put right, other 5xx to be sent again. A connection on which nothing comes for 30 seconds is closed.
"""
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
    "ignored": [], "left_out": [],
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
