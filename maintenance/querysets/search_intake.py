"""What the search box finds of what comes in: serials that nobody knows, panels, sources. For the office, which has their pages."""

from __future__ import annotations

from functools import reduce
from operator import or_

from django.db.models import Count, Max
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from company.models import User
from devices.models import IntakeSource, PanelAccount, SetAside
from devices.querysets.set_aside import GROUP
from devices.rules.serials import serial_key
from devices.search_tables import fold
from maintenance.querysets.search_parts import Folded, Hit, holds, small


def set_aside(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """Units that wait under a serial, by any part of it; one hit a unit, however often it was heard, the last heard first.

    The index of what waits holds the serials as they are compared, so there is no table of parts beside it.
    """
    open_ones = SetAside.objects.visible_to(user).open().exclude(serial="").filter(unit__contains=serial_key(whole))
    groups = open_ones.order_by().values(*GROUP).annotate(newest=Max("pk"), n=Count("pk")).order_by("-newest")
    heard = dict(groups.values_list("newest", "n")[:n])
    rows = SetAside.objects.visible_to(user).filter(pk__in=heard).order_by("-pk")
    return [
        Hit(
            "set_aside", pk, serial, detail=", ".join(part for part in (site, receiver) if part) or _("nobody says where"),
            note=" · ".join(part for part in (customer, _n_heard(heard[pk])) if part), args=(pk,),
            is_exact=fold(serial) == whole,
        )
        for pk, serial, site, receiver, customer in rows.values_list(
            "pk", "serial", "receiver__site__name", "receiver__label", "customer__name"
        )
    ]  # fmt: skip


def _n_heard(n: int) -> str:
    return ngettext("heard once", "heard %(n)s times", n) % {"n": n}


def panels(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """By account number, or part of it; further words may name the site, which alone is no panel."""
    rows = PanelAccount.objects.visible_to(user).annotate(number_text=Folded("number"))
    rows = rows.filter(reduce(or_, (holds([word], "number_text") for word in words))).order_by("number", "pk")
    found = small(rows, ("number", "site__name", "site__code"), words, n)
    return [
        Hit("panel", pk, number, detail=site, note=customer, args=(pk,), is_past=closed_at is not None, until=closed_at,
            is_exact=fold(number) == whole)
        for pk, number, site, customer, closed_at in found.values_list(
            "pk", "number", "site__name", "customer__name", "closed_at"
        )
    ]  # fmt: skip


def sources(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """By name."""
    rows = small(IntakeSource.objects.visible_to(user).order_by("name", "pk"), ("name",), words, n)
    return [
        Hit("source", pk, name, detail=str(IntakeSource.Kind(kind).label), note=customer or _("the whole firm"), args=(pk,),
            is_past=not is_active, until=retired_at, is_exact=fold(name) == whole)
        for pk, name, kind, customer, is_active, retired_at in rows.values_list(
            "pk", "name", "kind", "customer__name", "is_active", "retired_at"
        )
    ]  # fmt: skip
