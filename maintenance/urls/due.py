"""Addresses of due dates."""

from django.urls import path

from maintenance.views import due

urlpatterns = [
    path("due/", due.due_list, name="due_list"),
    path("due/<int:pk>/", due.due_why, name="due_why"),
    path("due/site/<int:site_pk>/", due.due_panel, name="due_panel"),
    path("due/transmitter/<int:pk>/", due.check_in_strip, name="check_in_strip"),
]
