"""App configuration of sites."""

from django.apps import AppConfig


class SitesConfig(AppConfig):
    name = "sites"
    verbose_name = "Sites"

    def ready(self) -> None:
        from sites.actions import undo_places  # noqa: F401 (registers how changes are taken back)
