"""One form sent twice at the same moment: saved once, and the second answer says so in words."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.db.models import Model
from django.forms.models import BaseModelForm
from django.test import Client

from company.models import Customer
from company.races import is_taken
from devices.models import Receiver
from sites.models import Site

pytestmark = pytest.mark.django_db


@pytest.fixture
def blind_forms(monkeypatch: pytest.MonkeyPatch) -> None:
    """Forms that see nothing of what the other request has just saved; actions and database look as always."""
    check = Model.full_clean

    def without_constraints(self: Model, exclude: Any = None, validate_unique: bool = True, **more: Any) -> None:
        # Forms call it without looking for what is unique, actions with.
        check(self, exclude, validate_unique, validate_constraints=validate_unique)

    monkeypatch.setattr(Model, "full_clean", without_constraints)
    monkeypatch.setattr(BaseModelForm, "validate_unique", lambda self: None)


@pytest.mark.parametrize("what", ["customer", "site", "receiver"])
def test_the_second_of_two_at_once_is_told_so(what: str, world: Any, blind_forms: None) -> None:
    customer, site = world.own_site.customer, world.own_site
    path, sent, model = {
        "customer": ("/customers/new/", {"code": "TWICE", "name": "Twice", "language": "en", "paper": "a4", "inspections_per_year": "1", "response_hours": "24"}, Customer),
        "site": (
            "/sites/new/",
            {"customer": customer.pk, "code": "TWICE", "name": "Twice", "kind": "inn", "address": "1 Quay", "town": "Port",
             "postcode": "SK1", "time_zone": "Europe/London"},
            Site,
        ),
        "receiver": (
            f"/sites/{site.pk}/receivers/new/", {"label": "Twice", "n_slots": "8", "evidence": "visits", "reason": "new"}, Receiver,
        ),
    }[what]  # fmt: skip
    office = world.client("manager")
    assert office.post(path, sent).status_code == 302
    n = model.objects.count()
    answer = office.post(path, sent)
    assert answer.status_code == 409
    assert "Nothing was saved twice" in answer.content.decode()
    assert model.objects.count() == n


def test_only_what_is_taken_counts_as_being_quicker() -> None:
    assert is_taken(IntegrityError("UNIQUE constraint failed: company_customer.code"))
    assert is_taken(ValidationError("There already.", "unique"))
    assert is_taken(ValidationError({"code": ValidationError("There already.", "unique")}))
    assert not is_taken(ValidationError({"code": ValidationError("Too long.", "max_length")}))
    assert not is_taken(IntegrityError("NOT NULL constraint failed: company_customer.name"))
    assert not is_taken(ValidationError("Too long.", "max_length"))
    assert not is_taken(ValueError("UNIQUE constraint failed"))


def test_a_broken_record_of_ours_stays_a_fault(world: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(**facts: Any) -> None:
        raise IntegrityError("NOT NULL constraint failed: company_customer.name")

    monkeypatch.setattr("company.views.customers.actions.save_customer", broken)
    client: Client = world.client("manager")
    client.raise_request_exception = False
    sent = {
        "code": "TWICE",
        "name": "Twice",
        "language": "en",
        "paper": "a4",
        "inspections_per_year": "1",
        "response_hours": "24",
    }
    assert client.post("/customers/new/", sent).status_code == 500
