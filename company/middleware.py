"""What every request passes: content policy, audience, second factor, answers to htmx."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode, urlsplit

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.cache import patch_vary_headers
from django.utils.translation import gettext

from company.access import INTAKE, PUBLIC, may_call
from company.listeners import FACTOR_SEEN

GetResponse = Callable[[HttpRequest], HttpResponse]

POLICY = "; ".join(
    [
        "default-src 'self'",
        "img-src 'self'",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    ]
)


class ContentSecurityPolicy:
    """Everything from here, nothing inline, nothing evaluated."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", POLICY)
        response.headers.setdefault("Permissions-Policy", "geolocation=(), microphone=(), payment=()")
        return response


class HtmxAnswers:
    """Pending messages ride on htmx answers; a sign-in redirect leaves the fragment and moves the whole page."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if request.user.is_authenticated and "Cache-Control" not in response.headers:
            # Records of customers never stay in a shared or back-button cache after signing out.
            response.headers["Cache-Control"] = "no-store" if request.htmx else "private, no-cache"  # type: ignore[attr-defined]
        patch_vary_headers(response, ["HX-Request"])
        if not request.htmx:  # type: ignore[attr-defined]
            return response
        location = response.headers.get("Location", "")
        if response.status_code in (301, 302, 303) and location:
            return self._whole_page(request, location)
        if (
            response.status_code < 300
            and response.status_code != 204
            and not response.streaming
            and "HX-Redirect" not in response.headers
        ):
            pending = list(messages.get_messages(request))
            if pending:
                response.content += render_to_string(
                    "parts/_toasts_oob.html", {"messages": pending}, request=request
                ).encode()
        return response

    def _whole_page(self, request: HttpRequest, location: str) -> HttpResponse:
        login = reverse(settings.LOGIN_URL)
        if urlsplit(location).path == login:
            # With the request's own path the person would land on a bare fragment after signing in.
            current = request.htmx.current_url_abs_path or "/"  # type: ignore[attr-defined]
            location = f"{login}?{urlencode({'next': current})}"
        answer = HttpResponse(status=200)
        answer.headers["HX-Redirect"] = location
        return answer


class Audience:
    """404 for a view of ours without an audience, and for a person outside it: nothing is learnt from the answer."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
        wanted = getattr(view, "audience", None)
        if wanted is None:
            if is_foreign(view):
                return
            raise Http404("This view declares no audience.")
        if not may_call(request.user, wanted):
            raise Http404("Not for this audience.")


FOREIGN_MODULES = (
    "allauth.",
    "django.contrib.admin",
    "django.contrib.staticfiles",
    "django.views.static",
    "whitenoise.",
)


def is_foreign(view: Any) -> bool:
    """Whether a view belongs to a library that guards itself (sign-in pages, the admin)."""
    view_class = getattr(view, "view_class", None)
    modules = {getattr(view, "__module__", "") or "", getattr(view_class, "__module__", "") or ""}
    return any(module.startswith(FOREIGN_MODULES) for module in modules)


class SecondFactor:
    """Staff without a second factor are sent to set one up before anything else."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Any, args: tuple[Any, ...], kwargs: dict[str, Any]
    ) -> HttpResponse | None:
        user = request.user
        if not settings.REQUIRE_SECOND_FACTOR or not user.is_authenticated or not user.is_staff_member:  # type: ignore[union-attr]
            return None
        if is_foreign(view) and not request.path.startswith("/admin/"):
            return None
        if {PUBLIC, INTAKE} & getattr(view, "audience", frozenset()):
            return None
        if request.session.get(FACTOR_SEEN):
            return None
        from allauth.mfa.utils import is_mfa_enabled

        if is_mfa_enabled(user):
            request.session[FACTOR_SEEN] = True
            return None
        messages.info(request, gettext("Set up a second factor first: people's safety hangs on these records."))
        return redirect("mfa_index")

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        """A factor that no key opens is told of where factors are kept, whatever page met it."""
        from company.factor_seal import FactorSealBroken

        if not isinstance(exception, FactorSealBroken):
            return None
        messages.error(request, " ".join(exception.messages))
        return redirect("mfa_index")
