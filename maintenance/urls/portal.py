"""Addresses of the customer portal."""

from django.urls import path

from company.views import stub

urlpatterns = [
    path("portal/", stub, name="portal_home"),
    path("portal/reports/", stub, name="portal_reports"),
]
