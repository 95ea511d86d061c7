"""Whose word moves the watermark of a receiver that several sources tell of."""

import pytest

from tests.devices.intake.test_take_batch import clock, event, heard_until, make_source, send
from tests.factories import make_unit

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def unit(receiver):
    return make_unit(receiver, 3)


def test_what_a_panel_or_a_file_tells_says_nothing_of_the_check_ins_of_the_gateway_that_feeds(source, receiver, unit):
    send(source, event(unit, clock(3)), receiver=receiver)
    panel, file = make_source(kind="panel"), make_source(kind="file")
    send(panel, event("", clock(6), "tamper"), receiver=receiver)
    send(file, event(unit, clock(7), "tamper"), receiver=receiver)
    assert (heard_until(receiver), receiver.fed_by) == (clock(3), source)
    send(file, event(unit, clock(8)), receiver=receiver, batch="b2")
    assert heard_until(receiver) == clock(8)


def test_a_gateway_takes_a_receiver_over_from_a_panel_that_was_there_first_and_not_the_other_way(
    source, receiver, unit
):
    panel = make_source(kind="panel")
    send(panel, event("", clock(3), "tamper"), receiver=receiver)
    assert (heard_until(receiver), receiver.fed_by) == (clock(3), panel)
    send(source, event(unit, clock(6)))
    send(panel, event("", clock(9), "tamper"), receiver=receiver, batch="b2")
    assert (heard_until(receiver), receiver.fed_by) == (clock(6), source)
