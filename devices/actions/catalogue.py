"""Bring the shipped catalogue into the database. Twice is once; a row that the office made is never touched."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from django.db import models, transaction
from django.utils.translation import gettext as _

from company.errors import Refused
from devices.models import BatteryType, ReceiverType, TransmitterType
from devices.models.catalogue import CatalogueRow, Origin
from devices.rules.catalogue_figures import impossible

FOLDER = Path(__file__).parents[1] / "catalogue"


class CatalogueRefused(Refused):
    """A shipped row holds a figure that cannot be."""


@dataclass(slots=True)
class Loaded:
    """What a load did: rows made, rows brought up to date, rows retired, rows left alone because they are the office's own."""

    n_new: int = 0
    n_changed: int = 0
    n_retired: int = 0
    n_own: int = 0
    own_codes: list[str] = field(default_factory=list)
    """Codes that a shipped row bears as well as one of the office's own: the own one stays, the shipped one waits outside."""


def shipped_rows(name: str) -> list[dict[str, Any]]:
    """Rows of one shipped file, such as "battery_type"."""
    rows: list[dict[str, Any]] = tomllib.loads((FOLDER / f"{name}s.toml").read_text(encoding="utf-8"))[name]
    return rows


@transaction.atomic
def load_catalogue(*, at: datetime) -> Loaded:
    """Insert and update the shipped types; retire shipped ones that are no longer in the files.

    Rows with origin "own" stay as they are, also where they bear the code of a shipped row. May be repeated.
    """
    done = Loaded()
    _load(BatteryType, shipped_rows("battery_type"), at, done)
    cells = dict(BatteryType.objects.values_list("code", "pk"))
    transmitters = [
        {**{k: v for k, v in row.items() if k != "battery_type"}, "battery_type_id": cells.get(row["battery_type"])}
        for row in shipped_rows("transmitter_type")
    ]
    _load(TransmitterType, transmitters, at, done)
    _load(ReceiverType, shipped_rows("receiver_type"), at, done)
    return done


def _load(model: type[CatalogueRow], rows: list[dict[str, Any]], at: datetime, done: Loaded) -> None:
    """Bring one table in line with its rows."""
    manager: models.Manager[Any] = model._default_manager
    have = {row.code: row for row in manager.all()}
    for fields in rows:
        wrong = impossible(fields)
        if wrong:
            said = "; ".join(f"{name}: {text}" for name, text in wrong.items())
            raise CatalogueRefused(
                _('The catalogue row "%(code)s" has figures that cannot be. %(said)s')
                % {"code": fields["code"], "said": said}
            )
        row = have.get(fields["code"])
        if row is None:
            manager.create(origin=Origin.SHIPPED, **fields)
            done.n_new += 1
        elif row.origin != Origin.SHIPPED:
            done.n_own += 1
            done.own_codes.append(fields["code"])
        else:
            wanted = fields | {"retired_at": None}
            changed = [name for name, value in wanted.items() if getattr(row, name) != value]
            if changed:
                for name in changed:
                    setattr(row, name, wanted[name])
                row.save(update_fields=changed)
                done.n_changed += 1
    gone = manager.filter(origin=Origin.SHIPPED, retired_at=None).exclude(code__in=[row["code"] for row in rows])
    done.n_retired += gone.update(retired_at=at)
