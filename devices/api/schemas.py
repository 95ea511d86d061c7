"""Shapes of what goes in and out of the intake address, as its description shows them.

Rows are described, yet not checked here: `devices.rules.intake_rows` reads each by itself, so that a bad one holds up no other.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator
from pydantic_core import PydanticCustomError

from devices.rules.events import EventKind
from devices.rules.intake_json import Doubled
from devices.rules.intake_rows import (
    BATTERY_V,
    MARGIN_DB,
    MOST_IGNORED,
    MOST_LEFT_OUT,
    MOST_ROWS,
    NOTE_CHARS,
    RECEIVER_CHARS,
    SERIAL_CHARS,
    SLOTS,
)

BATCH_ID = r"^[A-Za-z0-9][A-Za-z0-9._:~-]{0,79}$"
TIME = "2026-03-01T08:15:00Z"
DOUBLED, NOTHING_SAID = "doubled", "nothing_said"
"""Kinds of error beside the library's own; `devices.api.words` says them."""


class Row(BaseModel):
    """One event of a transmitter, or of the receiver itself.

    Fields that do not stand here are not read: the row is taken, and the answer lists their names in `ignored`. Refusing it
    would make a transmitter look silent only because its sender has learnt to say more. For the same reason a value of
    `margin_db`, `battery_v` or `note`, or of `slot` beside a serial, that is not as described costs that value only: the row
    is taken without it, and the answer names it in `left_out`.
    """

    time: str = Field(description="When it happened: ISO 8601 with an offset.", examples=[TIME])
    kind: EventKind = Field(description="What happened. Capitals, blanks and hyphens are forgiven.")
    serial: str | None = Field(
        None, max_length=SERIAL_CHARS, description="Of the transmitter, as text.", examples=["4F-10273"]
    )
    receiver: str | None = Field(
        None, max_length=RECEIVER_CHARS,
        description=(
            "Code, label or serial; empty: the one of the batch. Where the token does not speak for a receiver of this name, "
            "or there is none, a row with a serial is refused, and one without is kept in set_aside."
        ),
    )  # fmt: skip
    slot: int | None = Field(None, ge=1, le=SLOTS, description="Slot of the receiver, where the serial is not known.")
    margin_db: float | None = Field(None, ge=MARGIN_DB[0], le=MARGIN_DB[1], description="Signal margin [dB].")
    battery_v: float | None = Field(None, ge=BATTERY_V[0], le=BATTERY_V[1], description="Volts of the cells [V].")
    note: str | None = Field(None, description=f"A word of the sender; cut after {NOTE_CHARS} characters.")


class Batch(BaseModel):
    """Events handed over in one go, under an id that the sender chooses and never uses for anything else."""

    model_config = ConfigDict(extra="forbid")

    batch: str = Field(
        pattern=BATCH_ID,
        description="Id of the batch, at most 80 letters, digits and . _ : ~ -",
        examples=["gw7-000481"],
    )
    receiver: str | None = Field(
        None, max_length=RECEIVER_CHARS,
        description=(
            "Code, label or serial of the receiver that heard it all. A token that speaks for several sites must name the "
            "receiver or the site of the batch, or the receiver in each row; one that speaks for one site need not."
        ),
    )  # fmt: skip
    site: str | None = Field(
        None, max_length=80, description="Code of the site, where several of its receivers heard it."
    )
    until: str | None = Field(
        None,
        description=(
            "Everything that happened up to then is delivered; silence is judged up to there. Without it, up to the last "
            "check-in of the batch."
        ),
        examples=[TIME],
    )  # fmt: skip
    rows: Annotated[
        list[Any],
        Field(max_length=MOST_ROWS, description="May be empty where `until` says that nothing was heard up to then."),
    ]

    @model_validator(mode="before")
    @classmethod
    def says_nothing_twice(cls, data: Any) -> Any:
        """A name that stands twice: the sender meant one value, and we cannot know which."""
        if isinstance(data, Doubled):
            raise PydanticCustomError(DOUBLED, "{name} stands twice", {"name": data.twice})
        return data

    @field_validator("rows")
    @classmethod
    def says_something(cls, rows: list[Any], read: ValidationInfo) -> list[Any]:
        """A gateway that hears nothing must still be able to say so: silence is judged up to what was delivered."""
        if not rows and not read.data.get("until"):
            raise PydanticCustomError(NOTHING_SAID, "neither rows nor until")
        return rows


class RefusedRow(BaseModel):
    row: int = Field(description="Place in the batch, from 1.")
    field: str
    why: str = Field(description="What to do about it.")


class LeftOutValue(BaseModel):
    row: int = Field(description="Place in the batch, from 1. The row was taken, or is kept in `set_aside`.")
    field: str = Field(description="What of the row was not read.")
    why: str = Field(description="What to do about it, for the next batches.")


class SetAsideRow(BaseModel):
    row: int
    serial: str
    why: str


class Answer(BaseModel):
    """What became of a batch."""

    batch: str
    received_at: str
    repeated: bool = Field(description="It had come before with the same content; nothing was counted twice.")
    rows: int
    taken: int
    refused: list[RefusedRow]
    set_aside: list[SetAsideRow] = Field(
        description="Kept, but of a transmitter that is not on record: the office looks."
    )
    clamped: int = Field(description="Times that were ahead of our clock and were cut to it.")
    ignored: list[str] = Field(
        description=f"Names of fields in rows that are not described here and were not read; at most {MOST_IGNORED}."
    )
    left_out: list[LeftOutValue] = Field(
        description=f"Values that are not as described, of rows that were taken without them; the first {MOST_LEFT_OUT}."
    )


class Limits(BaseModel):
    rows: int
    bytes: int
    batches_a_minute: int


class Token(BaseModel):
    ends_in: str
    former_until: str | None = Field(description="The former token is taken until then.")


class Source(BaseModel):
    """Who the token speaks for."""

    name: str
    customer: str = Field(description="Code of the customer.")
    site: str | None = Field(description="Code of the site, where it speaks for one only.")
    watermark_at: str | None = Field(description="Everything up to then counts as delivered.")
    now: str = Field(description="Our clock.")
    token: Token
    limits: Limits


class FieldError(BaseModel):
    field: str
    why: str


class Problem(BaseModel):
    """An error (RFC 9457)."""

    type: Literal["about:blank"]
    title: str
    status: int
    detail: str
    errors: list[FieldError] | None = None
