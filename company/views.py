"""Pages of the firm: where each person lands, health, settings, people, customers, jobs."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect

from company.access import audience
from company.models import Firm


@audience("office", "technician", "portal")
def home(request: HttpRequest) -> HttpResponse:
    """Send each person to where their day begins."""
    target = {
        "office": "maintenance:due_list",
        "technician": "maintenance:tech_today",
        "portal": "maintenance:portal_home",
    }[request.user.audience]  # type: ignore[union-attr]
    return redirect(target)


@audience("public")
def health(request: HttpRequest) -> HttpResponse:
    """For health checks: the web process answers and the database can be read."""
    Firm.objects.exists()
    return HttpResponse("ok\n", content_type="text/plain")


@audience("office")
def stub(request: HttpRequest, **kwargs: object) -> HttpResponse:
    raise Http404


settings_home = firm_edit = policy_edit = person_list = person_new = person_edit = customer_list = stub
customer_new = customer_detail = customer_edit = job_list = job_detail = job_retry = stub
