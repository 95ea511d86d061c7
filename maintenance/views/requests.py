"""Customers' requests: the customer's side in the portal, the office's side beside it."""

from __future__ import annotations

from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods, require_safe

from company.access import audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import page_of
from maintenance.actions.requests import answer_request, move_request, open_request
from maintenance.models import Request, RequestMessage
from sites.models import Site

ANSWERS = (("unanswered", gettext_lazy("Open, without an answer")), ("answered", gettext_lazy("Open, answered")))
"""What the office asks of open requests beside their state."""


def _requests(request: HttpRequest) -> Any:
    return Request.objects.visible_to(request.user).for_list()


def _thread(request: HttpRequest, asked: Request) -> Any:
    rows = RequestMessage.objects.visible_to(request.user).filter(request=asked)
    return rows.select_related("by").defer("photo").order_by("at", "pk")


@audience("portal")
@require_safe
def portal_request_list(request: HttpRequest) -> HttpResponse:
    sites = Site.objects.visible_to(request.user).current().order_by("name", "pk")
    context = {"page": page_of(_requests(request), request), "sites": sites, "section": "sites"}
    return page(request, "maintenance/portal/requests.html", context)


def _form_key(request: HttpRequest, site: Site) -> UUID:
    """Key of the next request of this person at this site: the same until one is sent, and nobody can guess it."""
    n_sent = _requests(request).filter(by=request.user, site=site).count()
    digest = salted_hmac("maintenance.request", f"{request.user.pk}:{site.pk}:{n_sent}").hexdigest()
    return UUID(hex=digest[:32])


@audience("portal")
@require_http_methods(["GET", "HEAD", "POST"])
def portal_request_new(request: HttpRequest, uuid: UUID) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user).current(), uuid=uuid)
    template = "maintenance/portal/request_new.html"
    context: dict[str, Any] = {"site": site, "key": _form_key(request, site), "section": "sites"}
    if request.method != "POST":
        return page(request, template, context)
    title, text = request.POST.get("title", ""), request.POST.get("text", "")
    try:
        key = UUID(request.POST.get("key", ""))
    except ValueError:
        key = uuid4()
    try:
        asked = open_request(site=site, title=title, text=text, uuid=key, by=request.user, at=timezone.now())  # type: ignore[arg-type]
    except Refused as refusal:
        return refused(request, template, context | {"error": refusal.message, "typed_title": title, "text": text})
    messages.success(request, _("Your request is with the firm."))
    return redirect("maintenance:portal_request", asked.uuid)


@audience("portal")
@require_http_methods(["GET", "HEAD", "POST"])
def portal_request(request: HttpRequest, uuid: UUID) -> HttpResponse:
    asked = get_object_or_404(_requests(request), uuid=uuid)
    template = "maintenance/portal/request.html"
    context = {"asked": asked, "thread": _thread(request, asked), "section": "sites"}
    if request.method != "POST":
        return page(request, template, context)
    text = request.POST.get("text", "")
    try:
        answer_request(request=asked, text=text, by=request.user, at=timezone.now())  # type: ignore[arg-type]
    except Refused as refusal:
        return refused(request, template, context | {"error": refusal.message, "text": text})
    return redirect("maintenance:portal_request", asked.uuid)


@audience("office")
@require_safe
def request_list(request: HttpRequest) -> HttpResponse:
    state = request.GET.get("state", "")
    rows = _requests(request)
    if state in dict(ANSWERS):
        rows = rows.open_and(answered=state == "answered")
    else:
        rows = rows.filter(state=state) if state in Request.State.values else rows.exclude(state="done")
    states = [*ANSWERS, *Request.State.choices]
    context = {"page": page_of(rows, request), "state": state, "states": states}
    return page(request, "maintenance/requests/list.html", context)


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def request_detail(request: HttpRequest, pk: int) -> HttpResponse:
    asked = get_object_or_404(_requests(request), pk=pk)
    template = "maintenance/requests/detail.html"
    context = {"asked": asked, "thread": _thread(request, asked), "states": Request.State.choices}
    if request.method != "POST":
        return page(request, template, context)
    text, state = request.POST.get("text", ""), request.POST.get("state", "")
    by, at = request.user, timezone.now()
    try:
        if text.strip():
            answer_request(request=asked, text=text, by=by, at=at)  # type: ignore[arg-type]
        if state and state != asked.state:
            move_request(request=asked, state=state, by=by, at=at)  # type: ignore[arg-type]
    except Refused as refusal:
        return refused(request, template, context | {"error": refusal.message, "text": text})
    return redirect("maintenance:request_detail", asked.pk)
