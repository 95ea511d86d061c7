"""Addresses of due dates."""

from django.urls import path

from company.views import stub

urlpatterns = [
    path("due/", stub, name="due_list"),
    path("due/<int:pk>/", stub, name="due_why"),
    path("due/site/<int:site_pk>/", stub, name="due_panel"),
]
