"""App configuration of company."""

from django.apps import AppConfig


class CompanyConfig(AppConfig):
    name = "company"
    verbose_name = "Firm"

    def ready(self) -> None:
        from company import (
            checks,  # noqa: F401 - registers the system checks
            listeners,  # noqa: F401 - connects to what the sign-in library tells
        )
        from company.actions import firm_undo  # noqa: F401 - registers how changes of the settings are taken back
