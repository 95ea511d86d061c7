"""A changed policy moves the dates at once, in the background."""

from company import jobs
from company.actions import ensure_policies, save_policy
from maintenance.actions.due import refresh_receivers
from maintenance.models import DueItem
from tests import factories


def test_a_stricter_policy_moves_dates_earlier(world, django_capture_on_commit_callbacks):
    refresh_receivers(receiver_ids=[world.own_receiver.pk], at=factories.NOW)
    before = DueItem.objects.get(fitting=world.own_fitting).due_on
    policy = ensure_policies()["life_safety"]
    policy.calendar_cap_days = 420
    with django_capture_on_commit_callbacks(execute=True):
        save_policy(policy=policy, by=world.manager, at=factories.NOW, reason="after an incident")
    jobs.run_ready()
    assert DueItem.objects.get(fitting=world.own_fitting).due_on < before
