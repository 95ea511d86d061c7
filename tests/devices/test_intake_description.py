"""What the description promises in words is what is so."""

from __future__ import annotations

import json
from typing import Any

import pytest

from company.web_server import BODY_MOST, HEAD_MOST, QUIET_S
from devices.models import CheckInDay
from devices.rules.intake_rows import FIELDS
from tests.conftest import World
from tests.devices.senders import Sender, row
from tests.tools.openapi import KEPT


@pytest.fixture
def whole() -> dict[str, Any]:
    read: dict[str, Any] = json.loads(KEPT.read_text(encoding="utf-8"))
    return read


def test_it_names_what_the_server_in_front_turns_away_itself(whole: dict[str, Any]) -> None:
    about = whole["info"]["description"]
    for said in (
        f"431 for a request line and headers of {HEAD_MOST:,} bytes",
        f"413 for a body of {BODY_MOST:,} bytes",
        f"for {QUIET_S} seconds",
        "400",
        "501",
    ):
        assert said in about.replace("\n", " ")


@pytest.mark.django_db
@pytest.mark.usefixtures("at_now")
def test_an_activation_counts_once_for_each_id_and_it_says_so(world: World, whole: dict[str, Any]) -> None:
    sender = Sender(world.own, site=world.own_site)
    rows = [row(world.own_registration.transmitter.serial, kind="activation")]
    counted = []
    for batch in ("b-1", "b-1", "b-2"):
        sender.post(batch, rows=rows)
        counted.append(CheckInDay.objects.get().activations)
    assert counted == [1, 1, 2]
    about = whole["info"]["description"]
    assert "under the same id" in about.replace("\n", " ")
    assert "counted again" in about


def test_every_field_that_is_read_is_described_and_what_becomes_of_others(whole: dict[str, Any]) -> None:
    schemas = whole["components"]["schemas"]
    assert set(schemas["Row"]["properties"]) == FIELDS
    assert "`ignored`" in schemas["Row"]["description"]
    assert "`left_out`" in schemas["Row"]["description"]
    assert {"ignored", "left_out"} <= set(schemas["Answer"]["required"])
    assert schemas["Batch"]["additionalProperties"] is False


def test_it_says_when_a_batch_must_name_its_receiver(whole: dict[str, Any]) -> None:
    fields = whole["components"]["schemas"]
    assert "receiver in each row" in fields["Batch"]["properties"]["receiver"]["description"]
    assert "refused" in fields["Row"]["properties"]["receiver"]["description"]
