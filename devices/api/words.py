"""What is wrong with a batch, in our own words: which field, and what is wanted there."""

from __future__ import annotations

from typing import Any

from devices.api.schemas import DOUBLED, NOTHING_SAID, TIME
from devices.rules.intake_json import shown_name
from devices.rules.intake_rows import MOST_ROWS, RECEIVER_CHARS

SITE_CHARS = 80

WANTED = {
    "body": "Send one JSON object with batch and rows.",
    "batch": (
        "Give the id of the batch as text: 1 to 80 letters, digits and . _ : ~ - of which the first is a letter or a digit."
    ),
    "receiver": f"Give the receiver as text, in quotes, of at most {RECEIVER_CHARS} characters, or leave it out.",
    "site": f"Give the site as text, in quotes, of at most {SITE_CHARS} characters, or leave it out.",
    "until": f"Give until as text, a time with its offset such as {TIME}, or leave it out.",
    "rows": f"Give rows as a list of at most {MOST_ROWS} objects, each with serial, time and kind.",
}
TOO_MANY = f"A batch has at most {MOST_ROWS} rows. Cut it into smaller ones, each with an id of its own."
UNKNOWN = "A batch has no such field. Look how it is spelt in the description, or take it out."
TWICE = "This field stands twice in the batch, and nobody can tell which one counts. Send it once."
NOTHING = "Send rows, or say with until that nothing was heard up to then."


def told(error: dict[str, Any]) -> dict[str, str]:
    """One finding of the library as field and sentence. What the value was is not repeated: it may be anything, and long."""
    where = [part for part in error["loc"] if part not in ("body", "data")]
    field, kind = (str(where[0]) if where else "body"), error["type"]
    if kind == DOUBLED:
        return {"field": str(error["ctx"]["name"]), "why": TWICE}
    if kind == "extra_forbidden":
        return {"field": shown_name(field), "why": UNKNOWN}
    if kind == NOTHING_SAID:
        return {"field": field, "why": NOTHING}
    if field == "rows" and kind == "too_long":
        return {"field": field, "why": TOO_MANY}
    return {"field": shown_name(field), "why": WANTED.get(field, WANTED["body"])}
