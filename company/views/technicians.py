"""Pages of a technician's days: start and end, working hours, skills, days off."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from company.access import PersonRequest, audience
from company.actions import technicians as actions
from company.errors import Refused
from company.forms import HoursForm
from company.forms.technicians import DaysOffForm, TechnicianForm
from company.htmx import page, refused
from company.models import Technician, TechnicianDayOff, User
from company.views.forms_page import posted

DAY = "company/people/technician.html"


def _person(request: PersonRequest, pk: int) -> User:
    return get_object_or_404(User.objects.visible_to(request.user), pk=pk, audience=User.Audience.TECHNICIAN)


@audience("manager")
def technician_edit(request: PersonRequest, pk: int) -> HttpResponse:
    person = _person(request, pk)
    technician = Technician.objects.visible_to(request.user).filter(user=person).first() or Technician(user=person)
    shifts = technician.shifts.all() if technician.pk else ()
    form = TechnicianForm(posted(request), instance=technician)
    hours = HoursForm(posted(request), spans={s.weekday: (s.begins, s.ends) for s in shifts})
    context = _context(request, person) | {"form": form, "hours": hours}
    if request.method == "POST":
        if not (form.is_valid() & hours.is_valid()):
            return refused(request, DAY, context)
        actions.save_technician(
            technician=form.save(commit=False), hours=hours.spans(), by=request.user, at=timezone.now()
        )
        messages.success(request, _("Saved."))
        return redirect(person)
    return page(request, DAY, context)


def _context(request: PersonRequest, person: User) -> dict[str, Any]:
    rows = TechnicianDayOff.objects.visible_to(request.user).filter(technician__user=person, day__gte=_today())
    used = Technician.objects.visible_to(request.user).exclude(skills="").values_list("skills", flat=True)
    return {
        "person": person,
        "days_form": DaysOffForm(),
        "spans": spans_of(rows.order_by("day", "pk")),
        "skills": sorted({skill.strip() for line in used for skill in line.split(",") if skill.strip()}),
        "section": "firm",
    }


def _today() -> date:
    return timezone.localdate()


def spans_of(rows: Iterable[TechnicianDayOff]) -> list[dict[str, Any]]:
    """Days off as people say them: consecutive days of one reason are one span."""
    spans: list[dict[str, Any]] = []
    for row in rows:
        last = spans[-1] if spans else None
        if last and last["reason"] == row.reason and row.day == last["to_on"] + timedelta(days=1):
            last["to_on"] = row.day
            last["n_days"] += 1
        else:
            spans.append({"from_on": row.day, "to_on": row.day, "reason": row.reason, "n_days": 1})
    return spans


@audience("manager")
@require_POST
def days_off_add(request: PersonRequest, pk: int) -> HttpResponse:
    person = _person(request, pk)
    days = DaysOffForm(request.POST)
    if not days.is_valid():
        technician = Technician.objects.visible_to(request.user).filter(user=person).first() or Technician(user=person)
        shifts = technician.shifts.all() if technician.pk else ()
        context = _context(request, person) | {
            "form": TechnicianForm(instance=technician),
            "hours": HoursForm(spans={s.weekday: (s.begins, s.ends) for s in shifts}),
            "days_form": days,
        }
        return refused(request, DAY, context)
    n_added = actions.add_days_off(
        person=person, days=days.days(), reason=days.cleaned_data["reason"], by=request.user, at=timezone.now()
    )
    messages.success(request, ngettext("%(n)s day off added.", "%(n)s days off added.", n_added) % {"n": n_added})
    return redirect("company:technician_edit", person.pk)


@audience("manager")
@require_POST
def days_off_remove(request: PersonRequest, pk: int) -> HttpResponse:
    person = _person(request, pk)
    try:
        first, last = parse_date(request.POST.get("from_on", "")), parse_date(request.POST.get("to_on", ""))
    except ValueError:
        first = last = None
    try:
        if first is None or last is None:
            raise Refused(_("These are no days. Open the page again."))
        n_removed = actions.remove_days_off(
            person=person, from_on=first, to_on=last, by=request.user, at=timezone.now()
        )
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        done = ngettext("%(n)s day off removed.", "%(n)s days off removed.", n_removed)
        messages.success(request, done % {"n": n_removed})
    return redirect("company:technician_edit", person.pk)
