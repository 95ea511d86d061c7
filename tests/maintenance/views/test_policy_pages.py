"""Pages of the policy: prices for everybody in the office, the choice for managers."""

import contextlib
import re
import threading
from datetime import timedelta

import pytest
from django.db import connection
from django.urls import reverse

from company import jobs
from company.actions import ensure_policies
from company.models import ChangeRow, Job, RiskPolicy
from maintenance.actions.fits import refresh_fit
from maintenance.models import DueItem, StratumFit
from tests import factories
from tests.factories import NOW, TODAY
from tests.maintenance.views.test_recalls import text_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
HOME = "maintenance:policy"


@pytest.fixture
def cells(world):
    """Ten sets on life safety that use up a third of their charge a year, and one of an unknown kind."""
    for slot in range(2, 13):
        row = factories.make_registration(world.own_receiver, slot)
        DueItem.objects.create(
            customer=row.customer, site=row.site, kind="cells", fitting=factories.make_fitting(row.transmitter, n_cells=2),
            receiver=row.receiver, registration=row, transmitter=row.transmitter, duty="life_safety", harm=0,
            due_on=TODAY + timedelta(days=90), reason="risk_limit", model_version="0", as_of=TODAY, opinions=[],
            rate_per_day=0.001 if slot < 12 else None, flags=["fallback_rate"] if slot % 2 else ["prior_only"],
        )  # fmt: skip


def asked(page, duty="life_safety"):
    form = page.content.decode().split(f'action="{reverse("maintenance:policy_choose", args=[duty])}"')[1]
    (seen,) = re.findall(r'name="seen" value="([^"]+)"', form.split("</form>")[0])
    return {"seen": seen}


def test_each_level_has_its_price_for_this_fleet_and_the_present_one_is_marked(world, cells):
    page = world.client("office").get(reverse(HOME))
    said = text_of(page)
    life, security, _ = page.context["sections"]
    assert [choice["is_present"] for choice in life["choices"]] == [False, True, False]
    assert all(re.match(r"\d", choice["cells"]) for choice in life["choices"])
    assert security["choices"][0]["cells"] == "none"
    assert "11 sets" not in said
    assert "10 sets of cells in service" in said
    assert "1 set of cells is not in these figures" in said
    assert "rest on the catalogue alone" in said
    assert "Only a manager may change the policy" in said
    assert 'type="radio"' not in page.content.decode()


def test_counted_and_assumed_kinds_are_priced_by_their_own_fit(world, cells):
    refresh_fit(at=NOW, as_of=TODAY)
    said = text_of(world.client("office").get(reverse(HOME)))
    assert "rest on the catalogue alone" not in said


def test_own_figures_stand_as_a_row_of_their_own(world, cells):
    policy = ensure_policies()["life_safety"]
    policy.p_dead = 0.02
    policy.save()
    page = world.client("office").get(reverse(HOME))
    choices = page.context["sections"][0]["choices"]
    assert [(choice["name"], choice["is_present"]) for choice in choices][-1] == ("own figures", True)
    assert sum(choice["is_present"] for choice in choices) == 1


