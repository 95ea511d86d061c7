"""Units on loan: the list, another day of return, and a unit that stays."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.urls import reverse

from company.models import ChangeRow
from devices.models import Receiver, Registration, Transmitter
from tests import factories

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
TODAY = factories.TODAY
LIST = reverse("devices:loan_list")


def lend(unit: Transmitter | Receiver, until_on: date) -> None:
    unit.loan_until = until_on
    unit.save(update_fields=["loan_until"])


def day_page(unit: Transmitter | Receiver) -> str:
    name = "loan_receiver" if isinstance(unit, Receiver) else "loan_transmitter"
    return reverse(f"devices:{name}", args=[unit.pk])


def agree(world, unit, until_on, *, seen, reason="agreed with Elif by telephone"):
    data = {"until_on": until_on, "seen_until": seen, "reason": reason}
    return world.client("office").post(day_page(unit), data)


def units_of(world) -> list[str]:
    return [str(row.unit) for row in world.client("office").get(LIST).context["page"]]


def test_late_ones_stand_first_then_by_the_day_of_return(world) -> None:
    soon = factories.make_registration(world.own_receiver, 7)
    lend(soon.transmitter, TODAY)
    lend(world.own_receiver, TODAY - timedelta(days=2))
    lend(world.own_registration.transmitter, TODAY - timedelta(days=9))
    late, later, fine = (str(one) for one in (world.own_registration.transmitter, world.own_receiver, soon.transmitter))
    assert units_of(world) == [late, later, fine]
    assert "2 late" in world.client("office").get(LIST).content.decode()


def test_a_unit_that_was_taken_away_is_not_on_the_list(world) -> None:
    lend(world.own_registration.transmitter, TODAY)
    lend(world.own_receiver, TODAY)
    Registration.objects.filter(pk=world.own_registration.pk).update(removed_at=factories.NOW)
    Receiver.objects.filter(pk=world.own_receiver.pk).update(removed_at=factories.NOW)
    assert "Nothing is on loan" in world.client("office").get(LIST).content.decode()


def test_a_unit_in_two_slots_stands_once(world) -> None:
    unit = world.own_registration.transmitter
    lend(unit, TODAY)
    factories.make_registration(world.own_receiver, 7, transmitter=unit, input_number=2)
    page = world.client("office").get(LIST).content.decode()
    assert units_of(world) == [unit.serial]
    assert "and 1 slot more" in page


@pytest.mark.parametrize("kind", ["transmitter", "receiver"])
def test_another_day_is_agreed_and_taken_back(world, kind) -> None:
    unit = world.own_receiver if kind == "receiver" else world.own_registration.transmitter
    lend(unit, TODAY - timedelta(days=1))
    answer = agree(world, unit, TODAY + timedelta(days=30), seen=unit.loan_until)
    assert answer.url == LIST
    unit.refresh_from_db()
    assert unit.loan_until == TODAY + timedelta(days=30)
    change = ChangeRow.objects.get(verb="set_loan_day")
    assert (change.subject_kind, change.reason) == (kind, "agreed with Elif by telephone")
    world.client("office").post(reverse("company:change_undo", args=[change.pk]))
    unit.refresh_from_db()
    assert unit.loan_until == TODAY - timedelta(days=1)


def test_a_unit_that_stays_is_no_loan_any_more(world) -> None:
    unit = world.own_registration.transmitter
    lend(unit, TODAY)
    agree(world, unit, "", seen=TODAY)
    assert Transmitter.objects.get(pk=unit.pk).loan_until is None
    assert units_of(world) == []


@pytest.mark.parametrize(
    ("until_on", "seen", "reason", "words"),
    [
        (TODAY - timedelta(days=1), TODAY, "x", "would be over already"),
        (TODAY, TODAY, "x", "agreed already"),
        (TODAY + timedelta(days=9), TODAY - timedelta(days=3), "x", "after you opened the form"),
        (TODAY + timedelta(days=9), TODAY, "", "required"),
        ("2206-01-01", TODAY, "x", "Check the year"),
    ],
)
def test_a_day_that_cannot_be_is_refused_and_nothing_is_written(world, until_on, seen, reason, words) -> None:
    unit = world.own_registration.transmitter
    lend(unit, TODAY)
    answer = agree(world, unit, until_on, seen=seen, reason=reason)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert Transmitter.objects.get(pk=unit.pk).loan_until == TODAY
    assert not ChangeRow.objects.exists()


def test_a_unit_that_is_no_loan_is_refused(world) -> None:
    answer = agree(world, world.own_registration.transmitter, TODAY, seen="")
    assert answer.status_code == 422
    assert "not on loan any more" in answer.content.decode()


def test_the_way_to_the_loans_stands_where_they_are_set(world) -> None:
    for page in (
        reverse("devices:transmitter_swap", args=[world.own_registration.transmitter_id]),
        reverse("devices:receiver_swap", args=[world.own_receiver.pk]),
    ):
        assert f'href="{LIST}"' in world.client("office").get(page).content.decode()
    swap = reverse("devices:tech_receiver_swap", args=[world.own_receiver.pk])
    assert LIST not in world.client("technician").get(swap).content.decode()
