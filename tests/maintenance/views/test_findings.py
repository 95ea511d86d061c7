"""Pages of findings: what is listed to whom, snoozing with its refusals, waking, taking back."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils.html import escape

from company.actions import ensure_policies
from devices.models import Fault
from maintenance.actions.findings import refresh_findings
from maintenance.models import FindingRecord
from maintenance.rules.findings import ALL_KINDS
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def make(world: World, code: str = "register_again", **over: Any) -> FindingRecord:
    n = factories.number()
    site = over.pop("site", world.own_site)
    fields = {
        "customer": site.customer, "site": site, "receiver": world.own_receiver, "key": f"r1:t{n}:{code}:1::", "code": code,
        "slot": 1, "duty": "security", "harm": 3, "what": f"Something {n}", "where": f"{site.name}, R1, slot {n}",
        "why": "It matters.", "do": "Mend it.", "since_on": TODAY - timedelta(days=n % 50),
    }  # fmt: skip
    return FindingRecord.objects.create(**(fields | over))


def shown(world: World, query: str = "", who: str = "office") -> str:
    response = world.client(who).get(f"{reverse('maintenance:finding_list')}{query}")
    assert response.status_code == 200
    return response.content.decode()


def rest(row: FindingRecord, days: int) -> None:
    row.snoozed_until, row.snooze_reason = TODAY + timedelta(days=days), "painter is in"
    row.save()


def test_the_list_says_what_where_why_what_to_do_and_since_when(world: World) -> None:
    row = make(world, since_on=TODAY - timedelta(days=3))
    page = shown(world)
    for words in (row.what, row.where, row.why, row.do, "22 November", "Set-up changed after registration"):
        assert words in page
    assert reverse("devices:slot_detail", args=[world.own_receiver.pk, 1]) in page


def test_an_empty_list_says_what_it_rests_on(world: World) -> None:
    assert "Nothing is wrong that the records can tell" in shown(world)


@pytest.mark.parametrize(
    ("query", "seen"),
    [
        ("?kind=mixed_lots", {"lots"}),
        ("?duty=life_safety", {"grave"}),
        ("?customer={other}", {"foreign"}),
        ("?site={site}", {"lots", "grave"}),
        ("?q=lighthouse yard", {"foreign"}),
        ("?state=snoozed", {"resting"}),
        ("?state=gone", {"gone"}),
        ("?group=site", {"lots", "grave", "foreign"}),
        ("?group=none&sort=-since", {"lots", "grave", "foreign"}),
        ("?kind=nonsense&duty=x&state=y&customer=z&site=w", {"lots", "grave", "foreign"}),
    ],
)
def test_each_filter_shows_what_it_says(world: World, query: str, seen: set[str]) -> None:
    world.other_site.name = "Lighthouse Yard"
    world.other_site.save()
    rows = {
        "lots": make(world, "mixed_lots"),
        "grave": make(world, duty="life_safety"),
        "foreign": make(world, site=world.other_site, receiver=world.other_receiver),
        "resting": make(world),
        "gone": make(world, gone_at=NOW - timedelta(days=1)),
        "long gone": make(world, gone_at=NOW - timedelta(days=31)),
    }
    rest(rows["resting"], 5)
    page = shown(world, query.format(other=world.other.pk, site=world.own_site.pk))
    assert {name for name, row in rows.items() if row.what in page} == seen


def test_worst_harm_comes_first(world: World) -> None:
    make(world, "mixed_lots", harm=12, what="Twelve")
    make(world, "standing_fault", harm=0, what="Nought")
    make(world, "never_walk_tested", harm=5, what="Five")
    page = shown(world)
    assert page.index("Nought") < page.index("Five") < page.index("Twelve")


def test_the_table_holds_every_row_of_the_choice(world: World) -> None:
    rows = [make(world, "mixed_lots") for _ in range(9)]
    make(world, "no_spare_slot")
    response = world.client("office").get(f"{reverse('maintenance:finding_csv')}?kind=mixed_lots")
    lines = response.content.decode("utf-8-sig").strip().splitlines()
    assert len(lines) == 10
    assert all(any(row.what in line for line in lines) for row in rows)


@pytest.mark.parametrize("who", ["own_user", "other_user"])
@pytest.mark.parametrize("name", ["finding_list", "finding_csv", "finding_panel", "finding_snooze", "office_home"])
def test_no_customer_ever_sees_a_finding(world: World, who: str, name: str) -> None:
    make(world)
    url = reverse(f"maintenance:{name}", args=[world.own_site.pk] if name == "finding_panel" else [])
    assert world.client(who).get(url).status_code == 404


def test_the_panel_says_the_same_once_with_every_place(world: World) -> None:
    for _ in range(3):
        make(world, what="Mixed", code="mixed_lots")
    rest(make(world), 4)
    url = reverse("maintenance:finding_panel", args=[world.own_site.pk])
    page = world.client("office").get(url).content.decode()
    assert page.count("<b>Mixed</b>") == 1
    assert page.count("devices/") == 0
    assert page.count(reverse("devices:slot_detail", args=[world.own_receiver.pk, 1])) >= 3
    assert "1 snoozed" in page
    part = world.client("office").get(url, headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in part
    assert "Mixed" in part


def test_a_technician_is_led_to_pages_of_their_own(world: World) -> None:
    make(world)
    url = reverse("maintenance:finding_panel", args=[world.own_site.pk])
    page = world.client("technician").get(url).content.decode()
    assert reverse("devices:tech_slot_detail", args=[world.own_receiver.pk, 1]) in page
    assert reverse("maintenance:finding_list") not in page
    assert reverse("maintenance:finding_snooze") not in page


def test_the_panel_can_be_asked_for_one_receiver(world: World) -> None:
    other = factories.make_receiver(world.own_site)
    make(world, what="Here it is")
    make(world, what="There it is", receiver=other)
    url = f"{reverse('maintenance:finding_panel', args=[world.own_site.pk])}?receiver="
    page = world.client("office").get(f"{url}{other.pk}").content.decode()
    assert "There it is" in page
    assert "Here it is" not in page
    assert world.client("office").get(f"{url}{world.other_receiver.pk}").status_code == 404


# --- resting ------------------------------------------------------------------------------------------------------------


def post(world: World, rows: list[FindingRecord], **over: Any) -> Any:
    fields = {
        "pks": ",".join(str(row.pk) for row in rows), "until": (TODAY + timedelta(days=10)).isoformat(),
        "reason": "painter is in",
    }  # fmt: skip
    return world.client("office").post(reverse("maintenance:finding_snooze"), fields | over)


def test_a_group_is_snoozed_with_one_reason_and_taken_back_at_once(world: World) -> None:
    rows = [make(world) for _ in range(3)]
    client = world.client("office")
    form = client.get(f"{reverse('maintenance:finding_snooze')}?kind=register_again").content.decode()
    assert "Snooze 3 findings" in form
    assert ",".join(str(row.pk) for row in FindingRecord.objects.in_order()) in form
    response = post(world, rows)
    assert response.status_code == 302
    assert FindingRecord.objects.snoozed(TODAY).count() == 3
    answer = response.client.get(reverse("maintenance:finding_list") + "?state=snoozed")
    page = answer.content.decode()
    assert "painter is in" in page
    undo = next(
        part.split('"')[0] for part in page.split('action="') if "/changes/" in part and "undo" in part.split('"')[0]
    )
    response.client.post(undo)
    assert FindingRecord.objects.awake(TODAY).count() == 3


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"reason": " "}, "why this can wait"),
        ({"until": "soon"}, "2027-03-31"),
        ({"until": ""}, "Choose a day"),
        ({"until": TODAY.isoformat()}, "a day after today"),
        ({"until": (TODAY + timedelta(days=91)).isoformat()}, "90 days at most"),
        ({"pks": ""}, "Nothing to snooze"),
        ({"pks": "1;drop,x"}, "Nothing to snooze"),
    ],
)
def test_a_refused_snooze_says_what_to_do_and_keeps_what_was_typed(
    world: World, over: dict[str, str], words: str
) -> None:
    row = make(world)
    response = post(world, [row], **over)
    page = response.content.decode()
    assert response.status_code == 422
    assert words in page
    if "pks" not in over and "reason" not in over:
        assert 'value="painter is in"' in page
    assert not FindingRecord.objects.snoozed(TODAY).exists()


def test_the_page_says_how_long_life_safety_may_rest(world: World) -> None:
    row = make(world, duty="life_safety")
    page = world.client("office").get(f"{reverse('maintenance:finding_snooze')}?pks={row.pk}").content.decode()
    assert "14 days at most" in page
    assert f'max="{(TODAY + timedelta(days=14)).isoformat()}"' in page
    response = post(world, [row], until=(TODAY + timedelta(days=15)).isoformat())
    assert response.status_code == 422
    assert "on life safety can rest for 14 days at most" in response.content.decode()


def test_without_a_choice_nothing_is_offered_for_snoozing(world: World) -> None:
    make(world)
    page = world.client("office").get(reverse("maintenance:finding_snooze")).content.decode()
    assert "Nothing to snooze" in page


def test_waking_brings_it_back_and_can_be_taken_back(world: World) -> None:
    row = make(world)
    rest(row, 9)
    client = world.client("office")
    client.post(reverse("maintenance:finding_wake"), {"pks": str(row.pk)})
    assert FindingRecord.objects.awake(TODAY).exists()
    page = client.get(reverse("maintenance:finding_list")).content.decode()
    undo = next(
        part.split('"')[0] for part in page.split('action="') if "/changes/" in part and "undo" in part.split('"')[0]
    )
    client.post(undo)
    assert FindingRecord.objects.snoozed(TODAY).get().snooze_reason == "painter is in"


def test_nobody_is_sent_to_another_host_afterwards(world: World) -> None:
    response = post(world, [make(world)], back="https://elsewhere.example/")
    assert response.url == reverse("maintenance:finding_list")


def test_a_technician_cannot_snooze(world: World) -> None:
    row = make(world)
    response = world.client("technician").post(reverse("maintenance:finding_snooze"), {"pks": str(row.pk)})
    assert response.status_code == 404


@pytest.mark.parametrize("query", ["", "?group=site", "?group=none", "?kind=register_again", "?state=snoozed"])
def test_the_list_asks_as_often_for_3_as_for_40_findings(world: World, query: str) -> None:
    client, url = world.client("office"), f"{reverse('maintenance:finding_list')}{query}"

    def asked() -> int:
        client.get(url)
        with CaptureQueriesContext(connection) as caught:
            assert client.get(url).status_code == 200
        return len(caught)

    def grow(n: int) -> None:
        for code in list(ALL_KINDS)[: n // 2]:
            make(world, code)
        for _ in range(n):
            row = make(world, site=factories.make_site(world.own))
            if "snoozed" in query:
                rest(row, 3)

    grow(3)
    few = asked()
    grow(40)
    assert asked() == few <= 12


def test_the_slot_map_and_the_list_say_the_same(world: World) -> None:
    ensure_policies()
    receiver = world.own_receiver
    factories.make_output(receiver, 2, kind="fault", drives="not wired")
    factories.make_registration(receiver, 2, window_s=3600, register_again_since=NOW, duty="security")
    factories.make_registration(receiver, 3, is_portable=True)
    Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, registration=world.own_registration,
        transmitter=world.own_registration.transmitter, kind="missing", raised_at=NOW - timedelta(days=2),
    )  # fmt: skip
    refresh_findings(receivers=[receiver.pk], at=NOW)
    rows = list(FindingRecord.objects.open().filter(receiver=receiver))
    page = world.client("office").get(reverse("devices:slot_map", args=[receiver.pk])).content.decode()
    assert len(rows) > 7
    assert f"{len(rows)} findings" in page
    assert [row.what for row in rows if escape(row.what) not in page] == []


MENDED: list[tuple[str, dict[str, Any], str]] = [
    ("cells_unknown_age", {"key": "r1:t77:cells_unknown_age:1::"}, "/transmitters/77/battery/"),
    ("window_over_duty", {}, "/slots/1/change/"),
    ("fault_output_unwired", {"slot": None, "output": 4}, "/outputs/4/"),
    ("life_late_unplaced", {}, "/rounds/new/?site="),
    ("left_on_test", {"receiver": None, "slot": None, "key": "s1:left_on_test:::visit12"}, "/visits/12/"),
    ("plan_waiting", {}, "/plans/"),
    ("loan_over", {}, "/loans/"),
]


@pytest.mark.parametrize(("code", "over", "address"), MENDED, ids=[code for code, _, _ in MENDED])
def test_each_finding_leads_to_where_it_is_mended(world: World, code: str, over: dict[str, Any], address: str) -> None:
    make(world, code, **over)
    assert address in shown(world)
