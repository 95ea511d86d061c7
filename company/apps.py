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
        from company.forms.texts import refuse_unprinted_text

        refuse_unprinted_text()
        # Importing them registers how changes of the settings and of people are taken back.
        from company.actions import firm_undo, people_undo  # noqa: F401
