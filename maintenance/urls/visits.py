"""Addresses of visits: the office's view, and the technician's pages under /tech/."""

from django.urls import path

from maintenance.views import history, plans, sheet, site_work, tech, visits

urlpatterns = [
    path("visits/", visits.visit_list, name="visit_list"),
    path("visits/site/<int:site_pk>/", site_work.site_work_panel, name="site_work_panel"),
    path("visits/slot/<int:receiver_pk>/<int:slot>/", history.slot_work_panel, name="slot_work_panel"),
    path("visits/<int:pk>/", visits.visit_detail, name="visit_detail"),
    path("visits/<int:pk>/remark/", visits.visit_remark, name="visit_remark"),
    path("visits/<int:pk>/crew/", visits.visit_crew, name="visit_crew"),
    path("visits/entries/<int:pk>/", sheet.entry_correct, name="visit_entry"),
    path("visits/entries/<int:pk>/withdraw/", sheet.entry_withdraw, name="visit_entry_withdraw"),
    path("tech/", tech.tech_today, name="tech_today"),
    path("tech/sites/", tech.tech_sites, name="tech_sites"),
    path("tech/sites/<int:pk>/", tech.tech_site, name="tech_site"),
    path("tech/sites/<int:pk>/visit/", tech.tech_call_out, name="tech_call_out"),
    path("tech/visits/<int:pk>/", sheet.tech_visit, name="tech_visit"),
    path("tech/visits/<int:pk>/start/", tech.tech_start, name="tech_start"),
    path("tech/visits/<int:pk>/record/<slug:kind>/", sheet.tech_record, name="tech_record"),
    path("tech/visits/<int:pk>/finish/", sheet.tech_finish, name="tech_finish"),
    path("tech/visits/<int:pk>/access-notes/<int:note_pk>/show/", tech.tech_access_note, name="tech_access_note"),
    path("tech/visits/<int:pk>/plans/<int:plan_pk>/done/", plans.tech_plan_done, name="tech_plan_done"),
    path("tech/entries/<int:pk>/", sheet.entry_correct, name="tech_entry"),
    path("tech/entries/<int:pk>/withdraw/", sheet.entry_withdraw, name="tech_entry_withdraw"),
]
