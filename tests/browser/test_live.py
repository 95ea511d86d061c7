"""The demo firm live: gateways post, and the office's first page shows what happens while somebody looks at it."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.core.management import call_command

from devices.models import Fault, Receiver, Registration
from maintenance.actions.watch import watch
from tests.browser.conftest import wait_until
from tests.tools.gateway import Counts, Sender, flood
from tests.tools.gateway_firm import heard_on_record, sent_in, stations_of, tokens_of
from tests.tools.gateway_posts import Station, Story, posts_of

MANAGER, PASSWORD = "manager@skarrow-signal.example", "lantern-ropewalk-7"


def _firm() -> tuple[list[Station], datetime]:
    """The demo firm as of yesterday, so that there are hours to be played, and its stations, the largest first."""
    yesterday = datetime.now(UTC).date() - timedelta(days=1)
    call_command("demo", "--no-serve", "--scale", "0.1", "--today", yesterday.isoformat(), verbosity=0)
    cache.clear()
    stations = sorted(stations_of(with_missing=True), key=lambda station: -len(station.units))[:4]
    marks = Receiver.objects.filter(code__in=[station.code for station in stations])
    return stations, max(mark for mark in marks.values_list("heard_until", flat=True) if mark)


def _play(sender: Sender, stations: list[Station], story: Story, begin: datetime, until: datetime) -> None:
    for post in posts_of(stations, begin, until, story):
        sender.send(post)
    # The watch looks by itself every 20 seconds where the product runs; this asks for a look at once.
    wait_until(lambda: watch(datetime.now(UTC)), 90)


def _supervised(station: Station) -> list[str]:
    """Serials of a station whose silence its receiver would tell, those of life safety first."""
    rows = Registration.objects.open().filter(
        receiver__code=station.code, supervision="on", transmitter__isnull=False, interval_s__lte=3600
    )
    return list(rows.order_by("-duty", "slot").values_list("transmitter__serial", flat=True))


def _flood(sender: Sender, stations: list[Station], begin: datetime, until: datetime) -> None:
    """Ten times the normal rate, a fifth cut off and a fifth sent twice: everything is on record once."""
    posts = list(posts_of(stations, begin, until, Story()))
    serials = [unit.serial for station in stations for unit in station.units]
    before = heard_on_record(serials, begin)[1]
    normal_s = len(stations) / timedelta(minutes=15).total_seconds()
    assert flood(sender, posts, threads=4, rate_s=max(10 * normal_s, 20.0)) == []
    assert sender.counts.n_cut > 0
    assert sender.counts.n_repeats > 0
    heard, acts = sent_in(posts)
    heard_now, acts_now = heard_on_record(serials, begin)
    assert heard <= heard_now
    assert {serial: acts_now[serial] - before[serial] for serial in acts} == acts


@pytest.mark.django_db(transaction=True)
def test_what_happens_shows_as_it_happens_and_a_flood_loses_nothing(
    visitor: Any, live_server: Any, settings: Any
) -> None:
    settings.WATCH_EVERY_S = 1
    stations, begin = _firm()
    Fault.objects.filter(cleared_at=None).update(cleared_at=begin, is_latched=False)
    deaf, other, *_ = [station for station in stations if len(station.units) >= 4]
    low, *_, gone = _supervised(other)
    sender = Sender(live_server.url, tokens_of(stations), Counts())
    hours = lambda n: begin + timedelta(hours=n)  # noqa: E731 - a name for one line of arithmetic
    # Windows of the demo firm last up to a day; those of hourly transmitters run out while this story is told.
    told = Registration.objects.open().filter(receiver__code__in=[deaf.code, other.code], supervision="on")
    told.filter(interval_s__lte=3600).update(window_s=14_400)
    story = Story(
        low={low: hours(1)}, silent={gone: (hours(2), hours(10))}, deaf={deaf.code: (hours(2), hours(10))}
    )  # fmt: skip

    person = visitor()
    page = person.go("/accounts/login/")
    page.get_by_label("E-mail", exact=False).first.fill(MANAGER)
    page.locator("input[type=password]").fill(PASSWORD)
    page.locator("main button[type=submit]").first.click()
    page.wait_for_url(lambda url: "/accounts/login" not in url)
    page.goto(live_server.url + "/")
    now = page.locator("#now")

    # Nobody reloads the page from here on: the panel asks for itself.
    _play(sender, stations, story, begin, hours(2))
    now.get_by_text(re.compile("low battery", re.IGNORECASE)).first.wait_for(timeout=40_000)

    _play(sender, stations, story, hours(2), hours(8))
    now.get_by_text(re.compile("hears little or nothing", re.IGNORECASE)).first.wait_for(timeout=40_000)
    now.get_by_text(re.compile("missing", re.IGNORECASE)).first.wait_for(timeout=40_000)
    open_ = Fault.objects.filter(cleared_at=None)
    assert list(open_.filter(kind="outage").values_list("receiver__code", flat=True)) == [deaf.code]
    # One fault for the receiver that hears nothing, none for each transmitter behind it.
    assert not open_.filter(kind="missing", receiver__code=deaf.code)
    assert set(open_.filter(kind="missing").values_list("transmitter__serial", flat=True)) == {gone}

    _play(sender, stations, story, hours(8), hours(14))
    wait_until(lambda: not open_.filter(kind__in=["missing", "outage"]), 20)
    now.get_by_text(re.compile("hears little or nothing", re.IGNORECASE)).first.wait_for(
        state="detached", timeout=40_000
    )
    assert now.get_by_text(re.compile("low battery", re.IGNORECASE)).count() > 0

    _flood(sender, stations, hours(14), hours(17))
