"""Finding units by their serial as `devices.rules.serials` compares it."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet, Value
from django.db.models.functions import Lower, Replace

from devices.rules.serials import serial_key

_PARTINGS = " -\u2010\u2011\u2012\u2013\u2014\u2212"


def looking_like(rows: QuerySet[Any], serial: str) -> QuerySet[Any]:
    """Rows whose serial differs only in capitals, blanks or hyphens. Reads them all: for one serial, not for many."""
    key: Any = Lower("serial")
    for parting in _PARTINGS:
        key = Replace(key, Value(parting), Value(""))
    return rows.annotate(serial_as_key=key).filter(serial_as_key=serial_key(serial))
