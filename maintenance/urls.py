"""Addresses of the work. Technician pages live under /tech/, customers' under /portal/."""

from django.urls import path

from company.views import stub

app_name = "maintenance"
urlpatterns = [
    path("due/", stub, name="due_list"),
    path("due/<int:pk>/", stub, name="due_why"),
    path("due/site/<int:site_pk>/", stub, name="due_panel"),
    path("search/", stub, name="search"),
    path("r/<slug:code>/", stub, name="qr"),
    path("rounds/", stub, name="round_list"),
    path("rounds/new/", stub, name="round_new"),
    path("rounds/<int:pk>/", stub, name="round_detail"),
    path("visits/<int:pk>/", stub, name="visit_detail"),
    path("reports/", stub, name="report_list"),
    path("reports/<int:pk>/", stub, name="report_detail"),
    path("receivers/<int:pk>/slot-map.pdf", stub, name="slot_map_pdf"),
    path("tech/", stub, name="tech_today"),
    path("tech/sites/", stub, name="tech_sites"),
    path("portal/", stub, name="portal_home"),
    path("portal/reports/", stub, name="portal_reports"),
]
