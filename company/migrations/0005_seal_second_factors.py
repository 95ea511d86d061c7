"""End the sessions whose key lies in the clear, and seal the secrets of second factors that do.

A session's key is the value of a cookie: whoever has an old copy of the database could come in with it, so nobody's
session is carried over; people sign in again.
"""

from typing import Any

from django.db import migrations

from company.factor_seal import each_secret, open_secret, seal_secret


def end_sessions(apps: Any, schema_editor: Any) -> None:
    connection = schema_editor.connection
    if connection.vendor == "sqlite":
        # Else what is removed here would still stand in the free parts of the file.
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA secure_delete = ON")
    for app, model in (("sessions", "Session"), ("usersessions", "UserSession")):
        apps.get_model(app, model).objects.using(connection.alias).all().delete()


def seal_all(apps: Any, schema_editor: Any) -> None:
    _change(apps, schema_editor, seal_secret)


def open_all(apps: Any, schema_editor: Any) -> None:
    _change(apps, schema_editor, open_secret)


def _change(apps: Any, schema_editor: Any, change: Any) -> None:
    factors = apps.get_model("mfa", "Authenticator").objects.using(schema_editor.connection.alias)
    for factor in factors.exclude(type="webauthn"):
        data = each_secret(factor.data, change)
        if data != factor.data:
            factors.filter(pk=factor.pk).update(data=data)


class Migration(migrations.Migration):
    dependencies = [
        ("company", "0004_change_log_by_day"),
        ("sessions", "0001_initial"),
        ("usersessions", "0001_initial"),
        ("mfa", "0003_authenticator_type_uniq"),
    ]

    operations = [
        migrations.RunPython(end_sessions, end_sessions),
        migrations.RunPython(seal_all, open_all),
    ]
