"""Pages for what went wrong stand in our own frame and give nothing away."""

from __future__ import annotations

import pytest
from django.template.loader import get_template
from django.test import Client

from tests import factories


@pytest.mark.parametrize(
    "name", ["400.html", "403.html", "403_csrf.html", "404.html", "409.html", "429.html", "500.html"]
)
def test_an_error_page_needs_neither_request_nor_database(name):
    html = get_template(name).render()
    assert "<h1>" in html
    assert 'href="/"' in html
    assert 'lang="en"' in html


def test_a_form_without_its_token_is_refused_in_our_own_words(world):
    client = Client(enforce_csrf_checks=True)
    client.force_login(world.office, backend="allauth.account.auth_backends.AuthenticationBackend")
    response = client.post("/customers/new/", {"code": "X", "name": "X"})
    assert response.status_code == 403
    assert "This was not accepted" in response.content.decode()


@pytest.mark.django_db
@pytest.mark.parametrize("path", ["/nothing-here/", "/sites/1/x/"])
def test_an_address_without_a_page_says_so(path, client):
    response = client.get(path)
    assert response.status_code == 404
    assert "Nothing here" in response.content.decode()


@pytest.mark.django_db
def test_guessing_passwords_is_slowed_down_in_our_own_words(client, settings):
    from django.core.cache import cache

    cache.clear()
    settings.ACCOUNT_RATE_LIMITS = {"login": "2/m/ip"}
    user = factories.make_user("office")
    answers = [client.post("/accounts/login/", {"login": user.email, "password": f"wrong{n}"}) for n in range(4)]
    cache.clear()
    assert answers[0].status_code == 200
    assert answers[-1].status_code == 429
    assert "Too many tries" in answers[-1].content.decode()


@pytest.mark.django_db
def test_nobody_can_sign_up(client):
    data = {"email": "new@example.org", "password1": "lamp-on-the-mole-7", "password2": "lamp-on-the-mole-7"}
    response = client.post("/accounts/signup/", data)
    assert "no open sign-up" in response.content.decode()
    assert not factories.User.objects.filter(email="new@example.org").exists()
