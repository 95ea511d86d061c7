"""A row cannot hang on another customer's record, whatever the code above gets wrong."""

import pytest
from django.db import IntegrityError, connection, transaction

from company.tenant_keys import ensure_customer_keys, lift_triggers, tenant_links
from devices.models import Output, Receiver, RegistrationOutput
from maintenance.models import Visit
from tests import factories


def test_every_table_that_hangs_on_a_site_is_guarded():
    children = {child for child, column, parent in tenant_links() if parent == "sites_site"}
    assert {"devices_receiver", "devices_registration", "maintenance_visit", "maintenance_dueitem"} <= children


def test_a_row_of_another_customer_is_refused(world):
    tries = [
        lambda: Receiver.objects.create(customer=world.other, site=world.own_site, label="x", n_slots=4),
        lambda: Output.objects.create(customer=world.other, receiver=world.own_receiver, number=7),
        lambda: Visit.objects.create(customer=world.other, site=world.own_site, planned_on=factories.TODAY),
        lambda: RegistrationOutput.objects.create(
            customer=world.other, registration=world.own_registration, output=world.other_receiver.outputs.get()
        ),
        lambda: Receiver.objects.filter(pk=world.own_receiver.pk).update(customer=world.other),
    ]
    for attempt in tries:
        with pytest.raises(IntegrityError):
            commit(attempt)


def commit(attempt):
    """Do it and have deferred keys checked at once, as a commit would."""
    with transaction.atomic():
        attempt()
        connection.check_constraints()


def test_making_the_keys_again_changes_nothing(world):
    ensure_customer_keys()
    assert factories.make_receiver(world.own_site).pk


def triggers() -> int:
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'tk!_%' ESCAPE '!'")
        return cursor.fetchone()[0]


@pytest.mark.skipif(connection.vendor != "sqlite", reason="only SQLite remakes tables and has triggers for keys")
def test_a_table_with_rows_can_be_remade_by_a_migration(world):
    before = triggers()
    lift_triggers(plan=[])
    assert triggers() == before > 0, "nothing to migrate, nothing to lift"
    lift_triggers(plan=["one"])
    assert triggers() == 0
    ensure_customer_keys()
    assert triggers() == before
