"""Search, and what a printed code opens."""

from django.urls import path

from maintenance.views import home as views
from maintenance.views import style

urlpatterns = [
    path("search/", views.search, name="search"),
    path("tech/search/", views.tech_search, name="tech_search"),
    path("house/style/", style.style, name="style"),
    path("r/<slug:code>/", views.qr, name="qr"),
    # Printed codes hold the whole address in capitals, which makes them smaller.
    path("R/<slug:code>/", views.qr, name="qr_capital"),
]
