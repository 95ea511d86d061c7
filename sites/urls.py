"""Addresses of places."""

from django.urls import path

from company.views import stub

app_name = "sites"
urlpatterns = [
    path("", stub, name="site_list"),
    path("<int:pk>/", stub, name="site_detail"),
]
