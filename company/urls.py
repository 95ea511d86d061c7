"""The map of addresses. Apps are mounted by name, so nothing here imports upward."""

from django.contrib import admin
from django.urls import include, path

from company import views

company_urls = (
    [
        path("", views.home, name="home"),
        path("healthz/", views.health, name="health"),
        path("firm/", views.settings_home, name="settings_home"),
        path("firm/edit/", views.firm_edit, name="firm_edit"),
        path("firm/logo/", views.firm_logo, name="firm_logo"),
        path("firm/policy/<slug:duty>/", views.policy_edit, name="policy_edit"),
        path("people/", views.person_list, name="person_list"),
        path("people/new/", views.person_new, name="person_new"),
        path("people/<int:pk>/", views.person_edit, name="person_edit"),
        path("people/<int:pk>/invite/", views.person_invite, name="person_invite"),
        path("people/<int:pk>/withdraw/", views.person_withdraw, name="person_withdraw"),
        path("people/<int:pk>/leave/", views.person_leave, name="person_leave"),
        path("people/<int:pk>/return/", views.person_return, name="person_return"),
        path("people/<int:pk>/factor/", views.person_factor, name="person_factor"),
        path("people/<int:pk>/sign-out/", views.person_sign_out, name="person_sign_out"),
        path("people/<int:pk>/day/", views.technician_edit, name="technician_edit"),
        path("people/<int:pk>/days-off/", views.days_off_add, name="days_off_add"),
        path("people/<int:pk>/days-off/remove/", views.days_off_remove, name="days_off_remove"),
        path("me/", views.profile, name="profile"),
        path("me/look/", views.theme_set, name="theme_set"),
        path("me/sessions/", views.session_list, name="session_list"),
        path("me/sessions/end-others/", views.sessions_end_others, name="sessions_end_others"),
        path("me/sessions/<int:pk>/end/", views.session_end, name="session_end"),
        path("customers/", views.customer_list, name="customer_list"),
        path("customers/new/", views.customer_new, name="customer_new"),
        path("customers/<int:pk>/", views.customer_detail, name="customer_detail"),
        path("customers/<int:pk>/edit/", views.customer_edit, name="customer_edit"),
        path("customers/<int:pk>/close/", views.customer_close, name="customer_close"),
        path("customers/<int:customer_pk>/contacts/new/", views.contact_new, name="contact_new"),
        path("customers/<int:customer_pk>/access/", views.access_give, name="access_give"),
        path("contacts/<int:pk>/", views.contact_edit, name="contact_edit"),
        path("contacts/<int:pk>/remove/", views.contact_remove, name="contact_remove"),
        path("access/<int:pk>/end/", views.access_end, name="access_end"),
        path("changes/", views.change_list, name="change_list"),
        path("changes/<int:pk>/undo/", views.change_undo, name="change_undo"),
        path("changes/batch/<uuid:uuid>/undo/", views.change_undo_batch, name="change_undo_batch"),
        path("jobs/", views.job_list, name="job_list"),
        path("jobs/<uuid:uuid>/", views.job_detail, name="job_detail"),
        path("jobs/<uuid:uuid>/retry/", views.job_retry, name="job_retry"),
    ],
    "company",
)

urlpatterns = [
    # First, because addresses are tried in order and the slot map is what is opened most.
    path("", include("devices.urls")),
    path("", include(company_urls)),
    path("accounts/", include("allauth.account.urls")),
    path("accounts/2fa/", include("allauth.mfa.urls")),
    path("admin/", admin.site.urls),
    path("sites/", include("sites.urls")),
    path("", include("maintenance.urls")),
]
