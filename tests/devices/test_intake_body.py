"""What a batch says: each field wanted in our words, nothing twice, fields of others told, receivers named or not."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from devices.actions.intake import take_batch
from devices.models import CheckInDay, Fault, IntakeBatch
from devices.rules.events import RowProblem
from devices.rules.intake_rows import MOST_LEFT_OUT
from tests import factories
from tests.conftest import World
from tests.devices.senders import Sender, problem_of, row

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def sender(world: World) -> Sender:
    return Sender(world.own, site=world.own_site)


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ([], "body"),
        ({"rows": [row()]}, "batch"),
        ({"batch": "b-1"}, "rows"),
        ({"batch": "b-1", "rows": [row()] * 5001}, "rows"),
        ({"batch": "b-1", "rows": {}}, "rows"),
        ({"batch": 7, "rows": [row()]}, "batch"),
        ({"batch": "", "rows": [row()]}, "batch"),
        ({"batch": "x" * 81, "rows": [row()]}, "batch"),
        ({"batch": "a/b", "rows": [row()]}, "batch"),
        ({"batch": "b\u0000", "rows": [row()]}, "batch"),
        ({"batch": "b-1\n", "rows": [row()]}, "batch"),
        ({"batch": "b-1", "rows": [row()], "reciever": "Main"}, "reciever"),
        ({"batch": "b-1", "rows": [row()], "until": "soon"}, "until"),
        ({"batch": "b-1", "rows": [row()], "until": "2099-01-01T00:00:00Z"}, "until"),
        ({"batch": "b-1", "rows": [row()], "receiver": 7}, "receiver"),
        ({"batch": "b-1", "rows": [row()], "receiver": "\ud800"}, "receiver"),
        ({"batch": "b-1", "rows": [row()], "site": "a\u0000"}, "site"),
    ],
)
def test_json_that_is_not_as_described_is_422_and_names_the_field(sender: Sender, body: Any, field: str) -> None:
    told = problem_of(sender.send(json.dumps(body)), 422)
    assert field in {one["field"] for one in told["errors"]}
    assert not IntakeBatch.objects.exists()


@pytest.mark.parametrize(
    ("body", "field", "word"),
    [
        ([], "body", "object"),
        ("x", "body", "object"),
        ({}, "batch", "letters"),
        ({"rows": [row()]}, "batch", "letters"),
        ({"batch": 7, "rows": [row()]}, "batch", "text"),
        ({"batch": "a/b", "rows": [row()]}, "batch", "digits"),
        ({"batch": "b-1"}, "rows", "list"),
        ({"batch": "b-1", "rows": {}}, "rows", "list"),
        ({"batch": "b-1", "rows": [row()] * 5001}, "rows", "smaller"),
        ({"batch": "b-1", "rows": []}, "rows", "until"),
        ({"batch": "b-1", "rows": [row()], "receiver": 7}, "receiver", "quotes"),
        ({"batch": "b-1", "rows": [row()], "receiver": "x" * 61}, "receiver", "60"),
        ({"batch": "b-1", "rows": [row()], "site": ["x"]}, "site", "80"),
        ({"batch": "b-1", "rows": [row()], "until": 5}, "until", "offset"),
        ({"batch": "b-1", "rows": [row()], "reciever": "Main"}, "reciever", "spelt"),
        ({"batch": "b-1", "rows": [row()], "a\u0000b": 1}, "a·b", "spelt"),
    ],
)
def test_what_is_wrong_with_a_batch_is_said_in_words_of_ours(sender: Sender, body: Any, field: str, word: str) -> None:
    told = problem_of(sender.send(json.dumps(body)), 422)
    whys = {one["field"]: one["why"] for one in told["errors"]}
    assert word in whys[field]
    for why in whys.values():
        assert why.endswith(".")
        assert not why.startswith(("Input", "Value", "Field", "String", "List", "Extra")), "these are the library's"


TIME = factories.NOW.isoformat()


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ('{"batch": "b-1", "batch": "b-2", "rows": [], "until": "%s"}', "batch"),
        ('{"batch": "b-1", "rows": [], "until": "%s", "rows": [1]}', "rows"),
        ('{"batch": "b-1", "rows": [], "until": "%s", "x\\u0000": 1, "x\\u0000": 1}', "x·"),
    ],
)
def test_a_name_that_stands_twice_in_a_batch_is_refused_and_named(sender: Sender, body: str, field: str) -> None:
    (error,) = problem_of(sender.send(body % TIME), 422)["errors"]
    assert error["field"] == field
    assert "twice" in error["why"]
    assert not IntakeBatch.objects.exists()


def test_a_name_that_stands_twice_in_a_row_refuses_that_row_only(world: World, sender: Sender) -> None:
    serial = world.own_registration.transmitter.serial
    good = json.dumps(row(serial))
    twice = good[:-1] + ', "kind": "tamper"}'
    told = sender.send(f'{{"batch": "b-1", "rows": [{twice}, {good}]}}').json()
    assert (told["rows"], told["taken"]) == (2, 1)
    assert [(one["row"], one["field"]) for one in told["refused"]] == [(1, "kind")]
    assert "twice" in told["refused"][0]["why"]
    assert not CheckInDay.objects.get().flags & CheckInDay.TAMPER


def test_fields_that_are_none_of_ours_cost_no_row_and_are_told(world: World, sender: Sender) -> None:
    rows = [
        row(world.own_registration.transmitter.serial, temperature_c=21.5, rssi=-80),
        {"serial": "X", "occurred": TIME, "kind": "check_in", "rssi\u0000": -1},
    ]
    told = sender.post(rows=rows).json()
    assert (told["taken"], told["ignored"]) == (1, ["occurred", "rssi", "rssi·", "temperature_c"])
    assert told["refused"][0]["field"] == "time", "which of them was meant for it shows in the list"
    assert sender.post(rows=rows).json() == told | {"repeated": True}
    assert sender.ask("batches/b-1").json() == told | {"repeated": True}


def test_a_silly_value_costs_no_event_and_is_told_each_time_and_on_the_page(world: World, sender: Sender) -> None:
    serial = world.own_registration.transmitter.serial
    rows = [
        row(serial, kind="tamper", battery_v=99), row("NOBODY-1", margin_db="loud"), row(serial, kind="?", note=5),
        row(serial, slot=7, margin_db=12),
    ]  # fmt: skip
    told = sender.post(rows=rows).json()
    assert (told["rows"], told["taken"], len(told["set_aside"]), len(told["refused"])) == (4, 2, 1, 1)
    assert [(one["row"], one["field"]) for one in told["left_out"]] == [(1, "battery_v"), (2, "margin_db")]
    assert Fault.objects.get(kind="tamper").cleared_at is None
    assert sender.post(rows=rows).json() == told | {"repeated": True}
    assert sender.ask("batches/b-1").json() == told | {"repeated": True}
    batch = IntakeBatch.objects.get()
    page = world.client("office").get(reverse("devices:batch_detail", args=[batch.pk])).content.decode()
    assert "Values left out" in page
    assert "Give battery_v between 0 and 20 [V]" in page
    sender.post("b-2", rows=[row(serial)])
    fine = (
        world.client("office")
        .get(reverse("devices:batch_detail", args=[IntakeBatch.objects.get(batch_id="b-2").pk]))
        .content.decode()
    )
    assert "Values left out" not in fine


def test_what_was_not_read_is_kept_in_the_transaction_of_the_batch(world: World) -> None:
    bad = [RowProblem(1, "battery_v", "Give volts."), RowProblem(9, "margin_db", "Give a number.")]
    told = take_batch(
        source=factories.make_gateway(world.own), batch_id="b", sha256="a" * 64, events=[], left_out=bad, ignored=["rssi"],
        problems=[RowProblem(9, "kind", "?")], at=factories.NOW,
    ).answer  # fmt: skip
    assert (told["ignored"], [one["row"] for one in told["left_out"]]) == (["rssi"], [1])
    assert IntakeBatch.objects.get().answer == told


def test_an_answer_lists_only_so_many_values_left_out(world: World, sender: Sender) -> None:
    many = [row(world.own_registration.transmitter.serial, note=1) for _ in range(MOST_LEFT_OUT + 1)]
    told = sender.post(rows=many).json()
    assert told["taken"] == len(many)
    assert [one["row"] for one in told["left_out"]] == list(range(1, MOST_LEFT_OUT + 1))


def test_what_is_refused_afterwards_is_not_told_of_as_taken_without_a_value(world: World) -> None:
    told = Sender(world.own, site=world.own_site).post(rows=[row("X-1", receiver="nowhere", note=1)]).json()
    assert (len(told["refused"]), told["left_out"]) == (1, [])


def test_a_batch_from_before_such_fields_were_told_is_answered_as_described(sender: Sender) -> None:
    told = sender.post().json()
    assert (told["ignored"], told["left_out"]) == ([], [])
    assert not {"ignored", "left_out"} & set(IntakeBatch.objects.get().answer)
    assert sender.ask("batches/b-1").json() == told | {"repeated": True}


def test_rows_that_each_name_their_receiver_need_no_other_word(world: World) -> None:
    other = factories.make_receiver(factories.make_site(world.own), label="Annexe")
    unit = factories.make_registration(other, 2).transmitter
    rows = [
        row(world.own_registration.transmitter.serial, receiver=world.own_receiver.code),
        row(unit.serial, receiver="annexe"),
        {"time": TIME, "kind": "check_in", "slot": 2, "receiver": other.code},
        row(unit.serial),
        {"time": TIME, "kind": "power_fault"},
    ]
    told = Sender(world.own).post(rows=rows).json()
    assert told["taken"] == 3
    assert [(one["row"], one["field"]) for one in told["refused"]] == [(4, "receiver"), (5, "receiver")]
    assert CheckInDay.objects.count() == 2
    for receiver in (world.own_receiver, other):
        receiver.refresh_from_db()
        assert receiver.heard_until == factories.NOW


def test_a_batch_of_many_sites_with_no_row_must_name_one(world: World) -> None:
    answer = Sender(world.own).post(rows=[], until=TIME)
    assert problem_of(answer, 422)["errors"][0]["field"] == "receiver"


def test_a_source_of_many_sites_must_say_which(world: World) -> None:
    sender = Sender(world.own)
    assert problem_of(sender.post(), 422)["errors"][0]["field"] == "receiver"
    assert sender.post(site=world.own_site.code).status_code == 200
    assert sender.post("b-2", receiver=world.own_receiver.label.upper()).status_code == 200
    assert sender.post("b-3", receiver=world.own_receiver.code.lower()).status_code == 200


def test_a_label_that_two_receivers_bear_is_asked_back(world: World) -> None:
    other = factories.make_receiver(factories.make_site(world.own), label=world.own_receiver.label)
    sender = Sender(world.own)
    assert "code" in problem_of(sender.post(receiver=other.label), 422)["detail"]
    assert sender.post(receiver=other.label, site=other.site.code).status_code == 200


def test_rows_that_name_their_receivers_say_nothing_of_others(world: World) -> None:
    """Else a gateway whose other site hangs behind would make all of that site look silent."""
    other = factories.make_receiver(factories.make_site(world.own), label="Annexe")
    unit = factories.make_registration(other, 2).transmitter
    own, sender = world.own_registration.transmitter.serial, Sender(world.own)
    early = (factories.NOW - timedelta(hours=5)).isoformat()
    here = world.own_receiver.code
    sender.post("b-1", [row(own, receiver=here, time=early), row(unit.serial, receiver=other.code, time=early)])
    sender.post("b-2", [row(own, receiver=here)])
    world.own_receiver.refresh_from_db()
    other.refresh_from_db()
    assert world.own_receiver.heard_until == factories.NOW
    assert other.heard_until == factories.NOW - timedelta(hours=5)
