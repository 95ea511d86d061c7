"""Pages of the firm: where each person lands, health; settings, people, customers and jobs by topic."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from company.access import audience
from company.models import Firm
from company.views.changes import change_list, change_undo, change_undo_batch
from company.views.customers import (
    access_end,
    access_give,
    contact_edit,
    contact_new,
    contact_remove,
    customer_close,
    customer_detail,
    customer_edit,
    customer_list,
    customer_new,
)
from company.views.firm import firm_edit, firm_logo, policy_edit, settings_home
from company.views.jobs import job_detail, job_list, job_retry
from company.views.people import (
    person_edit,
    person_factor,
    person_invite,
    person_leave,
    person_list,
    person_new,
    person_return,
    person_sign_out,
    person_withdraw,
)
from company.views.profile import profile, session_end, session_list, sessions_end_others, theme_set
from company.views.technicians import days_off_add, days_off_remove, technician_edit

__all__ = [
    "access_end",
    "access_give",
    "change_list",
    "change_undo",
    "change_undo_batch",
    "contact_edit",
    "contact_new",
    "contact_remove",
    "customer_close",
    "customer_detail",
    "customer_edit",
    "customer_list",
    "customer_new",
    "days_off_add",
    "days_off_remove",
    "firm_edit",
    "firm_logo",
    "health",
    "home",
    "job_detail",
    "job_list",
    "job_retry",
    "person_edit",
    "person_factor",
    "person_invite",
    "person_leave",
    "person_list",
    "person_new",
    "person_return",
    "person_sign_out",
    "person_withdraw",
    "policy_edit",
    "profile",
    "session_end",
    "session_list",
    "sessions_end_others",
    "settings_home",
    "technician_edit",
    "theme_set",
]


@audience("office", "technician", "portal")
def home(request: HttpRequest) -> HttpResponse:
    """Send each person to where their day begins."""
    target = {
        "office": "maintenance:office_home",
        "technician": "maintenance:tech_today",
        "portal": "maintenance:portal_home",
    }[request.user.audience]  # type: ignore[union-attr]
    return redirect(target)


@audience("public")
def health(request: HttpRequest) -> HttpResponse:
    """For health checks: the web process answers and the database can be read."""
    Firm.objects.exists()
    return HttpResponse("ok\n", content_type="text/plain")
