"""Addresses of lots."""

from django.urls import path

from maintenance.views import lots

urlpatterns = [
    path("due/lots/", lots.lots, name="lots"),
    path("due/lots/<int:pk>/", lots.lot_detail, name="lot_detail"),
    path("due/lots/<int:pk>/rounds/", lots.lot_rounds, name="lot_rounds"),
]
