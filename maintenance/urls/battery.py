"""Addresses of how the predictions came out, and of what is known of each kind."""

from django.urls import path

from maintenance.views import honesty, kinds

urlpatterns = [
    path("due/honest/", honesty.honesty, name="honesty"),
    path("due/honest/table.csv", honesty.honesty_csv, name="honesty_csv"),
    path("due/honest/again/", honesty.honesty_again, name="honesty_again"),
    path("due/kinds/", kinds.kinds, name="kinds"),
    path("due/kinds/<int:pk>/", kinds.kind_detail, name="kind_detail"),
]
