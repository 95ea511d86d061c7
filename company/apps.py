"""App configuration of company."""

from django.apps import AppConfig


class CompanyConfig(AppConfig):
    name = "company"
    verbose_name = "Firm"

    def ready(self) -> None:
        from company import checks  # noqa: F401 - registers the system checks
