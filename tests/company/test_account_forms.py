"""Pages of signing in and of an invitation speak as the rest of the program does."""

from __future__ import annotations

import re
from typing import Any

import pytest
from allauth.account.forms import default_token_generator
from allauth.account.utils import user_pk_to_url_str
from django.test import Client
from django.urls import reverse

from tests import factories

LABEL = re.compile(r'<label class="field__label" for="[^"]+">([^<]+)</label>')


def labels_of(page: str) -> list[str]:
    return [words.strip() for words in LABEL.findall(page)]


@pytest.mark.django_db
def test_the_page_to_sign_in_asks_for_the_address_once_and_without_a_placeholder(client: Client) -> None:
    page = client.get(reverse("account_login")).content.decode()
    assert labels_of(page)[:2] == ["E-mail address", "Password"]
    assert "placeholder" not in page
    assert "Email" not in page


@pytest.mark.django_db
def test_an_invitation_asks_for_the_new_password_twice_in_plain_words(client: Client) -> None:
    person: Any = factories.make_user("office")
    key = f"{user_pk_to_url_str(person)}-{default_token_generator.make_token(person)}"
    link = reverse(
        "account_reset_password_from_key", kwargs=dict(zip(("uidb36", "key"), key.split("-", 1), strict=True))
    )
    page = client.get(link, follow=True).content.decode()
    assert labels_of(page) == ["New password", "New password (again)"]
    assert "placeholder" not in page
