"""App configuration of devices."""

from django.apps import AppConfig


class DevicesConfig(AppConfig):
    name = "devices"
    verbose_name = "Devices"
