"""One change for many slots of a receiver or of a site: choose, look at what becomes of each, save."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.toasts import said
from devices.actions import bulk as actions
from devices.actions.bulk_turn import with_settings
from devices.actions.ledger import StaleSlotMap
from devices.actions.plans_wish import plain
from devices.forms.bulk import BulkForm
from devices.forms.swaps import versions_of
from devices.models import Output, Receiver, Registration
from devices.rules.plans import compare, words_of
from devices.rules.words import DUTY_WORDS
from devices.views.receivers import frame, receiver_for
from sites.models import Site

PAGE = "devices/bulk/page.html"
PREVIEW = "devices/bulk/preview.html"


@audience("office")
def receiver_bulk(request: PersonRequest, pk: int) -> HttpResponse:
    """Slots of one receiver."""
    receiver = receiver_for(request, pk)
    about = {"receiver": receiver, "site": receiver.site, "back": receiver.get_absolute_url(), "lead": str(receiver)}
    return _bulk(request, [receiver], about)


@audience("office")
def site_bulk(request: PersonRequest, site_pk: int) -> HttpResponse:
    """Slots of all receivers of one site."""
    site = get_object_or_404(Site.objects.visible_to(request.user), pk=site_pk)
    receivers = Receiver.objects.visible_to(request.user).open().filter(site=site)
    rows = list(receivers.select_related("type", "site", "customer").order_by("label", "pk"))
    return _bulk(request, rows, {"site": site, "back": site.get_absolute_url(), "lead": site.name})


def _bulk(request: PersonRequest, receivers: list[Receiver], about: dict[str, Any]) -> HttpResponse:
    rows = with_settings(Registration.objects.visible_to(request.user).open().filter(receiver__in=receivers))
    outputs = list(Output.objects.visible_to(request.user).filter(receiver__in=receivers).order_by("number"))
    versions = ",".join(f"{row.pk}:{row.version}" for row in receivers)
    data = request.POST if request.method == "POST" else None
    form = BulkForm(data, receivers=receivers, outputs=outputs, initial={"versions": versions})
    asked = {int(one) for one in request.POST.getlist("slots") if one.isdecimal() and len(one) < 19}
    picks = _picks(rows)
    pick = request.GET.get("pick", "")
    chosen = asked if request.method == "POST" else {row.pk for row in picks.get(pick, ("", []))[1]}
    context = frame(request) | about | {
        "form": form, "rows": rows, "chosen": chosen, "title": _("Change many slots"), "pick": pick,
        "picks": [(code, words, len(found)) for code, (words, found) in picks.items()],
        "many": len(receivers) > 1,
    }  # fmt: skip
    if request.method != "POST":
        return page(request, PAGE, context)
    if not form.is_valid() or request.POST.get("step") == "back":
        return refused(request, PAGE, context) if not form.is_valid() else page(request, PAGE, context)
    mine = [row for row in rows if row.pk in chosen]
    if not mine or len(mine) != len(asked):
        text = (
            _("Choose at least one slot.")
            if not asked
            else _("Some of these slots were changed meanwhile. Choose again.")
        )
        return refused(request, PAGE, context | {"refused": text})
    return (
        _apply(request, mine, form, context)
        if request.POST.get("step") == "save"
        else _preview(request, mine, form, context)
    )


def _preview(request: PersonRequest, rows: list[Registration], form: BulkForm, context: dict[str, Any]) -> HttpResponse:
    return page(request, PREVIEW, context | _shown(rows, form))


def _shown(rows: list[Registration], form: BulkForm) -> dict[str, Any]:
    found = actions.preview(rows, form.wish())
    shown = [
        {
            "one": one,
            "lines": [
                line for line in compare(words_of(plain(one.after)), words_of(plain(one.before))) if line.differs
            ],
        }
        for one in found
    ]
    return {
        "shown": shown,
        "n_changed": sum(1 for one in found if one.changed and not one.refusals),
        "n_refused": sum(1 for one in found if one.refusals),
        "n_again": sum(1 for one in found if one.again and one.changed),
        "fields": [(name, form.data.get(name, "")) for name in form.fields],
    }


def _apply(request: PersonRequest, rows: list[Registration], form: BulkForm, context: dict[str, Any]) -> HttpResponse:
    try:
        log = actions.change_slots(
            registrations=rows, wish=form.wish(), by=request.user, at=timezone.now(),
            reason=form.cleaned_data["reason"], seen_versions=versions_of(form.cleaned_data["versions"]),
        )  # fmt: skip
    except Refused as why:
        context |= {
            "refused": str(why),
            "changes": getattr(why, "changes", None),
            "is_stale": isinstance(why, StaleSlotMap),
        }
        return refused(request, PREVIEW, context | _shown(rows, form))
    url = reverse("company:change_undo", args=[log[0].pk]) if log else ""
    done = ngettext("%(n)s slot changed.", "%(n)s slots changed.", len(log)) % {"n": len(log)}
    said(request, done, undo_url=url)
    return redirect(context["back"])


def _picks(rows: list[Registration]) -> dict[str, tuple[str, list[Registration]]]:
    """Ready choices: all, each duty class, each kind of transmitter, those that leave the site."""
    found: dict[str, tuple[str, list[Registration]]] = {"all": ("all", rows)}
    for code, words in DUTY_WORDS.items():
        found[code] = (f"all {words}", [row for row in rows if row.duty == code])
    for row in rows:
        if row.transmitter is not None and row.transmitter.type is not None:
            kind = row.transmitter.type
            found.setdefault(f"type-{kind.pk}", (f"all “{kind.label}”", []))[1].append(row)
    found["portable"] = ("all that leave the site", [row for row in rows if row.is_portable])
    found["again"] = ("all to register again", [row for row in rows if row.register_again_since is not None])
    return {code: pick for code, pick in found.items() if pick[1]}
