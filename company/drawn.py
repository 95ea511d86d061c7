"""What a form of the office was drawn from, so that nobody puts back unseen what somebody else has just changed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from django.db import models
from django.utils.translation import gettext

from company.errors import Refused

N_CHARS = 12
"""Of a seal: 48 bits tell two values of one field apart, and it guards nothing secret. Own choice."""

Drawn = Mapping[str, str]
"""Name of a value → seal of what it was when the form was drawn."""


class Overtaken(Refused):
    """Somebody else saved after the form was drawn. `names` are the values that differ now; `now` is what stands."""

    def __init__(self, names: list[str], now: Any) -> None:
        super().__init__(gettext("This was changed after you opened the form, so nothing was saved."))
        self.names, self.now = names, now


def seal(value: Any) -> str:
    """Stand for one value of a form."""
    return hashlib.sha256(str(value).encode()).hexdigest()[:N_CHARS]


def refuse_overtaken(drawn: Drawn | None, stored: models.Model | None, row: models.Model) -> None:
    """Refuse to save `row` over `stored`, the same row read under its lock, where that is not what the form was drawn from.

    What stands as it is about to be saved was not lost, as after a second press of the button. None as `drawn` asks for
    no check (imports, a new row). Raises Overtaken.
    """
    if drawn and stored:
        refuse_differing(drawn, {name: getattr(stored, name) for name in drawn}, vars(row), stored)


def refuse_differing(drawn: Drawn, now: Mapping[str, Any], mine: Mapping[str, Any], stands: Any) -> None:
    """Refuse where a value of `now` is neither what was drawn nor what is about to be saved. Raises Overtaken."""
    names = [
        name
        for name, then in drawn.items()
        if seal(now.get(name, "")) != then and now.get(name, "") != mine.get(name, "")
    ]
    if names:
        raise Overtaken(names, stands)