def test_a_manager_chooses_a_level_with_a_reason_and_every_date_is_worked_out_anew(
    world, cells, django_capture_on_commit_callbacks
):
    client = world.client("manager")
    fields = asked(client.get(reverse(HOME))) | {"level": "cautious", "reason": "after an incident"}
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(reverse("maintenance:policy_choose", args=["life_safety"]), fields)
    assert answer.status_code == 302
    policy = ensure_policies()["life_safety"]
    assert (policy.p_dead, policy.p_call) == (0.005, 0.05)
    assert ChangeRow.objects.get(verb="save_policy").reason == "after an incident"
    job = Job.objects.get(handler="maintenance.actions.due.refresh_after_policy")
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == "done"
    assert Job.objects.get(handler="maintenance.actions.findings.refresh_night").key == f"findings:{job.key}"
    page = client.get(reverse(HOME))
    assert "Saved: life safety is cautious now." in text_of(page).replace("Life safety is", "life safety is")
    again = client.post(reverse("maintenance:policy_choose", args=["life_safety"]), fields)
    assert again.status_code == 422
    assert "was changed after you opened the page" in text_of(again)


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"reason": " "}, "This field is required"),
        ({"level": "reckless"}, "Select a valid choice"),
        ({"level": "balanced"}, "That is the present choice"),
        ({"seen": "0.5|0.5"}, "was changed after you opened the page"),
        ({"seen": ""}, "This page came back incomplete. Open it again"),
        ({"reason": "x" * 301}, "at most 300"),
    ],
)
def test_a_choice_that_cannot_be_made_says_why_and_changes_nothing(world, over, words):
    client = world.client("manager")
    fields = asked(client.get(reverse(HOME))) | {"level": "cautious", "reason": "after an incident"}
    page = client.post(reverse("maintenance:policy_choose", args=["life_safety"]), fields | over)
    assert page.status_code == 422
    assert words in text_of(page)
    assert "Seen:" not in text_of(page)
    # The next try is made against the row as this page shows it.
    assert asked(page)["seen"] == ensure_policies()["life_safety"].seen
    assert ensure_policies()["life_safety"].p_dead == 0.01
    assert not ChangeRow.objects.filter(verb="save_policy").exists()


@pytest.mark.django_db(transaction=True)
def test_of_two_choices_sent_at_the_same_moment_the_second_is_told(world, monkeypatch):
    clients = [world.client("manager") for _ in range(2)]
    fields = asked(clients[0].get(reverse(HOME))) | {"level": "cautious", "reason": "after an incident"}
    gate, between, answers = threading.Barrier(2), threading.Barrier(2), []
    check = RiskPolicy.full_clean

    def meet(policy, *args, **kwargs):
        """Between the question and the write: without the lock both would get here and both would write."""
        with contextlib.suppress(threading.BrokenBarrierError):
            between.wait(timeout=1)
        check(policy, *args, **kwargs)

    monkeypatch.setattr(RiskPolicy, "full_clean", meet)

    def send(client):
        try:
            gate.wait(timeout=20)
            answers.append(client.post(reverse("maintenance:policy_choose", args=["life_safety"]), fields).status_code)
        finally:
            connection.close()

    threads = [threading.Thread(target=send, args=(client,)) for client in clients]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert sorted(answers) == [302, 422]
    assert ChangeRow.objects.filter(verb="save_policy").count() == 1
    assert Job.objects.filter(handler="maintenance.actions.due.refresh_after_policy").count() == 1


def test_only_managers_choose(world):
    fields = {"level": "cautious", "reason": "x", "seen": "0.01|0.1"}
    for who in ("office", "technician", "own_user"):
        assert (
            world.client(who).post(reverse("maintenance:policy_choose", args=["security"]), fields).status_code == 404
        )
    assert (
        world.client("manager").post(reverse("maintenance:policy_choose", args=["nothing"]), fields).status_code == 404
    )


@pytest.mark.parametrize("with_fit", [False, True])
def test_one_click_deeper_shows_the_curve_and_every_kind(world, cells, with_fit):
    if with_fit:
        refresh_fit(at=NOW, as_of=TODAY)
        StratumFit.objects.filter(n_in_service__gt=0).update(z=4.4, in_alarm=True)
    page = world.client("office").get(reverse("maintenance:policy_curve", args=["life_safety"]))
    said = text_of(page)
    assert "<svg" in page.content.decode()
    assert "cells a year fall from" in said
    assert "fewer than one in a thousand" in said or "one in a thousand" in said
    assert ("of its charge" in said) is with_fit
    assert ("4.4 alarm" in said) is with_fit


def test_the_curve_of_a_duty_without_cells_says_so(world):
    said = text_of(world.client("office").get(reverse("maintenance:policy_curve", args=["convenience"])))
    assert "Nothing is in service on this duty" in said
    assert world.client("office").get(reverse("maintenance:policy_curve", args=["nothing"])).status_code == 404
