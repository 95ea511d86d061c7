"""Addresses of places."""

from django.urls import path

from sites import views
from sites.views import closures

app_name = "sites"
urlpatterns = [
    path("", views.site_list, name="site_list"),
    path("list.csv", views.site_list_csv, name="site_list_csv"),
    path("new/", views.site_new, name="site_new"),
    path("<int:pk>/", views.site_detail, name="site_detail"),
    path("<int:pk>/edit/", views.site_edit, name="site_edit"),
    path("<int:pk>/close/", views.site_close, name="site_close"),
    path("<int:site_pk>/hours/", views.hours_edit, name="hours_edit"),
    path("<int:site_pk>/closures/new/", views.closure_new, name="closure_new"),
    path("closures/file/", closures.closure_file_new, name="closure_file_new"),
    path("closures/file/template/", closures.closure_template, name="closure_template"),
    path("closures/file/<uuid:uuid>/", closures.closure_file, name="closure_file"),
    path("closures/file/<uuid:uuid>/apply/", closures.closure_file_apply, name="closure_file_apply"),
    path("closures/<int:pk>/", views.closure_edit, name="closure_edit"),
    path("closures/<int:pk>/remove/", views.closure_remove, name="closure_remove"),
    path("<int:site_pk>/hazards/new/", views.hazard_new, name="hazard_new"),
    path("hazards/<int:pk>/", views.hazard_edit, name="hazard_edit"),
    path("hazards/<int:pk>/clear/", views.hazard_clear, name="hazard_clear"),
    path("<int:site_pk>/areas/new/", views.area_new, name="area_new"),
    path("areas/<int:pk>/", views.area_edit, name="area_edit"),
    path("areas/<int:pk>/remove/", views.area_remove, name="area_remove"),
    path("<int:site_pk>/centres/new/", views.centre_new, name="centre_new"),
    path("centres/<int:pk>/", views.centre_edit, name="centre_edit"),
    path("centres/<int:pk>/remove/", views.centre_remove, name="centre_remove"),
    path("<int:site_pk>/plans/new/", views.plan_new, name="plan_new"),
    path("plans/<int:pk>/picture/", views.plan_picture, name="plan_picture"),
    path("plans/<int:pk>/edit/", views.plan_edit, name="plan_edit"),
    path("plans/<int:pk>/move/", views.plan_move, name="plan_move"),
    path("plans/<int:pk>/remove/", views.plan_remove, name="plan_remove"),
    path("plans/<int:pk>/put-back/", views.plan_put_back, name="plan_put_back"),
    path("access-log/", views.access_log, name="access_log"),
    path("access-log.csv", views.access_log_csv, name="access_log_csv"),
    path("<int:site_pk>/access-notes/", views.access_notes, name="access_notes"),
    path("<int:site_pk>/access-notes/new/", views.access_note_new, name="access_note_new"),
    path("access-notes/<int:pk>/", views.access_note_edit, name="access_note_edit"),
    path("access-notes/<int:pk>/show/", views.access_note_show, name="access_note_show"),
    path("access-notes/<int:pk>/remove/", views.access_note_remove, name="access_note_remove"),
    path("portal-access/<int:access_pk>/", views.portal_sites, name="portal_sites"),
]
