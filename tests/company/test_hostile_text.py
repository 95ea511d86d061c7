"""What cannot be printed, positions that are nowhere on the Earth and keys beyond every number are refused in words."""

from __future__ import annotations

import pytest
from django import forms
from django.test import Client
from django.urls import reverse

from company.forms.technicians import TechnicianForm
from company.forms.texts import without_unprinted
from tests import factories

TURNS = "Lodge \u202e9940 69610"


class Words(forms.Form):
    words = forms.CharField()


@pytest.mark.parametrize(
    ("typed", "place", "code"),
    [(TURNS, 7, "U+202E"), ("bell\x07", 5, "U+0007"), ("zero\u200bwidth", 5, "U+200B")],
)
def test_what_cannot_be_printed_is_named_and_refused(typed: str, place: int, code: str) -> None:
    (said,) = Words({"words": typed}).errors["words"]
    assert said == f"Character {place} cannot be printed ({code}). Type the text instead of pasting it."


@pytest.mark.parametrize("typed", ["två rader\nunder varandra", "a\tb", "می\u200cخواهم", "Zoë 👩\u200d🔧"])
def test_words_of_every_language_are_taken(typed: str) -> None:
    assert Words({"words": typed}).is_valid()


def test_words_to_look_for_lose_what_cannot_be_printed() -> None:
    assert without_unprinted("\x00abc\u202ed") == "abcd"


@pytest.mark.django_db
@pytest.mark.parametrize(("audience", "address"), [("office", "/search/"), ("technician", "/tech/search/")])
def test_a_search_with_a_nul_character_is_answered(audience: str, address: str, client: Client) -> None:
    person = factories.make_user(audience)
    client.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
    assert client.get(address, {"q": "\x00abc"}).status_code == 200


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("latitude", "longitude", "field", "said"),
    [
        ("99999999999", "0", "start_latitude", "less than or equal to 90"),
        ("0", "-500000", "start_longitude", "greater than or equal to -180"),
        ("nan", "0", "start_latitude", "Enter a number"),
        ("58.2", "", "start_longitude", "A position needs both numbers."),
    ],
)
def test_a_day_cannot_begin_off_the_earth(latitude: str, longitude: str, field: str, said: str) -> None:
    form = TechnicianForm({"start_latitude": latitude, "start_longitude": longitude})
    assert said in " ".join(form.errors[field])


@pytest.mark.django_db
def test_a_key_beyond_every_number_is_a_wrong_choice(client: Client) -> None:
    client.force_login(factories.make_manager(), backend="allauth.account.auth_backends.AuthenticationBackend")
    visit = factories.make_visit()
    answer = client.post(reverse("maintenance:visit_crew", args=[visit.pk]), {"people": "9" * 30})
    assert answer.status_code == 422


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("path", "field", "most"), [("/firm/edit/", "address", 400), ("/customers/new/", "note", 4000)]
)
def test_a_text_that_no_page_could_show_is_refused(path: str, field: str, most: int, client: Client) -> None:
    client.force_login(factories.make_manager(), backend="allauth.account.auth_backends.AuthenticationBackend")
    page = client.post(path, {field: "x" * (most + 1)}).content.decode()
    assert f"at most {most} characters" in page
    assert f'maxlength="{most}"' in page
