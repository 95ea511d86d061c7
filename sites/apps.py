"""App configuration of sites."""

from django.apps import AppConfig


class SitesConfig(AppConfig):
    name = "sites"
    verbose_name = "Sites"
