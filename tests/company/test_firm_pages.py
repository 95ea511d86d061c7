"""Pages of the firm: settings and policy, people, background work."""

from __future__ import annotations

from datetime import time

import pytest
from django.core import mail
from django.urls import reverse

from company import jobs
from company.actions import PolicyChangedSince, PolicyUnchanged, ensure_firm, save_policy
from company.errors import Refused
from company.models import ChangeRow, Firm, Job, RiskPolicy, Technician, User
from tests import factories


def grow(client, url, make, small=3, large=23):
    """Numbers of queries of a list with few and with many rows."""
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    counts = []
    for n in (small, large - small):
        for _ in range(n):
            make()
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert client.get(url).status_code == 200
        counts.append(len(queries))
    return counts


def test_home_sends_each_person_to_where_their_day_begins(world):
    for who, target in [("office", "office_home"), ("technician", "tech_today"), ("own_user", "portal_home")]:
        response = world.client(who).get("/")
        assert response.status_code == 302
        assert response.url == reverse(f"maintenance:{target}")


def test_settings_show_the_policy_of_each_duty_with_its_source(world):
    RiskPolicy.objects.filter(duty="security").update(source_note="Contract 12, clause 4")
    page = world.client("office").get("/firm/").content.decode()
    assert "Contract 12, clause 4" in page
    assert page.index("Life safety") < page.index("Security") < page.index("Convenience")


def test_only_a_manager_may_change_the_firm(world):
    assert world.client("office").get("/firm/edit/").status_code == 404
    assert world.client("technician").get("/firm/edit/").status_code == 404
    assert world.client("manager").get("/firm/edit/").status_code == 200


def firm_data(**over):
    data = {
        "name": "Skarrow Signal Works", "address": "3 Mole Head", "phone": "", "email": "", "paper": "letter",
        "currency": "gbp", "cost_per_hour": "71.50", "cost_per_km": "0.55", "cost_per_callout": "140",
        "language": "en", "units": "m", "date_style": "day_month", "paper_note": "", "seen": ensure_firm().seen,
    }  # fmt: skip
    return data | over


def test_a_manager_changes_the_letterhead_and_it_is_written_down(world):
    response = world.client("manager").post("/firm/edit/", firm_data())
    assert response.status_code == 302
    firm = Firm.objects.get()
    assert (firm.name, firm.paper, firm.currency, str(firm.cost_per_hour)) == (
        "Skarrow Signal Works", "letter", "GBP", "71.50",
    )  # fmt: skip
    row = ChangeRow.objects.get(verb="save_firm")
    assert row.by == world.manager
    assert row.before["paper"] == "a4"
    assert row.after["paper"] == "letter"
    assert "Skarrow Signal Works" in world.client("office").get("/firm/").content.decode()


@pytest.mark.parametrize("name", ["cost_per_hour", "cost_per_km", "cost_per_callout"])
@pytest.mark.parametrize("value", ["-5", "500001"])
def test_a_cost_below_nothing_or_beyond_sense_is_refused(world, name, value):
    before = ensure_firm().seen
    response = world.client("manager").post("/firm/edit/", firm_data(**{name: value}))
    assert response.status_code == 422
    assert Firm.objects.get().seen == before


def test_a_refused_form_comes_back_with_422_and_writes_nothing(world):
    response = world.client("manager").post("/firm/edit/", firm_data(name="", cost_per_hour="NaN"))
    assert response.status_code == 422
    assert 'aria-invalid="true"' in response.content.decode()
    assert Firm.objects.get().name != ""
    assert not ChangeRow.objects.filter(verb="save_firm").exists()


def policy_data(**over):
    data = {
        "seen": RiskPolicy.objects.get(duty="life_safety").seen,
        "p_dead": "0.02", "p_call": "0.1", "grace_days": "5", "calendar_cap_days": "1000", "longest_window_h": "2",
        "source_note": "Contract", "reason": "asked by the insurer",
    }  # fmt: skip
    return data | over


