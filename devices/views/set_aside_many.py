"""Dismissing many units set aside with one reason: those chosen on the page, or every one that its filter shows."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.db.models import Max
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.toasts import said
from company.views.forms_page import FORM, form_context
from devices.actions.set_aside import Dismissed, dismiss_many_set_aside
from devices.forms.sources import DismissManyForm
from devices.models import SetAside
from devices.querysets.set_aside import GROUP, newest_of_units
from devices.views.set_aside import SECTION, units_shown

EVERY = "every"
WAITING = ("open", "again")
N_NAMED = 8
"""Units named on the page before anything is done; of more the number is given."""


def _wanted(request: PersonRequest, asked: Any, keys: Iterable[str]) -> Any:
    """The newest waiting event of each unit that is meant: of the filter's, or of those chosen by one of their events."""
    show = asked.get("show", "") if asked.get("what") == EVERY else ""
    if show in WAITING:
        return units_shown(request, show, asked.get("q", "").strip()[:40])[1]
    chosen = [int(key) for key in keys if key.isascii() and key.isdigit() and len(key) < 19]
    every = SetAside.objects.visible_to(request.user)
    return newest_of_units(every, every.open().filter(pk__in=chosen))


def _name(one: SetAside) -> str:
    if one.serial or one.receiver is None:
        return one.serial or one.named or _("a receiver that is not named")
    return _("slot %(slot)s of %(receiver)s") % {"slot": one.slot or "–", "receiver": one.receiver}


def _names(units: Any) -> str:
    """The last heard of them by name, and how many more there are."""
    some = [_name(one) for one in units.select_related("receiver__site")[:N_NAMED]]
    n_more = units.count() - len(some)
    return ", ".join(some) + (ngettext(" and %(n)s more", " and %(n)s more", n_more) % {"n": n_more} if n_more else "")


def _told(done: Dismissed) -> str:
    text = ngettext("%(n)s unit is dismissed", "%(n)s units are dismissed", done.n_units) % {"n": done.n_units}
    events = ngettext("with %(n)s event.", "with %(n)s events.", done.n_events) % {"n": done.n_events}
    left = _("Left: %(n)s, whose events are being counted.") % {"n": done.n_left} if done.n_left else ""
    return f"{text} {events} {left}".strip()


@audience("office")
def set_aside_dismiss_many(request: PersonRequest) -> HttpResponse:
    """Say why nobody needs to look at these units."""
    is_posted = request.method == "POST"
    asked = request.POST if is_posted else request.GET
    keys = asked.get("units", "").split(",") if is_posted else asked.getlist("unit")
    units = _wanted(request, asked, keys)
    filters = {name: asked.get(name, "")[:40] for name in ("show", "q")}
    back = f"{reverse('devices:set_aside_list')}?{urlencode(filters)}"
    n_units = units.count()
    if not n_units:
        messages.error(request, _("Choose at least one unit that still waits."))
        return redirect(back)
    begun = filters | {
        "what": asked.get("what", ""), "units": ",".join(keys[:200]), "newest": units.aggregate(newest=Max("pk"))["newest"],
    }  # fmt: skip
    form = DismissManyForm(request.POST if is_posted else None, initial=begun)
    title = ngettext("Dismiss %(n)s unit", "Dismiss %(n)s units", n_units) % {"n": n_units}
    stay = _("The events stay on record, set aside. What is heard again stands under “Heard again”.")
    context = form_context(form, title, back, SECTION, button=_("Dismiss them"), lead=f"{_names(units)}. {stay}")
    if not is_posted:
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        done = dismiss_many_set_aside(
            units=list(units.order_by("unit", "pk").values_list(*GROUP)),
            newest_pk=form.cleaned_data["newest"], by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"],
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    said(request, _told(done), undo_url=reverse("company:change_undo", args=[done.change.pk]))
    return redirect(back)
