"""Addresses of rounds and their stops."""

from django.urls import path

from maintenance.views import rounds

urlpatterns = [
    path("rounds/", rounds.round_list, name="round_list"),
    path("rounds/new/", rounds.round_new, name="round_new"),
    path("rounds/<int:pk>/", rounds.round_detail, name="round_detail"),
    path("rounds/<int:pk>/edit/", rounds.round_edit, name="round_edit"),
    path("rounds/<int:pk>/publish/", rounds.round_publish, name="round_publish"),
    path("rounds/<int:pk>/cancel/", rounds.round_cancel, name="round_cancel"),
    path("rounds/<int:pk>/order/", rounds.round_order, name="round_order"),
    path("rounds/<int:pk>/stops/", rounds.stop_add, name="stop_add"),
    path("rounds/<int:pk>/packing/", rounds.round_packing, name="round_packing"),
    path("stops/<int:pk>/shift/", rounds.stop_shift, name="stop_shift"),
    path("stops/<int:pk>/minutes/", rounds.stop_minutes, name="stop_minutes"),
    path("stops/<int:pk>/move/", rounds.stop_move, name="stop_move"),
    path("stops/<int:pk>/remove/", rounds.stop_remove, name="stop_remove"),
    path("tech/rounds/<int:pk>/packing/", rounds.round_packing, name="tech_packing"),
]