def test_a_policy_is_changed_with_its_reason(world):
    assert world.client("manager").post("/firm/policy/life_safety/", policy_data()).status_code == 302
    policy = RiskPolicy.objects.get(duty="life_safety")
    assert (policy.p_dead, policy.longest_window_s, policy.source_note) == (0.02, 7200, "Contract")
    row = ChangeRow.objects.get(verb="save_policy")
    assert row.reason == "asked by the insurer"
    assert row.before["p_dead"] == 0.01


@pytest.mark.parametrize(
    "over",
    [
        {"reason": " "},
        {"seen": ""},
        {"p_dead": "0.11"},
        {"p_dead": "0.9"},
        {"p_dead": "NaN"},
        {"calendar_cap_days": "3"},
        {"longest_window_h": ""},
        {"grace_days": "-1"},
    ],
)
def test_a_policy_out_of_range_is_refused(world, over):
    response = world.client("manager").post("/firm/policy/life_safety/", policy_data(**over))
    assert response.status_code == 422
    assert RiskPolicy.objects.get(duty="life_safety").grace_days == 7


def test_more_found_dead_than_running_low_is_told_at_the_field(world):
    page = world.client("manager").post("/firm/policy/life_safety/", policy_data(p_dead="0.2")).content.decode()
    assert "Must not be above the share signalling low (0.1)" in page.split('id="id_p_dead_error"')[1].split("</p>")[0]
    assert world.client("manager").post("/firm/policy/life_safety/", policy_data(p_dead="0.1")).status_code == 302


def test_a_page_that_came_back_incomplete_says_so_without_the_name_of_a_field(world):
    page = world.client("manager").post("/firm/policy/life_safety/", policy_data(seen="")).content.decode()
    assert "<p>This page came back incomplete. Open it again" in page
    assert "Seen" not in page
    assert "<ul></ul>" not in page


def test_the_form_carries_what_was_seen_and_a_row_changed_since_is_not_overwritten(world):
    client = world.client("manager")
    opened = client.get("/firm/policy/life_safety/").content.decode()
    mine = policy_data()
    assert mine["seen"] in opened
    assert client.post("/firm/policy/life_safety/", policy_data(grace_days="9")).status_code == 302
    late = client.post("/firm/policy/life_safety/", mine)
    assert late.status_code == 422
    assert "was changed after you opened the page, so nothing was saved" in late.content.decode()
    assert RiskPolicy.objects.get(duty="life_safety").grace_days == 9
    assert ChangeRow.objects.filter(verb="save_policy").count() == 1


def test_the_second_of_two_saves_is_told_under_the_lock(world, django_capture_on_commit_callbacks):
    """Both were let through by their views: only the action, which has locked the row, can tell them apart."""
    first, second = (RiskPolicy.objects.get(duty="security") for _ in range(2))
    seen = first.seen
    first.p_dead = second.p_dead = 0.02
    with django_capture_on_commit_callbacks(execute=True):
        save_policy(policy=first, by=world.manager, at=factories.NOW, reason="x", seen=seen)
        with pytest.raises(PolicyChangedSince):
            save_policy(policy=second, by=world.manager, at=factories.NOW, reason="x", seen=seen)
        with pytest.raises(PolicyUnchanged):
            save_policy(policy=second, by=world.manager, at=factories.NOW, reason="x")
    assert ChangeRow.objects.filter(verb="save_policy").count() == 1
    assert Job.objects.filter(key__startswith="policy:security").count() == 1


def test_an_action_lets_no_more_be_found_dead_than_run_low(world):
    policy = RiskPolicy.objects.get(duty="security")
    policy.p_dead = policy.p_call + 0.01
    with pytest.raises(Refused, match="cannot be above"):
        save_policy(policy=policy, by=world.manager, at=factories.NOW)
    assert RiskPolicy.objects.get(duty="security").p_dead == 0.03


def test_saving_what_stands_writes_nothing_and_says_so(world):
    client = world.client("manager")
    assert client.post("/firm/policy/life_safety/", policy_data()).status_code == 302
    again = client.post("/firm/policy/life_safety/", policy_data())
    assert again.status_code == 422
    assert "there is nothing to change" in again.content.decode()
    assert ChangeRow.objects.filter(verb="save_policy").count() == 1


