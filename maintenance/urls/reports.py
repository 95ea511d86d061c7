"""Addresses of papers."""

from django.urls import path

from company.views import stub

urlpatterns = [
    path("reports/", stub, name="report_list"),
    path("reports/<int:pk>/", stub, name="report_detail"),
    path("receivers/<int:pk>/slot-map.pdf", stub, name="slot_map_pdf"),
]
