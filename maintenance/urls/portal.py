"""Addresses of the customer portal: random names only, never a counter."""

from django.urls import path

from maintenance.views import portal as views
from maintenance.views import requests

urlpatterns = [
    path("portal/", views.portal_home, name="portal_home"),
    path("portal/sites/<uuid:uuid>/", views.portal_site, name="portal_site"),
    path("portal/receivers/<slug:code>/", views.portal_slot_map, name="portal_slot_map"),
    path("portal/receivers/<slug:code>/slot-map.pdf", views.portal_slot_map_pdf, name="portal_slot_map_pdf"),
    path("portal/reports/", views.portal_reports, name="portal_reports"),
    path("portal/reports/<uuid:uuid>/", views.portal_report, name="portal_report"),
    path("portal/reports/<uuid:uuid>/file/", views.portal_report_file, name="portal_report_file"),
    path("portal/jobs/<uuid:uuid>/", views.portal_job, name="portal_job"),
    path("portal/requests/", requests.portal_request_list, name="portal_request_list"),
    path("portal/sites/<uuid:uuid>/ask/", requests.portal_request_new, name="portal_request_new"),
    path("portal/requests/<uuid:uuid>/", requests.portal_request, name="portal_request"),
]
