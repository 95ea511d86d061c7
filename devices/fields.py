"""A day as PostgreSQL `date`, and as whole days since 2000-01-01 on SQLite, whose STRICT tables know no date type."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.db import models

EPOCH = date(2000, 1, 1)


def day_number(day: date) -> int:
    """Days since 2000-01-01."""
    return (day - EPOCH).days


def day_of(number: int) -> date:
    """Date of a day number."""
    return EPOCH + timedelta(days=int(number))


class DayField(models.DateField):
    """Date kept as an integer on SQLite."""

    def get_internal_type(self) -> str:
        # Under its parent's name SQLite's own converter would run first and take the whole number for ISO text.
        return "DayField"

    def db_type(self, connection: Any) -> str | None:
        return "integer" if connection.vendor == "sqlite" else "date"

    def get_db_prep_value(self, value: Any, connection: Any, prepared: bool = False) -> Any:
        if connection.vendor != "sqlite" or value is None or isinstance(value, int):
            return super().get_db_prep_value(value, connection, prepared) if connection.vendor != "sqlite" else value
        return day_number(self.to_python(value))

    def from_db_value(self, value: Any, expression: Any, connection: Any) -> date | None:
        return day_of(value) if isinstance(value, int) else value
