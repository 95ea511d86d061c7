"""Addresses of the policy and what it costs."""

from django.urls import path

from maintenance.views import policy

urlpatterns = [
    path("due/policy/", policy.policy, name="policy"),
    path("due/policy/<slug:duty>/", policy.policy_choose, name="policy_choose"),
    path("due/policy/<slug:duty>/curve/", policy.policy_curve, name="policy_curve"),
]
