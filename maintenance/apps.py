"""App configuration of maintenance."""

from django.apps import AppConfig


class MaintenanceConfig(AppConfig):
    name = "maintenance"
    verbose_name = "Maintenance"

    def ready(self) -> None:
        from maintenance import listeners  # noqa: F401 - connects to what the apps below tell
