"""Applying an import: once however often it is pressed, whole or not at all, whatever happens meanwhile."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.management import call_command

from company import jobs
from company.bulk import Statement
from company.models import ChangeRow, Job
from devices import imports
from devices.models import Receiver, Registration
from devices.signals import slot_map_changed
from sites.models import Site
from tests.devices.rules.import_world import right_sheets, spoilt
from tests.devices.test_imports import apply, bring_in, check, everything


@pytest.fixture(autouse=True)
def _catalogue(db: Any) -> None:
    call_command("load_catalogue", verbosity=0)


def test_pressing_apply_twice_applies_once(world):
    client = world.client("office")
    url = check(client, right_sheets())
    preview = client.get(url).context["seen"]["preview"]
    for _ in range(2):
        client.post(f"{url}apply/", {"preview": preview})
    jobs.run_ready()
    client.post(f"{url}apply/", {"preview": preview})
    jobs.run_ready()
    assert Job.objects.filter(handler="devices.imports.apply_upload").count() == 1
    assert Registration.objects.filter(receiver__site__code="HARB-1").count() == 2


def test_an_apply_for_another_preview_is_refused(world):
    client = world.client("office")
    url = check(client, right_sheets())
    client.post(f"{url}apply/", {"preview": "0" * 64})
    assert not Job.objects.filter(handler="devices.imports.apply_upload").exists()


def test_records_that_changed_after_the_preview_are_shown_anew_and_nothing_is_written(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    url = check(client, spoilt("slots", "supervision window", "24 h"))
    bring_in(client, spoilt("slots", "supervision window", "60 min"))
    before = everything()
    apply(client, url)
    assert everything() == before
    page = client.get(f"{url}?view=rows&fate=changed")
    assert "The records have changed since you looked" in page.content.decode()
    assert page.context["page"][0][4] == [["supervision window", "60 min", "24 h"]]
    apply(client, url)
    assert Registration.objects.get(receiver__site__code="HARB-1", slot=1, removed_at=None).window_s == 86400


def test_a_record_changed_between_reading_and_writing_makes_the_job_look_again(world, monkeypatch):
    client = world.client("office")
    url = check(client, right_sheets())
    real, seen = imports.actions.apply_import, []

    def meddled(**given: Any) -> Any:
        if not seen:
            ChangeRow.objects.create(
                verb="edit_receiver", subject_kind="receiver", subject_id=1, subject_text="x", by=world.office
            )
        seen.append(given["mark"])
        return real(**given)

    monkeypatch.setattr(imports.actions, "apply_import", meddled)
    apply(client, url)
    assert len(seen) == 2
    assert Registration.objects.filter(receiver__site__code="HARB-1").count() == 2


def test_a_crash_in_the_middle_leaves_nothing_and_the_job_runs_again(world, monkeypatch):
    client = world.client("office")
    url = check(client, right_sheets())
    before = everything()
    real, done = Statement.run, []

    def broken(self: Statement) -> None:
        real(self)
        done.append(Site.objects.filter(code="HARB-1").exists())
        if len(done) == 6:
            raise RuntimeError("power cut")

    with monkeypatch.context() as patch:
        patch.setattr(Statement, "run", broken)
        apply(client, url)
    assert done[-1], "the site had been written when the power went"
    assert everything() == before
    job = Job.objects.get(handler="devices.imports.apply_upload")
    assert job.state == Job.State.WAITING
    Job.objects.filter(pk=job.pk).update(not_before=job.created_at)
    jobs.run_ready()
    assert Registration.objects.filter(receiver__site__code="HARB-1").count() == 2
    assert client.get(url).context["written"]


def test_a_worker_that_lost_its_lease_writes_nothing(world):
    client = world.client("office")
    url = check(client, right_sheets())
    client.post(f"{url}apply/", {"preview": client.get(url).context["seen"]["preview"]})
    job = Job.objects.get(handler="devices.imports.apply_upload")
    jobs.claim(job.pk)
    before = everything()
    stolen = jobs.Handle(job=job, attempt=1)
    Job.objects.filter(pk=job.pk).update(attempts=2)
    with pytest.raises(jobs.LeaseLost):
        imports.apply_upload(stolen, **job.args)
    assert everything() == before


def test_due_dates_are_told_once_with_every_receiver(world, django_capture_on_commit_callbacks):
    client = world.client("office")
    url = check(client, right_sheets())
    heard: list[dict[str, Any]] = []

    def listen(**given: Any) -> None:
        heard.append(given)

    slot_map_changed.connect(listen)
    try:
        with django_capture_on_commit_callbacks(execute=True):
            apply(client, url)
    finally:
        slot_map_changed.disconnect(listen)
    receiver = Receiver.objects.get(site__code="HARB-1")
    assert [(h["receiver_ids"], h["site_ids"]) for h in heard] == [([receiver.pk], [receiver.site_id])]
