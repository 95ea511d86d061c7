"""A source learns nothing of anybody else's, and its token stands nowhere."""

from __future__ import annotations

import logging
from typing import Any

import pytest
from django.apps import apps
from django.db import connection

from company.models import ChangeRow
from devices.actions import sources
from devices.models import CheckInDay, SetAside
from tests import factories
from tests.conftest import World
from tests.devices.senders import Sender, problem_of, row

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def sender(world: World) -> Sender:
    return Sender(world.own)


def same(sender: Sender, batch: tuple[str, str], **given: tuple[Any, Any]) -> None:
    """Both answers are the same, byte for byte, but for what was sent."""
    first, second = (sender.post(batch[n], **{name: pair[n] for name, pair in given.items()}) for n in (0, 1))
    assert first.status_code == second.status_code
    assert first.content.replace(batch[0].encode(), b"") == second.content.replace(batch[1].encode(), b"")
    ignored = {"Content-Length"}
    assert {k: v for k, v in first.headers.items() if k not in ignored} == {
        k: v for k, v in second.headers.items() if k not in ignored
    }


def test_a_receiver_of_others_is_answered_like_one_that_does_not_exist(world: World, sender: Sender) -> None:
    theirs = world.other_receiver
    theirs.label, theirs.serial = "Quite another", "R-9931"
    theirs.save()
    for name in (theirs.code, theirs.label, theirs.serial):
        problem_of(sender.post("b-1", receiver=name), 404)
        same(sender, ("b-2", "b-3"), receiver=(name, "NO-SUCH-ONE"))


def test_a_site_of_others_is_answered_like_one_that_does_not_exist(world: World, sender: Sender) -> None:
    for name in (world.other_site.code, world.other_site.name):
        problem_of(sender.post("b-1", site=name), 404)
        same(sender, ("b-2", "b-3"), site=(name, "NO-SUCH-ONE"))


def test_a_source_of_one_site_speaks_for_no_other_site_of_its_customer(world: World) -> None:
    sister = factories.make_receiver(factories.make_site(world.own), label="Sister")
    sender = Sender(world.own, site=world.own_site)
    problem_of(sender.post(receiver="Sister"), 404)
    problem_of(sender.post(site=sister.site.code), 404)
    problem_of(sender.post(receiver=world.own_receiver.code, site=sister.site.code), 404)


def test_a_serial_of_others_is_set_aside_like_one_that_nobody_knows(world: World, sender: Sender) -> None:
    theirs = world.other_registration.transmitter.serial
    unknown = "X" * len(theirs)
    answers = [
        sender.post(f"b-{n}", rows=[row(serial)], site=world.own_site.code).json()
        for n, serial in enumerate((theirs, unknown))
    ]
    for answer, serial in zip(answers, (theirs, unknown), strict=True):
        assert answer["set_aside"][0]["serial"] == serial
        answer["batch"] = answer["set_aside"][0]["serial"] = ""
    assert answers[0] == answers[1]
    assert not CheckInDay.objects.exists()
    assert set(SetAside.objects.values_list("customer", flat=True)) == {world.own.pk}


def test_a_known_serial_heard_by_a_receiver_of_others_is_refused_like_one_heard_by_none(world: World) -> None:
    """Taken silently it would count for the wrong place, or tell that there is such a receiver."""
    theirs, serial = world.other_receiver, world.own_registration.transmitter.serial
    theirs.label, theirs.serial = "Quite another", "R-9931"
    theirs.save()
    sister = factories.make_receiver(factories.make_site(world.own), label="Sister")
    for source in (Sender(world.own), Sender(world.own, site=world.own_site)):
        named = [theirs.code, theirs.label, theirs.serial, "NO-SUCH-ONE"]
        named += [sister.code] if source.source.site else []
        rows = [row(serial, receiver=name) for name in named] + [row(serial, receiver=world.own_receiver.label)]
        told = source.post(rows=rows).json()
        assert (told["taken"], told["set_aside"]) == (1, [])
        assert [(one["row"], one["field"]) for one in told["refused"]] == [
            (n, "receiver") for n in range(1, len(named) + 1)
        ]
        assert len({one["why"] for one in told["refused"]}) == 1
        assert "code" in told["refused"][0]["why"]


