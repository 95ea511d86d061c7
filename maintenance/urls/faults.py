"""Addresses of faults, of mails about them, and of who gets which."""

from django.urls import path

from maintenance.views import faults, notices, now

urlpatterns = [
    path("faults/", faults.fault_list, name="fault_list"),
    path("faults/now/", now.now_panel, name="now_panel"),
    path("faults/acknowledge/", faults.fault_acknowledge, name="fault_acknowledge"),
    path("faults/<int:pk>/", faults.fault_detail, name="fault_detail"),
    path("faults/<int:pk>/over/", faults.fault_over, name="fault_over"),
    path("faults/site/<int:site_pk>/", faults.fault_panel, name="fault_panel"),
    path("faults/mails/", notices.notice_list, name="notice_list"),
    path("faults/mails/rules/", notices.notice_rule_list, name="notice_rule_list"),
    path("faults/mails/rules/offered/", notices.notice_rule_offers, name="notice_rule_offers"),
    path("faults/mails/rules/new/", notices.notice_rule_new, name="notice_rule_new"),
    path("faults/mails/rules/<int:pk>/", notices.notice_rule_edit, name="notice_rule_edit"),
    path("faults/mails/rules/<int:pk>/switch/", notices.notice_rule_switch, name="notice_rule_switch"),
    path("faults/mails/rules/<int:pk>/remove/", notices.notice_rule_remove, name="notice_rule_remove"),
    path("faults/mails/rules/<int:pk>/test/", notices.notice_rule_test, name="notice_rule_test"),
    path("faults/mails/<uuid:uuid>/", notices.notice_detail, name="notice_detail"),
    path("faults/mails/<uuid:uuid>/again/", notices.notice_again, name="notice_again"),
    path("tech/faults/", faults.fault_list, name="tech_fault_list"),
    path("tech/faults/<int:pk>/", faults.fault_detail, name="tech_fault_detail"),
]
