"""Addresses of papers."""

from django.urls import path

from maintenance.views import reports as views

urlpatterns = [
    path("reports/", views.report_list, name="report_list"),
    path("reports/<int:pk>/", views.report_detail, name="report_detail"),
    path("reports/<int:pk>/file/", views.report_file, name="report_file"),
    path("reports/<int:pk>/portal/", views.report_portal, name="report_portal"),
    path("visits/<int:pk>/report/", views.report_issue, name="report_issue"),
    path("receivers/<int:pk>/slot-map.pdf", views.slot_map_pdf, name="slot_map_pdf"),
    path("tech/receivers/<int:pk>/slot-map.pdf", views.slot_map_pdf, name="tech_slot_map_pdf"),
    path("tech/receivers/<int:pk>/lid-label.pdf", views.lid_label_pdf, name="tech_lid_label_pdf"),
    path("tech/papers/<int:pk>/", views.tech_report_file, name="tech_report_file"),
    path("receivers/<int:pk>/lid-label.pdf", views.lid_label_pdf, name="lid_label_pdf"),
]