def test_a_row_without_a_serial_of_such_a_receiver_waits_for_the_office(world: World) -> None:
    rows = [
        {"time": factories.NOW.isoformat(), "kind": "power_fault", "receiver": name}
        for name in (world.other_receiver.code, "NO-SUCH-ONE")
    ]
    told = Sender(world.own).post(rows=rows).json()
    assert (told["taken"], told["refused"]) == (0, [])
    assert len({one["why"] for one in told["set_aside"]}) == 1


def test_a_retired_receiver_is_not_there_any_more(world: World, sender: Sender) -> None:
    world.own_receiver.removed_at = factories.NOW
    world.own_receiver.save()
    same(sender, ("b-1", "b-2"), receiver=(world.own_receiver.code, "NO-SUCH-ONE"))


def texts_of_the_database() -> str:
    """Every text of every table of ours, as the database holds it."""
    found = []
    with connection.cursor() as cursor:
        for model in apps.get_models(include_auto_created=True):
            if model._meta.managed:
                cursor.execute(f'SELECT * FROM "{model._meta.db_table}"')
                found += [repr(line) for line in cursor.fetchall()]
    return "\n".join(found)


def test_a_token_stands_in_no_table_no_log_line_and_no_change(world: World, caplog: Any) -> None:
    caplog.set_level(logging.DEBUG)
    client = world.client("manager")
    sender = Sender(world.own, site=world.own_site)
    page = client.get(f"/check-ins/sources/{sender.source.pk}/token/")
    fields = page.context["form"].initial
    shown = client.post(f"/check-ins/sources/{sender.source.pk}/token/", fields)
    assert shown.status_code == 200
    tokens = [sender.token, shown.context["token"]]
    for token in tokens:
        sender.token = token
        assert sender.post(f"b-{token[-1]}-{tokens.index(token)}").status_code == 200
    sender.send(b"nonsense")
    caplog_text, tables = caplog.text, texts_of_the_database()
    assert sources.digest_of(tokens[1]) in tables, "The walk meets the table that holds the digest"
    for token in tokens:
        for part in (token, token[5:25], token[-24:-4]):
            assert part not in tables
            assert part not in caplog_text
    assert ChangeRow.objects.filter(verb="make_token").count() == 2


def test_the_page_shows_a_token_once_and_a_second_click_the_same_one(world: World) -> None:
    sender = Sender(world.own, site=world.own_site)
    client, url = world.client("manager"), f"/check-ins/sources/{sender.source.pk}/token/"
    fields = client.get(url).context["form"].initial
    first, again = client.post(url, fields), client.post(url, fields)
    assert first.context["token"] == again.context["token"]
    assert first.headers["Cache-Control"] == "no-store"
    assert ChangeRow.objects.filter(verb="make_token").count() == 2
    token = first.context["token"].encode()
    assert token in first.content
    assert token not in client.get(f"/check-ins/sources/{sender.source.pk}/").content
    assert token not in client.get(url).content


def test_a_page_from_before_another_token_makes_none(world: World) -> None:
    sender = Sender(world.own, site=world.own_site)
    client, url = world.client("manager"), f"/check-ins/sources/{sender.source.pk}/token/"
    old = client.get(url).context["form"].initial
    client.post(url, client.get(url).context["form"].initial)
    answer = client.post(url, old)
    assert answer.status_code == 422
    assert "changed after you opened" in answer.content.decode()


@pytest.mark.parametrize("key", ["", "x", "x:y:z"])
def test_a_key_that_is_not_ours_makes_no_token(world: World, key: str) -> None:
    sender = Sender(world.own, site=world.own_site)
    client, url = world.client("manager"), f"/check-ins/sources/{sender.source.pk}/token/"
    fields = client.get(url).context["form"].initial | {"key": key}
    assert client.post(url, fields).status_code == 422
    sender.source.refresh_from_db()
    assert sender.source.token_sha256 == sources.digest_of(sender.token)
