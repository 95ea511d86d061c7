"""System checks tell whoever runs this what is set wrongly, before it costs anything."""

from __future__ import annotations

import pytest
from cryptography.fernet import Fernet

from company import checks


@pytest.mark.parametrize(
    ("address", "header", "ids"),
    [
        ("https://ledger.example.org", None, ["slotledger.W004"]),
        ("https://ledger.example.org", ("HTTP_X_FORWARDED_PROTO", "https"), []),
        ("http://127.0.0.1:8000", None, []),
    ],
)
def test_https_without_a_proxy_that_is_believed_is_warned_of(settings, address, header, ids):
    settings.BASE_URL, settings.SECURE_PROXY_SSL_HEADER = address, header
    assert [message.id for message in checks.proxy()] == ids


@pytest.mark.parametrize(
    ("keys", "demo", "ids"),
    [
        ([], False, ["slotledger.W003"]),
        ([], True, []),
        ([Fernet.generate_key().decode()], False, []),
        (["nonsense"], False, ["slotledger.E006"]),
        ([Fernet.generate_key().decode(), "nonsense"], True, ["slotledger.E006"]),
    ],
)
def test_a_key_beside_the_database_is_warned_of_and_one_that_is_none_is_an_error(settings, keys, demo, ids):
    settings.ACCESS_NOTE_KEYS, settings.DEMO, settings.DEBUG = keys, demo, False
    found = checks.access_note_keys()
    assert [message.id for message in found] == ids
    assert "nonsense" not in str(found), "a key must stand in no log"
