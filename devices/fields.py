"""Fields of our own.

A day as PostgreSQL `date`, and as whole days since 2000-01-01 on SQLite, whose STRICT tables know no date type; and a
number that is drawn when a row is made and that the database alone changes.
"""

from __future__ import annotations

import secrets
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


class StampField(models.BigIntegerField):
    """A number drawn at random when a row is made, and changed by the database alone: saving a row leaves it as it is there."""

    def pre_save(self, model_instance: models.Model, add: bool) -> Any:
        if not add:
            # Not what this row was read with: it may have changed since, and an old one must never come back.
            return models.F(self.attname)
        return getattr(model_instance, self.attname)

    def get_db_prep_save(self, value: Any, connection: Any) -> Any:
        # Whatever number somebody writes, as a fixture does: it stood for something else.
        return value if hasattr(value, "resolve_expression") else secrets.randbits(53)
