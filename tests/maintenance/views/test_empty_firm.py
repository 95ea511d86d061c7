"""Pages of a firm that has nothing on record yet: each says what comes first and leads there."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from company.models import Customer
from tests import factories
from tests.maintenance.fits_made import make_fit


@pytest.fixture
def manager(db: Any) -> Client:
    return signed_in(factories.make_manager())


def signed_in(person: Any) -> Client:
    client = Client()
    client.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


def read(client: Client, name: str, words: str = "") -> str:
    return client.get(reverse(name) + words).content.decode()


def empty_part(page: str) -> str:
    return page.split('<div class="empty">')[1].split("</div>")[0]


@pytest.mark.parametrize(
    ("name", "onward"),
    [
        ("sites:site_new", ("company:customer_new", "devices:import_list")),
        ("sites:site_list", ("sites:site_new", "devices:import_list")),
        ("company:customer_list", ("company:customer_new", "devices:import_list")),
        ("devices:receiver_list", ("sites:site_list", "devices:import_list")),
    ],
)
def test_an_empty_page_leads_to_every_way_it_names(manager: Client, name: str, onward: tuple[str, ...]) -> None:
    part = empty_part(read(manager, name))
    for there in onward:
        assert f'href="{reverse(there)}"' in part


def test_a_site_is_asked_for_once_there_is_a_customer_and_the_customers_page_leads_there(manager: Client) -> None:
    assert "<select" not in read(manager, "sites:site_new").split("<main")[1]
    customer = Customer.objects.create(code="C1", name="Fellview")
    address = f"{reverse('sites:site_new')}?customer={customer.pk}"
    assert f'href="{address}"' in manager.get(customer.get_absolute_url()).content.decode()
    page = manager.get(address).content.decode()
    assert f'<option value="{customer.pk}" selected>' in page
    assert f'href="{reverse("company:customer_new")}"' in page.split("</form>")[-1]


def test_a_refused_site_comes_back_on_its_page(manager: Client) -> None:
    customer = Customer.objects.create(code="C1", name="Fellview")
    answer = manager.post(reverse("sites:site_new"), {"customer": customer.pk, "name": ""})
    assert answer.status_code == 422
    assert f'<option value="{customer.pk}" selected>' in answer.content.decode()


def test_after_a_night_without_batteries_no_choice_is_blamed(manager: Client) -> None:
    make_fit(n_batteries=0, n_ends=0)
    assert "No battery on record yet" in read(manager, "maintenance:kinds")
    assert "Change the words or the choice above" in read(manager, "maintenance:kinds", "?show=alarm")


def test_a_technician_is_told_to_wait_for_sites_and_only_after_searching_to_search_again(db: Any) -> None:
    client = signed_in(factories.make_user("technician"))
    assert "The office brings them in" in read(client, "maintenance:tech_sites")
    assert "Try a part of the name" in read(client, "maintenance:tech_sites", "?q=fell")


def test_a_round_without_any_technician_says_who_comes_first(manager: Client) -> None:
    assert "No technician is on record yet" in read(manager, "maintenance:round_new")
    factories.make_user("technician")
    assert "No technician is on record yet" not in read(manager, "maintenance:round_new")
