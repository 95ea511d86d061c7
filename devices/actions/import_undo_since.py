"""What was done since an import on its records, and on what rests on them: that stands in the way of taking it back."""

from __future__ import annotations

from typing import Any

from django.db.models import Exists, OuterRef
from django.utils import timezone
from django.utils.translation import gettext as _

from company.change_words import deed_words
from company.manner import day_said
from company.models import ChangeRow, Upload
from devices.actions.import_book import chunks
from devices.models import Fitting, PlannedChange, Receiver, Registration

SHOWN = 20
"""At most this many things that stand in the way are named."""


def of_import(upload: Upload) -> Any:
    """Change rows that an import wrote."""
    return ChangeRow.objects.filter(batch=upload.uuid, undoes=None)


def changes_since(upload: Upload) -> list[ChangeRow]:
    """Later changes, by anybody, of records that the import wrote or of what rests on those; at most `SHOWN`, newest first:
    in that order they can be taken back.
    """
    mine = of_import(upload)
    first = mine.order_by("pk").values_list("pk", flat=True).first()
    # An area that somebody has worked on since stays, and keeps nothing else from being taken back.
    same = mine.exclude(subject_kind="area").filter(
        subject_kind=OuterRef("subject_kind"), subject_id=OuterRef("subject_id")
    )
    later = ChangeRow.objects.filter(pk__gt=first or 0, undoes=None, undone_by=None).exclude(batch=upload.uuid)
    later = later.select_related("by").order_by("-pk")
    found = {row.pk: row for row in later.filter(Exists(same.order_by()))[:SHOWN]}
    for kind, keys in _resting_on(mine).items():
        for some in chunks(sorted(keys)):
            found |= {row.pk: row for row in later.filter(subject_kind=kind, subject_id__in=some)[:SHOWN]}
    return sorted(found.values(), key=lambda row: -row.pk)[:SHOWN]


def _resting_on(mine: Any) -> dict[str, set[int]]:
    """Kind and keys of what came to rest on the records of an import: what took a registration's place, cells and places
    of transmitters that it made, plans for its slots, receivers in the place of its own.
    """

    def keys(kind: str, **more: Any) -> Any:
        return mine.filter(subject_kind=kind, **more).order_by().values("subject_id")

    made = keys("transmitter", before__isnull=True)
    places = set(Registration.objects.filter(replaces__in=keys("registration")).values_list("pk", flat=True))
    theirs = Registration.objects.filter(transmitter__in=made)
    places |= set(theirs.exclude(pk__in=keys("registration")).values_list("pk", flat=True))
    newest = places
    while newest:
        after = (Registration.objects.filter(replaces__in=some) for some in chunks(sorted(newest)))
        newest = {pk for rows in after for pk in rows.values_list("pk", flat=True)} - places
        places |= newest
    plans = PlannedChange.objects.filter(registration__in=keys("registration"))
    cells = Fitting.objects.filter(transmitter__in=made).exclude(pk__in=keys("fitting"))
    return {
        "registration": places,
        "fitting": set(cells.values_list("pk", flat=True)),
        "plannedchange": set(plans.values_list("pk", flat=True)),
        "receiver": set(Receiver.objects.filter(replaces__in=keys("receiver")).values_list("pk", flat=True)),
    }


def say_change(row: ChangeRow) -> str:
    """Say who changed what, for a person who wants to take an import back."""
    who = row.by.name if row.by else _("the program")
    return _("%(record)s: %(deed)s by %(who)s on %(day)s") % {
        "record": row.subject_text, "deed": deed_words(row.verb), "who": who, "day": day_said(timezone.localdate(row.at)),
    }  # fmt: skip
