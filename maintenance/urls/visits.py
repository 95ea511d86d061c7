"""Addresses of visits: the office's view and the technician's."""

from django.urls import path

from company.views import stub

urlpatterns = [
    path("visits/<int:pk>/", stub, name="visit_detail"),
    path("tech/", stub, name="tech_today"),
    path("tech/sites/", stub, name="tech_sites"),
]
