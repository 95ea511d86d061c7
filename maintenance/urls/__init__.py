"""Addresses of the work, by topic. Technician pages live under /tech/, customers' under /portal/."""

from maintenance.urls import (
    adviser,
    battery,
    due,
    faults,
    findings,
    home,
    lots,
    policy,
    portal,
    recalls,
    reports,
    requests,
    rounds,
    visits,
)

app_name = "maintenance"
urlpatterns = [
    *home.urlpatterns,
    *findings.urlpatterns,
    *faults.urlpatterns,
    *due.urlpatterns,
    *battery.urlpatterns,
    *adviser.urlpatterns,
    *recalls.urlpatterns,
    *lots.urlpatterns,
    *policy.urlpatterns,
    *rounds.urlpatterns,
    *visits.urlpatterns,
    *reports.urlpatterns,
    *portal.urlpatterns,
    *requests.urlpatterns,
]
