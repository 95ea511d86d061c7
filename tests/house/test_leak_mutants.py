"""The leak checker finds what it is for: each planted fault is found by the very function that judges the product.

A fault is a small view at an address of its own, or a scope taken away from a queryset. Each names the kind of finding
that must come out, so that one fault is not found by accident of another.
"""

from __future__ import annotations

import csv
import types
from collections.abc import Callable
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.core.mail import send_mail
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseForbidden, HttpResponseRedirect, JsonResponse
from django.shortcuts import get_object_or_404
from django.test import override_settings
from django.urls import include, path
from django.utils.html import escape

from company.access import audience
from company.models import Customer, PortalAccess, User
from company.querysets import CustomerScoped, StaffOnly
from devices.models import Receiver, Registration, Transmitter
from maintenance.models import IssuedReport, Request, Visit
from sites.models import AccessNote, Hazard, Site
from tests.house import leaks, planting, technician_leaks

pytestmark = pytest.mark.django_db


@pytest.fixture
def garden(db: Any) -> Any:
    with time_machine.travel(planting.NOW, tick=False):
        yield planting.plant()


def page(*texts: object, title: str = "A page", status: int = 200) -> HttpResponse:
    body = "".join(f"<p>{escape(str(text))}</p>" for text in texts)
    return HttpResponse(f"<!doctype html><title>{escape(title)}</title>{body}", status=status)


def mine(request: HttpRequest) -> Any:
    return Site.objects.visible_to(request.user)


# ------------------------------------------------------------------------------------------------ the faults

Fault = tuple[str, Callable[..., HttpResponse], str, str]
FAULTS: dict[str, Fault] = {}


