"""App configuration of maintenance."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate

from company.tenant_keys import ensure_customer_keys, lift_triggers


class MaintenanceConfig(AppConfig):
    name = "maintenance"
    verbose_name = "Maintenance"

    def ready(self) -> None:
        from maintenance import listeners  # noqa: F401 - connects to what the apps below tell
        from maintenance.actions import findings_snooze, notice_rules  # noqa: F401 - register how changes are taken back

        pre_migrate.connect(lift_triggers, sender=self)
        # The uppermost app: when it has migrated, every table is there.
        post_migrate.connect(ensure_customer_keys, sender=self)
