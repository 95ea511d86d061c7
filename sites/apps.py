"""App configuration of sites."""

from django.apps import AppConfig


class SitesConfig(AppConfig):
    name = "sites"
    verbose_name = "Sites"

    def ready(self) -> None:
        from sites.actions import closures, undo_places  # noqa: F401 (register how changes are taken back)
