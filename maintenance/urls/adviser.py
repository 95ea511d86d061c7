"""Addresses of the supervision adviser."""

from django.urls import path

from maintenance.views import adviser

urlpatterns = [
    path("receivers/<int:pk>/slots/<int:slot>/supervision/", adviser.window_advice, name="window_advice"),
    path("receivers/<int:pk>/slots/<int:slot>/supervision/plan/", adviser.window_plan, name="window_plan"),
    path("tech/receivers/<int:pk>/slots/<int:slot>/supervision/", adviser.window_advice, name="tech_window_advice"),
]