@pytest.mark.parametrize(
    ("stood", "over", "stands"),
    [
        ("suggestion of this product, thrifty", {}, "own figures"),
        ("own suggestion", {"grace_days": "6"}, "own figures"),
        ("suggestion of this product, thrifty", {"source_note": "Contract 12"}, "Contract 12"),
        ("Contract 12", {}, "Contract 12"),
    ],
)
def test_own_figures_do_not_bear_the_note_of_a_suggestion(world, stood, over, stands):
    RiskPolicy.objects.filter(duty="life_safety").update(source_note=stood)
    data = policy_data(source_note=stood) | over
    assert world.client("manager").post("/firm/policy/life_safety/", data).status_code == 302
    assert RiskPolicy.objects.get(duty="life_safety").source_note == stands


def test_an_unknown_duty_has_no_policy_page(world):
    assert world.client("manager").get("/firm/policy/decoration/").status_code == 404


def test_an_invited_person_gets_a_mail_and_sets_a_password_with_it(world, client):
    data = {"name": "Ines Okoro", "email": "Ines@Example.org", "phone": "", "audience": "technician"}
    response = world.client("manager").post("/people/new/", data)
    person = User.objects.get(email="ines@example.org")
    assert response.url == person.get_absolute_url()
    assert not person.has_usable_password()
    assert mail.outbox[0].to == ["ines@example.org"]
    link = next(word for word in mail.outbox[0].body.split() if "/password/reset/key/" in word)
    page = client.get("/" + link.split("/", 3)[3], follow=True)
    form = {"password1": "lamp-on-the-mole-7", "password2": "lamp-on-the-mole-7"}
    assert client.post(page.request["PATH_INFO"], form).status_code == 302
    person.refresh_from_db()
    assert person.check_password("lamp-on-the-mole-7")


def test_an_address_that_is_in_use_is_refused_in_words(world):
    data = {"name": "X", "email": world.office.email.upper(), "audience": "office"}
    response = world.client("manager").post("/people/new/", data)
    assert response.status_code == 422
    assert "already in use" in response.content.decode()
    assert mail.outbox == []


def person_data(person, **over):
    data = {"name": person.name, "email": person.email, "phone": "", "audience": person.audience}
    if person.is_manager:
        data["is_manager"] = "on"
    data |= over
    return {key: value for key, value in data.items() if value is not None}


def test_the_last_manager_cannot_lock_themselves_out(world):
    response = world.client("manager").post(
        world.manager.get_absolute_url(), person_data(world.manager, is_manager=None)
    )
    assert response.status_code == 422
    assert "last manager" in response.content.decode()
    world.manager.refresh_from_db()
    assert world.manager.is_manager


def test_a_technician_cannot_be_made_a_manager(world):
    url = world.technician.get_absolute_url()
    response = world.client("manager").post(url, person_data(world.technician, is_manager="on"))
    assert response.status_code == 422


def hours_data(**over):
    return {f"d{day}_{end}": "" for day in range(7) for end in ("from", "to")} | over


def test_a_technicians_day_is_kept_per_weekday(world):
    url = reverse("company:technician_edit", args=[world.technician.pk])
    data = hours_data(d0_from="08:00", d0_to="16:30", start_place="Depot", skills="ladders")
    assert world.client("manager").post(url, data).status_code == 302
    technician = Technician.objects.get(user=world.technician)
    assert [(s.weekday, s.begins, s.ends) for s in technician.shifts.all()] == [(0, time(8), time(16, 30))]
    assert world.client("manager").post(url, hours_data(start_place="Depot")).status_code == 302
    assert not technician.shifts.exists()


@pytest.mark.parametrize("over", [{"d2_from": "09:00"}, {"d2_from": "17:00", "d2_to": "09:00"}, {"d2_to": "25:00"}])
def test_hours_that_make_no_sense_are_refused(world, over):
    url = reverse("company:technician_edit", args=[world.technician.pk])
    response = world.client("manager").post(url, hours_data(**over))
    assert response.status_code == 422
    assert not Technician.objects.exists()


def test_nobody_but_a_technician_has_a_working_day(world):
    assert world.client("manager").get(reverse("company:technician_edit", args=[world.office.pk])).status_code == 404


