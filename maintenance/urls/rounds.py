"""Addresses of rounds."""

from django.urls import path

from company.views import stub

urlpatterns = [
    path("rounds/", stub, name="round_list"),
    path("rounds/new/", stub, name="round_new"),
    path("rounds/<int:pk>/", stub, name="round_detail"),
]
