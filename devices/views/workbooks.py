"""Pages of the export: a workbook of everything, of one customer or of one site, made in the background."""

from __future__ import annotations

from typing import Any, cast
from uuid import UUID

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from company.access import audience
from company.errors import Refused
from company.htmx import page, refused
from company.models import Customer, Job, Upload, User
from devices.actions.exports import FORMATS, KIND, ask_for_export
from sites.models import Site

SHOWN = 10
HANDLER = "devices.imports.exports.make_export"
TYPES = {
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "zip": "application/zip",
}


class ExportForm(forms.Form):
    """What to export, and as what."""

    customer = forms.ModelChoiceField(
        queryset=Customer.objects.none(),
        required=False,
        empty_label=gettext_lazy("All customers"),
        label=gettext_lazy("Customer"),
    )
    site = forms.ModelChoiceField(
        queryset=Site.objects.none(), required=False, empty_label=gettext_lazy("All sites"), label=gettext_lazy("Site"),
        help_text=gettext_lazy("One site alone, with its customer. Leave it at “All sites” otherwise."),
    )  # fmt: skip
    format = forms.ChoiceField(
        choices=FORMATS.items(), label=gettext_lazy("File"), widget=forms.RadioSelect, initial="xlsx"
    )

    def __init__(self, user: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        customers: Any = self.fields["customer"]
        sites: Any = self.fields["site"]
        customers.queryset = Customer.objects.visible_to(user).filter(closed_at=None).order_by("name", "pk")
        open_sites = Site.objects.visible_to(user).filter(closed_at=None, customer__closed_at=None)
        sites.queryset = open_sites.order_by("name", "pk")

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        customer, site = given.get("customer"), given.get("site")
        if customer and site and site.customer_id != customer.pk:
            self.add_error(
                "site",
                _("%(site)s is not a site of %(customer)s. Choose one of the two.")
                % {"site": site.name, "customer": customer.name},
            )
        return given


@audience("office")
def export(request: HttpRequest) -> HttpResponse:
    """Choose what to export, see what was exported lately; asking starts a job."""
    form = ExportForm(request.user, request.POST or None, initial=request.GET.dict())
    lately = Job.objects.visible_to(request.user).filter(handler=HANDLER).select_related("requested_by")
    uploads = {str(upload.uuid): upload for upload in _uploads(request).order_by("-at", "-pk")[: 3 * SHOWN]}
    jobs = [(job, uploads.get((job.result or {}).get("upload", ""))) for job in lately.order_by("-created_at")[:SHOWN]]
    context = {"form": form, "jobs": jobs, "section": "import"}
    if request.method != "POST":
        return page(request, "devices/imports/export.html", context)
    if not form.is_valid():
        return refused(request, "devices/imports/export.html", context)
    chosen = form.cleaned_data
    try:
        job = ask_for_export(
            format=chosen["format"], customer=chosen["customer"], site=chosen["site"], by=cast(User, request.user),
            at=timezone.now(),
        )  # fmt: skip
    except Refused as refusal:
        return refused(request, "devices/imports/export.html", context | {"refused": refusal.message})
    return redirect(job)


def _uploads(request: HttpRequest) -> Any:
    return Upload.objects.visible_to(request.user).filter(kind=KIND).defer("content").select_related("by")


@audience("office")
@require_safe
def export_download(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """The file itself, while it is kept."""
    upload = get_object_or_404(Upload.objects.visible_to(request.user).filter(kind=KIND), uuid=uuid)
    response = HttpResponse(bytes(upload.content), content_type=TYPES[upload.name.rpartition(".")[2]])
    response.headers["Content-Disposition"] = f'attachment; filename="{upload.name}"'
    return response
