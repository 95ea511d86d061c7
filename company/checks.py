"""System checks: every mis-setting that a person running this can make, with a hint that says what to do."""

from __future__ import annotations

from typing import Any

from cryptography.fernet import Fernet
from django.apps import apps
from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register
from django.db import connection


@register(Tags.security)
def second_factor(**kwargs: Any) -> list[CheckMessage]:
    """The second factor may be switched off only for a demo or while developing."""
    if not settings.REQUIRE_SECOND_FACTOR and not (settings.DEBUG or settings.DEMO):
        return [
            Error(
                "REQUIRE_SECOND_FACTOR is off on an installation that is neither a demo nor a development one.",
                hint="Remove the variable, or set DEMO=yes if no real records are kept here.",
                id="slotledger.E001",
            )
        ]
    return []


@register(Tags.urls)
def base_url(**kwargs: Any) -> list[CheckMessage]:
    """QR codes and mails carry this address for years."""
    if not settings.BASE_URL.startswith(("http://", "https://")):
        return [
            Error(
                f"BASE_URL is {settings.BASE_URL!r}.",
                hint="Give the full address, for example https://ledger.example.org.",
                id="slotledger.E002",
            )
        ]
    if not settings.BASE_URL.startswith("https://") and not (settings.DEBUG or settings.DEMO):
        return [
            Warning(
                "BASE_URL is not https: the offline sheet on phones and secure cookies need it.",
                hint="Set BASE_URL to the https address that people use.",
                id="slotledger.W001",
            )
        ]
    return []


@register(Tags.urls)
def proxy(**kwargs: Any) -> list[CheckMessage]:
    """Our server speaks http: where people use https, a proxy holds the certificate and must be believed."""
    if settings.BASE_URL.startswith("https://") and not settings.SECURE_PROXY_SSL_HEADER:
        return [
            Warning(
                "BASE_URL is https, but no proxy is believed: each request is taken for http, and forms are refused.",
                hint="Set BEHIND_PROXY=yes, let the proxy set X-Forwarded-Proto, and let nobody reach this server past it.",
                id="slotledger.W004",
            )
        ]
    return []


@register()
def no_contrib_sites(**kwargs: Any) -> list[CheckMessage]:
    """Our app label `sites` equals that of django.contrib.sites."""
    if apps.is_installed("django.contrib.sites"):
        return [
            Error(
                "django.contrib.sites is installed; its label clashes with the app of customer sites.",
                hint="Remove it: nothing here needs it.",
                id="slotledger.E003",
            )
        ]
    return []


@register(Tags.database)
def sqlite_mode(**kwargs: Any) -> list[CheckMessage]:
    """Read back what SQLite really uses: WAL does not work on network file systems."""
    if not kwargs.get("databases") or connection.vendor != "sqlite":
        return []
    with connection.cursor() as cursor:
        mode = cursor.execute("PRAGMA journal_mode").fetchone()[0]
        keys = cursor.execute("PRAGMA foreign_keys").fetchone()[0]
    problems: list[CheckMessage] = []
    if mode not in ("wal", "memory"):
        problems.append(
            Error(
                f"SQLite runs in journal mode {mode}, not wal.",
                hint="Put DATA_DIR on a local disk; network file systems cannot do it.",
                id="slotledger.E004",
            )
        )
    if not keys:
        problems.append(Error("SQLite does not check foreign keys.", id="slotledger.E005"))
    return problems


@register(Tags.security, deploy=True)
def no_mail(**kwargs: Any) -> list[CheckMessage]:
    """Without mail nobody can be invited or reset a password."""
    if not settings.EMAIL_HOST:
        return [
            Warning(
                "No EMAIL_HOST: mails are only printed to the log.",
                hint="Set EMAIL_HOST, EMAIL_PORT, DEFAULT_FROM_EMAIL.",
                id="slotledger.W002",
            )
        ]
    return []


@register(Tags.security)
def access_note_keys(**kwargs: Any) -> list[CheckMessage]:
    """A key that lies beside the database is stolen with it."""
    for key in settings.ACCESS_NOTE_KEYS:
        try:
            Fernet(key)
        except ValueError:
            # The key itself is not repeated: this text goes to a log.
            return [
                Error(
                    "One of ACCESS_NOTE_KEYS is no Fernet key.",
                    hint="Each is 44 characters; cryptography.fernet.Fernet.generate_key() makes one. Commas part them.",
                    id="slotledger.E006",
                )
            ]
    if not settings.ACCESS_NOTE_KEYS and not (settings.DEBUG or settings.DEMO):
        return [
            Warning(
                "No ACCESS_NOTE_KEYS: the key of door codes and second factors is kept in DATA_DIR, beside the database.",
                hint="Set ACCESS_NOTE_KEYS (or ACCESS_NOTE_KEYS_FILE) to a key that is kept and backed up elsewhere; "
                "put the content of DATA_DIR/access_note_key behind it and run manage.py rotate_access_notes.",
                id="slotledger.W003",
            )
        ]
    return []
