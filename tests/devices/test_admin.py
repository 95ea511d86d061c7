"""Django's admin: own types may be changed, shipped ones and the ledger only looked at."""

import pytest
from django.urls import reverse

from tests.factories import battery_type, make_manager

pytestmark = pytest.mark.django_db


@pytest.fixture
def admin_client(world, client):
    boss = make_manager(is_superuser=True)
    client.force_login(boss, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


@pytest.mark.parametrize("name", ["receiver", "output", "transmitter", "registration", "fitting"])
def test_the_ledger_can_be_looked_at_and_not_changed(admin_client, world, name):
    assert admin_client.get(reverse(f"admin:devices_{name}_changelist")).status_code == 200
    assert admin_client.get(reverse(f"admin:devices_{name}_add")).status_code == 403


def test_a_registration_cannot_be_rewritten_in_the_admin(admin_client, world):
    url = reverse("admin:devices_registration_change", args=[world.own_registration.pk])
    assert admin_client.post(url, {"label": "rewritten"}).status_code == 403
    world.own_registration.refresh_from_db()
    assert world.own_registration.label == "Room 1"


def test_a_shipped_type_is_not_changed_and_an_own_one_is(admin_client):
    own = battery_type("own-cell", label="Own cell")
    shipped = battery_type("shipped-cell", origin="shipped", label="Shipped cell")
    page = admin_client.get(reverse("admin:devices_batterytype_change", args=[own.pk]))
    assert 'name="_save"' in page.content.decode()
    page = admin_client.get(reverse("admin:devices_batterytype_change", args=[shipped.pk]))
    assert 'name="_save"' not in page.content.decode()
    assert admin_client.post(reverse("admin:devices_batterytype_delete", args=[own.pk])).status_code == 403
