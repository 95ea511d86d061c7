"""Search, and what a printed code opens."""

from django.urls import path

from company.views import stub

urlpatterns = [
    path("search/", stub, name="search"),
    path("r/<slug:code>/", stub, name="qr"),
]
