"""Addresses of what is installed."""

from django.urls import path

from company.views import stub

app_name = "devices"
urlpatterns = [
    path("receivers/", stub, name="receiver_list"),
    path("receivers/<int:pk>/", stub, name="slot_map"),
    path("receivers/<int:pk>/slots/<int:slot>/", stub, name="slot_detail"),
    path("transmitters/<int:pk>/", stub, name="transmitter_detail"),
    path("import/", stub, name="import_list"),
    path("sites/<int:site_pk>/receivers/", stub, name="site_receivers"),
]
