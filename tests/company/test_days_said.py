"""Days that sentences, drawings and marks say follow the firm's style, as those of plain fields do."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime

import pytest
from django.urls import reverse

from company.manner import Manner, day_in_year_said, day_said, moment_said, weekday_said, written_as
from company.models import Firm
from company.templatetags import changes, house
from company.templatetags.days import day_long, day_tick
from devices.actions.slots import OutOfOrder, remove_transmitter
from tests.conftest import World
from tests.factories import NOW

DAY = date(2026, 3, 4)
PLAIN_DAY = re.compile(r"\b\d{1,2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[a-z]*\b")


@pytest.mark.parametrize(
    ("style", "full", "weekday", "in_year", "tick"),
    [
        ("day_month", "4 March 2026", "Wednesday 4 March 2026", "4 March", "4 Mar"),
        ("month_day", "March 4, 2026", "Wednesday March 4, 2026", "March 4", "Mar 4"),
        ("iso", "2026-03-04", "Wednesday 2026-03-04", "2026-03-04", "03-04"),
    ],
)
def test_a_day_in_a_sentence_is_said_in_the_style_in_force(
    style: str, full: str, weekday: str, in_year: str, tick: str
) -> None:
    with written_as(Manner(date_style=style)):
        assert (day_said(DAY), weekday_said(DAY), day_in_year_said(DAY)) == (full, weekday, in_year)
        assert moment_said(datetime(2026, 3, 4, 9, 5, tzinfo=UTC)) == f"{full}, 09:05"
        assert day_long(DAY) == weekday
        assert day_tick("4 Mar") == tick
        assert day_tick("until now") == "until now"


def test_a_mark_of_urgency_and_a_line_of_history_follow_it() -> None:
    with written_as(Manner(date_style="iso")):
        assert "due 2026-03-04" in house.due_mark("later", "due 4 Mar 2026")
        assert changes.said("2026-03-04") == "2026-03-04"
    with written_as(Manner(date_style="month_day")):
        assert "due Mar 4, 2026" in house.due_mark("later", "due 4 Mar 2026")
        assert changes.said("2026-03-04") == "Mar 4, 2026"


def test_every_drawing_follows_it(world: World) -> None:
    url, client = reverse("maintenance:style"), world.client("office")
    assert len(PLAIN_DAY.findall(client.get(url).content.decode())) > 10
    Firm.objects.update(date_style="iso")
    assert PLAIN_DAY.findall(client.get(url).content.decode()) == []


def test_a_refusal_follows_it(world: World) -> None:
    world.own_registration.registered_at = NOW.replace(month=3, day=4, hour=9, minute=5)
    world.own_registration.save()
    for style, words in (("day_month", "4 March"), ("month_day", "March 4,"), ("iso", "-03-04, 09:05")):
        with written_as(Manner(date_style=style)), pytest.raises(OutOfOrder, match=words):
            remove_transmitter(
                registration=world.own_registration, by=world.office, at=NOW.replace(month=2, day=1),
                reason="moved out", seen_version=None,
            )  # fmt: skip
