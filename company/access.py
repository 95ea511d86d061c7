"""Who may call which view. A view without an audience is refused by the middleware: nothing slips through."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

from django.http import HttpRequest

if TYPE_CHECKING:
    from django_htmx.middleware import HtmxDetails

    from company.models import User

OFFICE = "office"
TECHNICIAN = "technician"
PORTAL = "portal"
PUBLIC = "public"
MANAGER = "manager"
INTAKE = "intake"
"""Programs that hand over check-ins: the view itself asks for their token (company/programs.py)."""
AUDIENCES = frozenset({OFFICE, TECHNICIAN, PORTAL, PUBLIC, MANAGER, INTAKE})


class PersonRequest(HttpRequest):
    """A request behind `@audience` without "public": somebody is signed in. Only a name for the type checker."""

    user: User
    htmx: HtmxDetails


View = TypeVar("View", bound=Callable[..., Any])


def audience(*names: str) -> Callable[[View], View]:
    """Declare who may call a view: "office", "technician", "portal", "manager" (office with the flag), "public", or
    "intake" for a program whose token the view itself asks for.

    Raises
    ------
    ValueError
        If no audience or an unknown one is named.
    """
    wanted = frozenset(names)
    if not wanted or wanted - AUDIENCES:
        raise ValueError(f"Unknown audience in {names!r}")

    def declare(view: View) -> View:
        view.audience = wanted  # type: ignore[attr-defined]
        if wanted & {PUBLIC, INTAKE}:
            # Django's own LoginRequiredMiddleware asks this attribute.
            view.login_required = False  # type: ignore[attr-defined]
        return view

    return declare


def may_call(user: Any, wanted: frozenset[str]) -> bool:
    """Whether this user belongs to one of the audiences."""
    if wanted & {PUBLIC, INTAKE}:
        return True
    if not user.is_authenticated or not user.is_active:
        return False
    if user.audience in wanted:
        return True
    return MANAGER in wanted and user.is_manager