def fault(address: str, finds: str, viewer: str = "own", who: tuple[str, ...] = ("portal",)) -> Callable[[Any], Any]:
    """Register a faulty view, what must be found, and by whom."""

    def register(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
        FAULTS[view.__name__] = (address, audience(*who)(view), finds, viewer)
        return view

    return register


@fault("m/<int:pk>/", "answers an address of others")
def unscoped_detail(request: HttpRequest, pk: int) -> HttpResponse:
    return page(get_object_or_404(Site, pk=pk).created_at)


@fault("m/<uuid:uuid>/", "shows sites.Site.name")
def unscoped_detail_by_uuid(request: HttpRequest, uuid: Any) -> HttpResponse:
    return page(get_object_or_404(Site, uuid=uuid))


@fault("m/", "changes when only others' records change")
def unscoped_count_in_a_list(request: HttpRequest) -> HttpResponse:
    return page(*mine(request), f"{Receiver.objects.count()} receivers")


@fault("m/", "changes when only others' records change")
def a_hint_that_something_exists(request: HttpRequest) -> HttpResponse:
    return page(*mine(request), "busy" if Registration.objects.count() > 3 else "quiet")


@fault("m/<int:site_pk>/<int:pk>/", "answers an address of others")
def scoped_parent_with_a_foreign_child(request: HttpRequest, site_pk: int, pk: int) -> HttpResponse:
    get_object_or_404(mine(request), pk=site_pk)
    return page(get_object_or_404(Receiver, pk=pk).version)


@fault("m/<uuid:uuid>/file.pdf", "shows maintenance.IssuedReport.content")
def file_download_without_scope(request: HttpRequest, uuid: Any) -> HttpResponse:
    report = get_object_or_404(IssuedReport, uuid=uuid)
    return HttpResponse(bytes(report.content), content_type="application/pdf")


@fault("m/<int:customer_pk>/", "answers an address of others", "revoked")
def portal_page_by_key_of_another_customer(request: HttpRequest, customer_pk: int) -> HttpResponse:
    return page(*Site.objects.filter(customer_id=customer_pk))


@fault("m/", "shows sites.Site.name")
def cache_key_without_the_customer(request: HttpRequest) -> HttpResponse:
    return page(cache.get_or_set("portal-page", lambda: "; ".join(map(str, mine(request))), 600))


@fault("m/map.pdf", "shows sites.Site.name")
def pdf_without_scope(request: HttpRequest) -> HttpResponse:
    from weasyprint import HTML

    rows = "".join(f"<p>{escape(site.name)}</p>" for site in Site.objects.all())
    return HttpResponse(HTML(string=rows).write_pdf(), content_type="application/pdf")


@fault("m/rows.csv", "shows devices.Transmitter.serial")
def csv_export_without_scope(request: HttpRequest) -> HttpResponse:
    response = HttpResponse(content_type="text/csv")
    csv.writer(response).writerows([row.serial] for row in Transmitter.objects.all())
    return response


@fault("m/rows.json", "shows sites.Hazard.text")
def json_without_scope(request: HttpRequest) -> HttpResponse:
    return JsonResponse({"rows": list(Hazard.objects.values_list("text", flat=True))})


@fault("m/", "shows sites.Site.name")
def form_choices_without_scope(request: HttpRequest) -> HttpResponse:
    options = "".join(f'<option value="{site.pk}">{escape(site.name)}</option>' for site in Site.objects.all())
    return HttpResponse(f'<form method="post"><select name="site">{options}</select></form>')


@fault("m/", "shows sites.Site.name")
def title_with_a_name_of_others(request: HttpRequest) -> HttpResponse:
    return page(*mine(request), title=f"After {Site.objects.order_by('-pk')[0].name}")


@fault("m/", "shows devices.Transmitter.serial")
def search_without_scope(request: HttpRequest) -> HttpResponse:
    words = request.GET.get("q", "")
    return page(words, *(Transmitter.objects.filter(serial__istartswith=words) if words else ()))


@fault("m/", "shows sites.Site.name")
def filter_by_a_key_without_scope(request: HttpRequest) -> HttpResponse:
    key = request.GET.get("site", "")
    return page(*(Site.objects.filter(pk=key) if key.isdigit() else ()))


@fault("m/", "shows sites.Site.name")
def filter_by_whatever_key_comes(request: HttpRequest) -> HttpResponse:
    keys = [value for value in request.GET.values() if value.isdigit()]
    return page(*Site.objects.filter(pk__in=keys))


@fault("m/", "shows sites.Site.name")
def filter_by_a_key_under_a_name_that_nobody_guesses(request: HttpRequest) -> HttpResponse:
    key = request.GET.get("whereabouts", "")
    return page(*(Site.objects.filter(pk=key) if key.isdigit() else ()))


@fault("m/rows.csv", "shows devices.Transmitter.serial")
def an_export_filtered_by_a_key_without_scope(request: HttpRequest) -> HttpResponse:
    response = HttpResponse(content_type="text/csv")
    key = request.GET.get("receiver", "")
    rows = Transmitter.objects.filter(registrations__receiver_id=key) if key.isdigit() else ()
    csv.writer(response).writerows([row.serial] for row in rows)
    return response


@fault("m/", "shows", "anonymous", who=("public",))
def a_page_that_forgot_its_audience(request: HttpRequest) -> HttpResponse:
    return page(*Customer.objects.all())


@fault("m/<int:pk>/", "answers an address of others")
def forbidden_instead_of_not_there(request: HttpRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site, pk=pk)
    return page(site) if site in mine(request) else HttpResponseForbidden("Not yours.")


@fault("m/<int:pk>/", "tells that a record of others exists")
def another_sentence_for_what_is_not_yours(request: HttpRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site, pk=pk)
    return page(site) if site in mine(request) else page("Ask the office for access to this site.", status=404)


@fault("m/<slug:code>/", "answers an address of others", "anonymous", who=("public",))
def a_printed_code_that_tells_what_exists(request: HttpRequest, code: str) -> HttpResponse:
    return HttpResponseRedirect(get_object_or_404(Receiver, code=code).get_absolute_url())


@fault("m/", "changes maintenance.Request of others")
def a_form_that_takes_any_key(request: HttpRequest) -> HttpResponse:
    if request.method == "POST" and request.POST.get("site", "").isdigit():
        site = get_object_or_404(Site, pk=request.POST["site"])
        Request.objects.create(customer=site.customer, site=site, by=request.user, title="Please come")
        return HttpResponseRedirect("/portal/")
    options = "".join(f'<option value="{site.pk}">x</option>' for site in mine(request))
    return HttpResponse(f'<form method="post"><select name="site">{options}</select></form>')


@fault("m/<int:pk>/", "answers an address of others")
def one_method_forgotten(request: HttpRequest, pk: int) -> HttpResponse:
    if request.method == "DELETE":
        Visit.objects.filter(pk=pk).update(remark="")
        return HttpResponse(status=204)
    return page(get_object_or_404(Visit.objects.visible_to(request.user), pk=pk).planned_on)


@fault("m/", "mails sites.Site.name")
def a_mail_that_names_others(request: HttpRequest) -> HttpResponse:
    if request.method == "POST":
        names = ", ".join(site.name for site in Site.objects.all())
        send_mail("Your request", f"We come to {names}.", None, [request.user.email])  # type: ignore[union-attr]
        return HttpResponseRedirect("/portal/")
    return page(*mine(request))


@fault("m/", "shows sites.Site.name")
def a_name_in_a_header(request: HttpRequest) -> HttpResponse:
    response = page(*mine(request))
    response["Content-Disposition"] = f'inline; filename="{Site.objects.order_by("-pk")[0].name}.html"'
    return response


@fault("m/", "shows sites.AccessNote.title")
def an_access_note_in_the_portal(request: HttpRequest) -> HttpResponse:
    return page(*AccessNote.objects.filter(site__in=mine(request)))


@fault("m/", "shows sites.Site.name", "limited")
def the_whole_customer_for_a_limited_user(request: HttpRequest) -> HttpResponse:
    customers = PortalAccess.objects.filter(user=request.user).values("customer")
    return page(*Site.objects.filter(customer__in=customers))


@fault("m/", "shows sites.Site.name")
def a_fragment_without_scope(request: HttpRequest) -> HttpResponse:
    return page(*(Site.objects.all() if request.headers.get("HX-Request") else mine(request)))


@fault("m/<int:pk>/", "shows sites.Site.name")
def an_error_page_that_names_the_record(request: HttpRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site, pk=pk)
    return page(site) if site in mine(request) else page(f"{site.name} is not yours", status=404)


@fault("m/", "breaks")
def a_page_that_breaks_on_a_strange_key(request: HttpRequest) -> HttpResponse:
    if request.GET.get("site"):
        mine(request).get(pk=request.GET["site"])
    return page(*mine(request))


@fault("m/", "shows company.User", "own")
def people_of_other_customers(request: HttpRequest) -> HttpResponse:
    return page(*(person.name for person in User.objects.filter(audience="portal")))


@fault("m/<int:pk>/", "answers an address of others")
def a_post_that_skips_the_scope(request: HttpRequest, pk: int) -> HttpResponse:
    if request.method == "POST":
        get_object_or_404(Request, pk=pk)
        return HttpResponseRedirect("/portal/")
    return page(get_object_or_404(Request.objects.visible_to(request.user), pk=pk))


# ------------------------------------------------------------------------------------------------ the tests


def tolerant(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """Answer 500 instead of raising, as a server would."""

    def answer(request: HttpRequest, **values: Any) -> HttpResponse:
        try:
            return view(request, **values)
        except Http404:
            raise
        except Exception:
            return HttpResponse(status=500)

    answer.__module__ = __name__
    answer.audience = view.audience  # type: ignore[attr-defined]
    answer.login_required = getattr(view, "login_required", True)  # type: ignore[attr-defined]
    return answer


def addresses_with(address: str, view: Callable[..., HttpResponse]) -> types.ModuleType:
    """The product's addresses and one more."""
    module = types.ModuleType("addresses_with_a_fault")
    module.urlpatterns = [path(address, tolerant(view), name="planted"), path("", include("company.urls"))]  # type: ignore[attr-defined]
    return module


@pytest.mark.parametrize("name", list(FAULTS))
def test_a_planted_fault_is_found(garden: planting.Garden, name: str) -> None:
    address, view, finds, viewer = FAULTS[name]
    with override_settings(ROOT_URLCONF=addresses_with(address, view)):
        findings = leaks.find_leaks(garden, only=["planted"], who=[viewer])
    assert [f for f in findings if finds in f.what and f.viewer == viewer], findings


def sound(request: HttpRequest, pk: int) -> HttpResponse:
    return page(get_object_or_404(mine(request), pk=pk))


def test_a_sound_page_is_not_blamed(garden: planting.Garden) -> None:
    with override_settings(ROOT_URLCONF=addresses_with("m/<int:pk>/", audience("portal")(sound))):
        checker = leaks.Checker(garden, only=["planted"])
        assert checker.run() == []
    assert set(checker.read) == {"own", "limited"}


@pytest.mark.parametrize("scope", [CustomerScoped, StaffOnly])
def test_a_scope_taken_from_the_querysets_is_found(
    garden: planting.Garden, monkeypatch: pytest.MonkeyPatch, scope: Any
) -> None:
    monkeypatch.setattr(scope, "visible_to", lambda self, user: self)
    model = {CustomerScoped: Site, StaffOnly: AccessNote}[scope]

    def detail(request: HttpRequest, pk: int) -> HttpResponse:
        return page(get_object_or_404(model.objects.visible_to(request.user), pk=pk))

    with override_settings(ROOT_URLCONF=addresses_with("m/<int:pk>/", audience("portal")(detail))):
        findings = leaks.find_leaks(garden, only=["planted"])
    assert any("answers an address of others" in f.what for f in findings)


def test_a_view_without_an_audience_answers_nobody(garden: planting.Garden) -> None:
    module = types.ModuleType("addresses_without_an_audience")
    bare = lambda request: page(*Site.objects.all())  # noqa: E731 - a view that nobody has declared
    module.urlpatterns = [path("m/", bare, name="planted"), path("", include("company.urls"))]  # type: ignore[attr-defined]
    with override_settings(ROOT_URLCONF=module):
        for who in ("office", "own"):
            viewer = leaks._viewer(garden, who, {}, set())
            assert viewer.client.get("/m/").status_code == 404


def test_a_door_that_lets_everybody_in_is_found(garden: planting.Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("company.middleware.may_call", lambda user, wanted: True)
    view = audience("technician")(lambda request, pk: page(get_object_or_404(mine(request), pk=pk)))
    with override_settings(ROOT_URLCONF=addresses_with("m/<int:pk>/", view)):
        findings = leaks.find_leaks(garden, only=["planted"])
    # The view itself refuses what is of others: only their own record shows that the door stands open.
    assert {f.viewer for f in findings if f.what == "answers another audience"} == {"own", "limited"}


@pytest.mark.parametrize(
    ("address", "view"),
    [
        ("tech/visits/<int:pk>/", lambda request, pk: page(get_object_or_404(Visit, pk=pk).planned_on)),
        ("rounds/<int:pk>/", lambda request, pk: page(get_object_or_404(Visit, pk=pk).planned_on)),
    ],
)
def test_a_visit_of_another_technician_is_found(garden: planting.Garden, address: str, view: Any) -> None:
    with override_settings(ROOT_URLCONF=addresses_with(address, audience("technician")(view))):
        findings = technician_leaks.find_technician_leaks(garden, only=["planted"])
    assert [f for f in findings if "another technician" in f.what]


def test_a_note_shown_unasked_to_a_technician_is_found(garden: planting.Garden) -> None:
    from company import sealed

    def notes(request: HttpRequest, pk: int) -> HttpResponse:
        return page(*(sealed.unseal(note.cipher) for note in AccessNote.objects.filter(site_id=pk)))

    with override_settings(ROOT_URLCONF=addresses_with("tech/sites/<int:pk>/", audience("technician")(notes))):
        findings = technician_leaks.find_technician_leaks(garden, only=["planted"])
    assert [f for f in findings if "sites.AccessNote.cipher" in f.what]
