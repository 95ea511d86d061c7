"""App configuration of devices."""

from __future__ import annotations

from typing import Any

from django.apps import AppConfig
from django.db.backends.signals import connection_created
from django.db.models.signals import post_migrate, pre_migrate

from devices.search_tables import ensure_parts, give_fold
from devices.unit_stamps import ensure_stamps, lift_stamps


class DevicesConfig(AppConfig):
    name = "devices"
    verbose_name = "Devices"

    def ready(self) -> None:
        # Importing them registers how changes are taken back (company/undo.py).
        from devices.actions import (  # noqa: F401
            areas_undo,
            bulk_undo,
            faults,
            loans,
            months_check,
            own_types_undo,
            panels_undo,
            pins_undo,
            plans_undo,
            set_aside,
            sources,
            swaps_undo,
            undo_new_receiver,
            undo_receivers,
            undo_slots,
        )

        pre_migrate.connect(lift_stamps, sender=self)
        post_migrate.connect(ensure_stamps, sender=self)
        post_migrate.connect(load_shipped_types, sender=self)
        post_migrate.connect(ensure_parts, sender=self)
        connection_created.connect(give_fold)


def load_shipped_types(sender: Any, using: str, **unknown: Any) -> None:
    """Load the shipped catalogue once this app's tables stand in their newest form."""
    from django.db import DEFAULT_DB_ALIAS, connections
    from django.db.migrations.executor import MigrationExecutor
    from django.utils import timezone

    from devices.actions.catalogue import load_catalogue

    if using != DEFAULT_DB_ALIAS:
        return
    executor = MigrationExecutor(connections[using])
    # Going back to an older migration also ends here; its tables do not fit today's models.
    if executor.migration_plan(executor.loader.graph.leaf_nodes("devices")):
        return
    load_catalogue(at=timezone.now())
