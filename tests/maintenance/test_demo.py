"""The demo firm in the database: complete, the same again for the same wish, and never among real records."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest
from django.core.management import call_command
from django.db import models, transaction
from django.db.models import Sum
from django.test import Client
from django.urls import reverse

from company.models import Customer, User
from devices.actions.panels import SOURCE_NAME
from devices.fields import day_number
from devices.models import (
    Away,
    CheckInDay,
    Fault,
    Fitting,
    FittingEnd,
    FittingTotals,
    Output,
    Receiver,
    Registration,
    RegistrationOutput,
    Transmitter,
)
from maintenance.management.demo.lives import lot_days
from maintenance.management.demo.load import Wish, load_firm
from maintenance.management.demo.people import ACCOUNTS
from maintenance.management.demo.world import DemoFirm
from maintenance.models import (
    DueItem,
    Entry,
    FindingRecord,
    IssuedReport,
    Recall,
    RefreshRun,
    Request,
    Round,
    Visit,
    WalkTest,
)
from maintenance.reports.left_due import NO_REASON, left_facts
from sites.models import Site

TODAY = date(2026, 11, 25)
SMALL = Wish(seed=28, today=TODAY, n_transmitters=150, n_reports=1)


@pytest.fixture(scope="module")
def firm(django_db_setup: Any, django_db_blocker: Any) -> Iterator[DemoFirm]:
    """A small firm, loaded once for this module and rolled back after it."""
    with django_db_blocker.unblock(), transaction.atomic():
        loaded = load_firm(SMALL)
        assert loaded is not None
        yield loaded
        transaction.set_rollback(True)


@pytest.mark.django_db
def test_everything_built_is_in_the_records(firm: DemoFirm) -> None:
    assert Site.objects.count() == len(firm.sites)
    assert Receiver.objects.count() == len(firm.receivers)
    # One more: swapped for a broken one. A registration more, and one for a planned change that was done.
    assert Transmitter.objects.count() == len(firm.transmitters) + 1
    assert Registration.objects.count() == len(firm.slots) + 2
    # Three sets of cells more: two changed on the stop that is under way, one in the swapped unit.
    assert Fitting.objects.count() == len(firm.fittings) + 3
    assert Customer.objects.count() == 15
    assert Request.objects.count() == 3


@pytest.mark.django_db
def test_one_unit_is_on_loan_and_due_back_soon(firm: DemoFirm) -> None:
    lent = Transmitter.objects.get(loan_until__isnull=False)
    assert lent.replaces is not None, "it stands in for a broken one"
    assert lent.registrations.open().exists()
    assert TODAY < lent.loan_until <= TODAY + timedelta(days=28)
    assert not FindingRecord.objects.open().filter(code="loan_over").exists()
    office = Client()
    office.force_login(User.objects.filter(audience="office").first())
    page = office.get(reverse("devices:loan_list")).content.decode()
    assert lent.serial in page
    assert reverse("devices:loan_transmitter", args=[lent.pk]) in page


@pytest.mark.django_db
def test_each_account_opens_with_the_printed_password(firm: DemoFirm) -> None:
    for account in ACCOUNTS:
        user = User.objects.get(email=account.email)
        assert user.check_password(account.password)
        assert (user.audience, user.is_manager) == (account.audience, account.is_manager)
    portal = User.objects.get(email="hostel@skarrow-schools.example")
    assert [site.code for site in Site.objects.visible_to(portal)] == ["SSB-03"]


@pytest.mark.django_db
def test_planted_oddities_are_in_the_records(firm: DemoFirm) -> None:
    truth, here = firm.truth, Registration.objects.open()

    def row(serial: str) -> Registration:
        return here.get(transmitter__serial=serial, input_number=1)

    assert row(truth.carried_off_serial).is_portable
    assert row(truth.carried_off_serial).window_s == 86400
    assert (row(truth.unsupervised_serial).duty, row(truth.unsupervised_serial).supervision) == ("life_safety", "off")
    short = row(truth.short_window_serial)
    assert short.window_s < 2 * short.interval_s
    assert row(truth.long_window_serial).window_s == 86400
    assert row(truth.register_again_serial).register_again_since is not None
    assert here.filter(transmitter__serial=truth.shared_serial, is_shared=True).count() == 2
    assert Away.objects.filter(registration__transmitter__serial=truth.away_serial, ended_on=None).exists()
    code, slot = truth.nothing_answers
    assert here.get(receiver__code=code, slot=slot).transmitter is None
    assert set(Receiver.objects.filter(type=None).values_list("code", flat=True)) == set(truth.unknown_receiver_codes)
    unknown = Fitting.objects.open().filter(fitted_at=None).values_list("transmitter__serial", flat=True)
    assert set(unknown) == set(truth.unknown_age_serials)
    assert "+" in Fitting.objects.open().get(transmitter__serial=truth.mixed_lot_serial).lot


@pytest.mark.django_db
def test_faults_tell_what_happened(firm: DemoFirm) -> None:
    truth = firm.truth
    gone = Fault.objects.filter(transmitter__serial=truth.carried_off_serial, kind="missing")
    assert gone.count() >= 10
    assert {fault.raised_at.weekday() for fault in gone} == {5}
    latched = Fault.objects.latched().exclude(cleared_at=None).exclude(source=SOURCE_NAME)
    assert [fault.transmitter.serial for fault in latched] == [truth.latched_serial]
    power = Fault.objects.filter(kind="receiver_power")
    assert {fault.receiver.site.code for fault in power} == {truth.outage_site}
    assert {fault.cleared_at for fault in power} == {truth.outage_to}
    silent = Fault.objects.open().filter(kind="missing").values_list("transmitter__serial", flat=True)
    assert truth.silent_serial in silent


@pytest.mark.django_db
def test_days_of_check_ins_show_outage_weak_links_and_weekends(firm: DemoFirm) -> None:
    truth = firm.truth
    every = Registration.objects.open().filter(receiver__evidence="every", transmitter__isnull=False)
    others = CheckInDay.objects.exclude(transmitter_id__in=every.values("transmitter_id"))
    # Of a receiver that tells only what it reports nothing is on record but what its panel said this morning.
    told = (
        Registration.objects.open()
        .filter(receiver__panel_accounts__isnull=False)
        .values_list("transmitter_id", flat=True)
    )
    assert {row.day for row in others} == {TODAY}
    assert {row.transmitter_id for row in others} <= set(told)

    def share(serial: str, begin: date, end: date) -> float:
        unit = Transmitter.objects.get(serial=serial)
        days = CheckInDay.objects.filter(transmitter_id=unit.pk, day__gte=begin, day__lt=end)
        sums = days.aggregate(heard=Sum("heard"), expected=Sum("expected"))
        return sums["heard"] / sums["expected"]

    for serial in truth.weak_serials:
        early = share(serial, TODAY - timedelta(days=390), TODAY - timedelta(days=300))
        late = share(serial, TODAY - timedelta(days=14), TODAY)
        assert late < 0.75 < 0.95 < early
    assert truth.outage_from
    out = truth.outage_from.date() + timedelta(days=1)
    rows = CheckInDay.objects.filter(
        day=out, transmitter_id__in=every.filter(site__code=truth.outage_site).values("transmitter_id")
    )
    assert rows.count() > 5
    assert set(rows.values_list("heard", flat=True)) == {0}
    saturday = TODAY - timedelta(days=4)
    assert share(truth.carried_off_serial, saturday, saturday + timedelta(days=2)) == 0
    assert share(truth.carried_off_serial, saturday - timedelta(days=4), saturday - timedelta(days=1)) > 0.8


@pytest.mark.django_db
def test_totals_agree_with_the_days_also_of_cells_that_ended(
    firm: DemoFirm, capsys: pytest.CaptureFixture[str]
) -> None:
    call_command("reconcile")
    assert ": 0 differences found, 0 rows of another customer" in capsys.readouterr().out
    assert FittingTotals.objects.filter(fitting__removed_at=None, checkins__gt=0).count() > 30
    assert FittingTotals.objects.filter(fitting__removed_at__isnull=False, checkins__gt=0).exists()


@pytest.mark.django_db
def test_every_end_has_its_statement_and_corrections_point_back(firm: DemoFirm) -> None:
    ended = Fitting.objects.filter(removed_at__isnull=False)
    in_force = {end.fitting_id: end for end in FittingEnd.objects.in_force()}
    assert in_force.keys() == set(ended.values_list("pk", flat=True))
    for fitting in ended:
        end = in_force[fitting.pk]
        assert (end.why, end.volts, end.is_under_load) == (
            fitting.removed_why, fitting.removed_v, fitting.removed_v_under_load,
        )  # fmt: skip
        assert (end.low_seen_at, end.last_alive_at) == (fitting.first_low_at, fitting.last_alive_at)
        assert end.recorded_at >= fitting.removed_at
    corrected = FittingEnd.objects.filter(corrects__isnull=False)
    assert {end.fitting.transmitter.serial for end in corrected} == set(firm.truth.corrected_serials)
    assert corrected.exists()
    assert all(end.why != end.corrects.why for end in corrected)
    assert FittingEnd.objects.filter(is_under_load=True, volts__isnull=False).exists()


@pytest.mark.django_db
def test_what_was_due_at_a_finished_visit_and_stayed_in_has_a_reason(firm: DemoFirm) -> None:
    lines = [
        line
        for visit in Visit.objects.filter(state="finished").select_related("site")
        for line in left_facts(visit, list(visit.entries.all()), lambda entry: entry.facts.get("why_words", ""))[0]
    ]
    assert lines
    assert not [line for line in lines if line["kind"] == "cells" and line["reason"] == NO_REASON]


@pytest.mark.django_db
def test_end_effects_were_seen_on_a_visit_by_its_technician(firm: DemoFirm) -> None:
    seen = Output.objects.exclude(end_effect_seen_on=None).select_related("receiver")
    assert seen.count() > 20
    for output in seen:
        visits = Visit.objects.filter(
            site=output.receiver.site_id, planned_on=output.end_effect_seen_on, state="finished"
        )
        assert output.end_effect_seen_by in {visit.finished_by.name for visit in visits}


@pytest.mark.django_db
def test_the_bad_delivery_is_recalled_with_cells_of_unknown_lot_of_its_time(firm: DemoFirm) -> None:
    recall = Recall.objects.get()
    assert recall.filter["lots"] == [firm.truth.bad_lot]
    here = Fitting.objects.open().filter(lot=firm.truth.bad_lot, battery_type__code="cr2450")
    listed = recall.items.values_list("fitting_id", flat=True)
    assert here.exists()
    assert set(here.values_list("pk", flat=True)) <= set(listed)
    first, last = lot_days(TODAY)
    others = Fitting.objects.filter(pk__in=listed).exclude(lot=firm.truth.bad_lot)
    assert all(row.lot == "" and (row.fitted_at is None or first <= row.fitted_at.date() <= last) for row in others)


@pytest.mark.django_db
def test_the_list_is_that_of_a_well_run_but_imperfect_firm(firm: DemoFirm) -> None:
    items = DueItem.objects.open()
    assert not items.filter(due_on=None).exists()
    late = items.filter(duty="life_safety", due_on__lt=TODAY)
    assert 1 <= late.count() <= 12
    assert items.filter(due_on__gte=TODAY, due_on__lt=TODAY + timedelta(days=28)).exists()
    assert items.filter(due_on__gt=TODAY + timedelta(days=84)).count() > items.count() / 2


@pytest.mark.django_db
def test_rounds_are_done_under_way_published_and_drafted(firm: DemoFirm) -> None:
    today = Round.objects.get(day=TODAY)
    assert today.state == "published"
    assert today.technician.email == "aino@skarrow-signal.example"
    assert Counter(today.visits.values_list("state", flat=True)) == {"open": 1, "planned": 3}
    assert today.visits.get(state="open").entries.filter(kind="battery").count() == 2
    ahead = Round.objects.filter(day__gt=TODAY).order_by("day").values_list("state", flat=True)
    assert list(ahead) == ["published", "draft"]
    assert Round.objects.filter(state="done", day__gte=TODAY - timedelta(days=365)).count() >= 10
    assert Visit.objects.filter(state="finished", kind="call_out").exists()
    assert IssuedReport.objects.filter(kind="service_report").exists()


@pytest.mark.django_db
def test_entries_about_batteries_name_the_cells_that_were_fitted_then(firm: DemoFirm) -> None:
    entries = Entry.objects.filter(kind="battery").select_related("registration")
    assert entries.count() > 20
    for entry in entries:
        fitting = Fitting.objects.get(pk=entry.facts["fitting"])
        assert fitting.fitted_at == entry.made_at
        assert fitting.transmitter_id == entry.registration.transmitter_id
    finished = Visit.objects.filter(state="finished")
    assert all(visit.arrived_at < visit.finished_at for visit in finished)
    assert WalkTest.objects.count() == Entry.objects.filter(kind="walk_test").count() > 100


@pytest.mark.django_db
@pytest.mark.parametrize(
    "model",
    [Site, Receiver, Output, Transmitter, Registration, RegistrationOutput, Fitting, Fault, Visit, Round, Customer],
)
def test_every_row_passes_its_own_validation(firm: DemoFirm, model: type[models.Model]) -> None:
    # A date that a draft does not have yet is left empty by the action, not by a form.
    relations = [f.name for f in model._meta.fields if f.is_relation] + ["published_at"]
    rows = list(model._default_manager.all())
    assert rows
    for row in rows:
        row.clean_fields(exclude=relations)
    for row in rows[:: max(1, len(rows) // 25)]:
        row.full_clean(exclude=["published_at"])


@pytest.mark.django_db
def test_a_second_load_changes_nothing(firm: DemoFirm) -> None:
    before = digest()
    assert load_firm(SMALL) is None
    assert load_firm(Wish(seed=99, today=TODAY, n_transmitters=300)) is None
    assert digest() == before


@pytest.mark.django_db
def test_the_command_prints_every_account(firm: DemoFirm, capsys: pytest.CaptureFixture[str]) -> None:
    call_command("demo", "--no-serve", "--scale", "0.1", "--today", "2026-11-25")
    printed = capsys.readouterr().out
    assert "there already" in printed
    assert all(account.email in printed and account.password in printed for account in ACCOUNTS)


def digest() -> dict[str, Any]:
    """What the records say, without keys that the database gives, salts and times of printing."""
    serials = dict(Transmitter.objects.values_list("pk", "serial"))
    columns: dict[str, tuple[Any, tuple[str, ...]]] = {
        "receivers": (Receiver, ("code", "site__uuid", "label", "measured_v", "standby_fitted_on", "version")),
        "slots": (
            Registration,
            ("receiver__code", "slot", "transmitter__serial", "registered_at", "removed_at", "label"),
        ),
        "cells": (Fitting, ("transmitter__serial", "fitted_at", "removed_at", "lot", "removed_why", "removed_v")),
        "faults": (Fault, ("receiver__code", "kind", "raised_at", "cleared_at", "latch_cleared_at")),
        "due": (DueItem, ("receiver__code", "transmitter__serial", "kind", "due_on", "reason", "exposure")),
        "entries": (Entry, ("key", "kind", "made_at", "recorded_at", "by__email")),
        "visits": (Visit, ("uuid", "site__code", "state", "planned_on", "finished_at", "position")),
        "requests": (Request, ("uuid", "title", "at")),
        "totals": (FittingTotals, ("fitting__transmitter__serial", "from_on", "checkins", "activations")),
    }
    told = {name: sorted(map(repr, model.objects.values_list(*names))) for name, (model, names) in columns.items()}
    # Visits planned today get their uuid when they are made, as people's do.
    told["visits"] = [line for line in told["visits"] if "'planned'" not in line and "'open'" not in line]
    told["days"] = sorted(
        (serials[pk], day_number(day), heard, activations)
        for pk, day, heard, activations in CheckInDay.objects.values_list(
            "transmitter_id", "day", "heard", "activations"
        )
    )
    return told


def test_a_newcomer_finds_last_night_finished(firm: DemoFirm) -> None:
    run = RefreshRun.objects.get()
    assert run.state == RefreshRun.State.CLOSED
    assert run.business_day == TODAY
    assert run.closed_at is not None
    assert run.closed_at > run.started_at
    assert run.n_items == DueItem.objects.filter(is_closed=False).count() > 0
