"""Addresses of customers' requests, the office's side."""

from django.urls import path

from maintenance.views import requests as views

urlpatterns = [
    path("requests/", views.request_list, name="request_list"),
    path("requests/<int:pk>/", views.request_detail, name="request_detail"),
]