def test_the_list_of_people_is_found_by_words_and_by_audience(world):
    factories.make_user("portal", name="Pat Carer")
    page = world.client("office").get("/people/?q=carer").content.decode()
    assert "Pat Carer" in page
    assert world.technician.email not in page
    assert world.technician.email in world.client("office").get("/people/?audience=technician").content.decode()


def test_people_and_jobs_take_the_same_number_of_queries_however_many_there_are(world):
    client = world.client("manager")
    few, many = grow(client, "/people/", lambda: factories.make_user("technician"))
    assert few == many
    numbers = iter(range(1000))

    def make_job():
        jobs.enqueue(handler="company.jobs.run_ready", key=f"k{next(numbers)}", title="x", by=factories.make_user())

    few, many = grow(client, "/jobs/", make_job)
    assert few == many


@pytest.fixture
def job(world):
    return jobs.enqueue(handler="company.jobs.run_ready", key="k", title="Import of a workbook", by=world.technician)


def test_a_waiting_job_asks_again_by_itself_with_and_without_scripts(world, job):
    page = world.client("technician").get(job.get_absolute_url()).content.decode()
    assert 'hx-trigger="every 1s"' in page
    assert '<noscript><meta http-equiv="refresh"' in page


def test_a_job_that_is_done_leads_to_what_came_of_it_and_asks_no_more(world, job):
    Job.objects.update(state="done", result_url="/sites/7/")
    page = world.client("technician").get(job.get_absolute_url(), headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in page
    assert 'href="/sites/7/"' in page
    assert "hx-trigger" not in page


def test_a_fault_of_the_program_is_not_shown_but_a_refusal_is(world, job):
    Job.objects.update(state="failed", error="Traceback (most recent call last): secret.py")
    page = world.client("office").get(job.get_absolute_url()).content.decode()
    assert "secret.py" not in page
    assert "did not work" in page
    Job.objects.update(error="The sheet “slots” has no column “slot”.")
    assert "has no column" in world.client("office").get(job.get_absolute_url()).content.decode()


def test_a_failed_job_is_started_again_by_hand_and_only_a_failed_one(world, job):
    url = reverse("company:job_retry", args=[job.uuid])
    Job.objects.update(state="failed", attempts=3)
    assert world.client("office").post(url).status_code == 302
    job.refresh_from_db()
    assert (job.state, job.attempts) == ("waiting", 0)
    assert "Only a job that has failed" in world.client("office").post(url, follow=True).content.decode()


def test_a_job_of_somebody_else_is_not_there(world, job):
    other = factories.make_user("technician")
    world.technician = other
    assert world.client("technician").get(job.get_absolute_url()).status_code == 404
    assert world.client("own_user").get(job.get_absolute_url()).status_code == 404


@pytest.mark.parametrize(("typed", "kept"), [("24", 24), ("240", 240), ("", None)])
def test_a_manager_says_how_many_months_of_check_ins_are_kept(world, typed, kept):
    ensure_firm()
    Firm.objects.update(checkin_months=36)
    assert world.client("manager").post("/firm/edit/", firm_data(checkin_months=typed)).status_code == 302
    assert Firm.objects.get().checkin_months == kept
    row = ChangeRow.objects.get(verb="save_firm")
    assert (row.before["checkin_months"], row.after["checkin_months"]) == (36, kept)


@pytest.mark.parametrize("typed", ["23", "241", "-1", "many"])
def test_check_ins_are_kept_for_two_years_at_least_and_twenty_at_most(world, typed):
    response = world.client("manager").post("/firm/edit/", firm_data(checkin_months=typed))
    assert response.status_code == 422
    assert Firm.objects.get().checkin_months is None


def test_the_form_says_what_is_lost_and_what_is_kept(world):
    page = world.client("manager").get("/firm/edit/").content.decode()
    assert "nobody can bring them back" in page
    assert "Kept for ever are the sums of each set of cells" in page
    Firm.objects.update(checkin_months=30, checkins_from="2024-05-01")
    page = world.client("office").get("/firm/").content.decode()
    assert "30 months" in page
    assert "before 1 May 2024" in page
