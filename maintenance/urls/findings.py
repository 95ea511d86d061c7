"""Addresses of findings and of the office's home page."""

from django.urls import path

from maintenance.views import findings, office

urlpatterns = [
    path("office/", office.office_home, name="office_home"),
    path("findings/", findings.finding_list, name="finding_list"),
    path("findings/findings.csv", findings.finding_csv, name="finding_csv"),
    path("findings/site/<int:site_pk>/", findings.finding_panel, name="finding_panel"),
    path("findings/snooze/", findings.finding_snooze, name="finding_snooze"),
    path("findings/wake/", findings.finding_wake, name="finding_wake"),
]
