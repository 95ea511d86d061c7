"""Addresses of recalls."""

from django.urls import path

from maintenance.views import recall_rounds, recalls

urlpatterns = [
    path("due/recalls/", recalls.recall_list, name="recall_list"),
    path("due/recalls/new/", recalls.recall_new, name="recall_new"),
    path("due/recalls/<int:pk>/", recalls.recall_detail, name="recall_detail"),
    path("due/recalls/<int:pk>/csv/", recalls.recall_csv, name="recall_csv"),
    path("due/recalls/<int:pk>/print/", recalls.recall_print, name="recall_print"),
    path("due/recalls/<int:pk>/add/", recalls.recall_add, name="recall_add"),
    path("due/recalls/<int:pk>/close/", recalls.recall_close, name="recall_close"),
    path("due/recalls/<int:pk>/rounds/", recall_rounds.recall_rounds, name="recall_rounds"),
    path("due/recalls/items/<int:pk>/", recalls.recall_item, name="recall_item"),
]
