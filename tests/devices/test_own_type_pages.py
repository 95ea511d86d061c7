"""Pages of the firm's own types: forms with sources, copies, the question before dates move, who uses what."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from company.models import ChangeRow
from devices.actions.own_types import seen
from devices.forms.catalogue import BatteryTypeForm, ReceiverTypeForm, TransmitterTypeForm
from devices.models import BatteryType, ReceiverType, TransmitterType
from tests import factories
from tests.conftest import World

pytestmark = pytest.mark.django_db


@pytest.fixture
def office(world: World) -> Client:
    return world.client("office")


def typed(form: Any, **over: Any) -> dict[str, Any]:
    """What a browser sends for a form as it was shown, less what is empty."""
    data: dict[str, Any] = {}
    for name in form.fields:
        value = form[name].value()
        if value is True:
            data[name] = "on"
        elif value is not None and value is not False and value != "":
            data[name] = value
    return {name: value for name, value in (data | over).items() if value is not None}


def form_at(client: Client, url: str) -> Any:
    answer = client.get(url)
    assert answer.status_code == 200
    return answer.context["form"]


BATTERY = {
    "label": "LR14, big alkaline", "iec_code": "LR14", "chemistry": "alkaline", "nominal_v": "1.5", "capacity_mah": "7000",
    "self_discharge_per_year": "2.5", "shelf_life_years": "5", "share_0c": "70", "share_m10c": "50", "share_m20c": "25",
    "share_m40c": "0", "source_charge": "data sheet, page 3", "source_cold": "typical, from memory",
}  # fmt: skip


def new(client: Client, kind: str, data: dict[str, Any], query: str = "") -> Any:
    return client.post(reverse(f"devices:{kind}_type_new") + query, data)


def test_a_battery_type_is_added_in_percent_and_kept_as_shares_with_its_sources(office: Client) -> None:
    answer = new(office, "battery", BATTERY | {"aliases": "C size, baby"})
    row = BatteryType.objects.get(code="lr14-big-alkaline")
    assert answer.url == reverse("devices:battery_type", args=[row.pk])
    assert (row.self_discharge_per_year, row.share_m20c, row.aliases) == (0.025, 0.25, ["C size", "baby"])
    assert row.sources["capacity_mah"] == "data sheet, page 3"
    assert row.sources["share_0c"] == "typical, from memory"
    page = office.get(answer.url).content.decode()
    assert "kept by the firm" in page
    assert "data sheet, page 3" in page


def test_the_form_sent_twice_makes_one_type(office: Client) -> None:
    new(office, "battery", BATTERY)
    again = new(office, "battery", BATTERY)
    assert again.status_code == 422
    assert "is that of" in again.content.decode()
    assert BatteryType.objects.filter(iec_code="LR14", origin="own").count() == 1


WRONG = [
    ({"source_charge": ""}, "Say where this comes from: Nominal voltage [V], Rated charge [mAh]"),
    ({"capacity_mah": "0"}, "Give a number from 0.1 to 1,000,000."),
    ({"self_discharge_per_year": "120"}, "less than or equal to 100"),
    ({"share_m20c": "60"}, "Colder cells give no more than warmer ones"),
    ({"capacity_mah": "lots"}, "Enter a number"),
    ({"code": "Big Cell!"}, "Use small letters, digits and hyphens only"),
    ({"label": "!!!"}, "Give a name with letters or digits"),
]  # fmt: skip


@pytest.mark.parametrize(("over", "words"), WRONG)
def test_what_cannot_be_is_said_and_nothing_is_saved(office: Client, over: dict[str, str], words: str) -> None:
    answer = new(office, "battery", BATTERY | over)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not BatteryType.objects.filter(iec_code="LR14", origin="own").exists()


def test_our_own_version_of_a_shipped_type_keeps_the_sources_of_what_stays(office: Client) -> None:
    shipped = TransmitterType.objects.get(code="pendant-long")
    query = f"?from={shipped.pk}"
    form = form_at(office, reverse("devices:transmitter_type_new") + query)
    assert form["default_interval_s"].value() == "1 h"
    data = typed(form, sleep_ua="4.5")
    refused = new(office, "transmitter", data, query)
    assert refused.status_code == 422
    assert "Say where this comes from: Draws between events [µA]." in refused.content.decode()
    done = new(office, "transmitter", data | {"source_draw": "measured on our bench"}, query)
    assert done.status_code == 302, done.context["form"].errors
    ours = TransmitterType.objects.get(origin="own", label=f"{shipped.label}, our own")
    assert ours.sources["sleep_ua"] == "measured on our bench"
    assert ours.sources["checkin_uas"] == shipped.sources["checkin_uas"]
    assert ours.battery_type == shipped.battery_type
    shipped.refresh_from_db()
    assert shipped.sleep_ua == 2.2


TRANSMITTER_WRONG = [
    ({"default_interval_s": "60"}, "has no unit"),
    ({"default_window_s": "90 min"}, "One lost check-in would already be a fault: give 2 h or more."),
    ({"battery_type": ""}, "Choose the cells, or say that it runs on mains."),
    ({"usable_share": "0"}, "greater than or equal to 0.1"),
]


@pytest.mark.parametrize(("over", "words"), TRANSMITTER_WRONG)
def test_a_transmitter_type_that_cannot_be_is_refused(office: Client, over: dict[str, str], words: str) -> None:
    shipped = TransmitterType.objects.get(code="pendant-long")
    query = f"?from={shipped.pk}"
    form = form_at(office, reverse("devices:transmitter_type_new") + query)
    answer = new(office, "transmitter", typed(form, **over), query)
    assert answer.status_code == 422
    assert words in answer.content.decode()


RECEIVER = {
    "label": "receiver, 12 slots", "n_slots": "12", "n_outputs": "4", "supply_v_nominal": "24", "supply_v_min": "20",
    "supply_ma": "200", "standby_life_years": "0", "windows_s": "60 min, 4 h,24 h", "default_window_s": "4 h",
    "can_switch_supervision_off": "on", "behaviours": ["follower", "momentary"], "default_behaviour": "follower",
    "momentary_min_s": "1", "momentary_max_s": "30", "momentary_default_s": "5", "source_name": "counted",
    "source_supply": "data sheet", "source_watch": "data sheet", "source_outputs": "data sheet",
}  # fmt: skip


def test_a_receiver_type_is_added_with_its_windows_in_seconds(office: Client) -> None:
    assert new(office, "receiver", RECEIVER).status_code == 302
    row = ReceiverType.objects.get(code="receiver-12-slots")
    assert row.windows_s == [3600, 14400, 86400]
    assert (row.default_window_s, row.behaviours) == (14400, ["follower", "momentary"])


RECEIVER_WRONG = [
    ({"default_window_s": "2 h"}, "none of the windows above"),
    ({"windows_s": "60 min, soon"}, "no length of time"),
    ({"default_behaviour": "toggle"}, "Its outputs cannot do this"),
    ({"supply_v_min": "25"}, "not above the nominal one"),
    ({"has_standby_battery": "on"}, "after how many years the standby battery is changed"),
    ({"momentary_default_s": "40"}, "between the shortest and the longest"),
    ({"n_slots": "0"}, "Give a number from 1 to 1,024."),
]


@pytest.mark.parametrize(("over", "words"), RECEIVER_WRONG)
def test_a_receiver_type_that_cannot_be_is_refused(office: Client, over: dict[str, str], words: str) -> None:
    answer = new(office, "receiver", RECEIVER | over)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not ReceiverType.objects.filter(code="receiver-12-slots").exists()


# --- changing ---------------------------------------------------------------------------------------------------------


def edit(client: Client, row: Any, **over: Any) -> Any:
    url = reverse("devices:battery_type_edit", args=[row.pk])
    form = form_at(client, url)
    return client.post(url, typed(form, **{"reason": "measured", "source_cold": "x", "source_charge": "bench"} | over))


@pytest.fixture
def own_cells(world: World) -> BatteryType:
    """Cells of our own in two transmitters."""
    row = factories.battery_type("cell-of-ours", label="our cell")
    for fitting in (world.own_fitting, world.other_fitting):
        fitting.battery_type = row
        fitting.save()
    return row


def test_figures_that_dates_rest_on_are_changed_after_a_question_that_counts_them(
    own_cells: BatteryType, office: Client
) -> None:
    row = own_cells
    asked = edit(office, row, capacity_mah="555")
    page = asked.content.decode()
    assert asked.status_code == 200
    assert "2 transmitters in use rest on this type" in page
    assert "You are changing: Rated charge [mAh]." in page
    row.refresh_from_db()
    assert row.capacity_mah == 620
    sure = asked.context["form"].data["sure"]
    # Another figure than the one asked about is asked again.
    assert edit(office, row, capacity_mah="500", sure=sure).status_code == 200
    assert edit(office, row, capacity_mah="555", sure=sure).status_code == 302
    row.refresh_from_db()
    assert (row.capacity_mah, row.sources["capacity_mah"]) == (555, "bench")
    change = ChangeRow.objects.about("batterytype", row.pk).first()
    assert (change.before["capacity_mah"], change.after["capacity_mah"], change.reason) == (620, 555, "measured")


def test_a_form_of_an_older_row_is_refused(own_cells: BatteryType, office: Client) -> None:
    row = own_cells
    stamp = seen(row)
    BatteryType.objects.filter(pk=row.pk).update(label="renamed meanwhile")
    answer = edit(office, row, label="mine", seen=stamp)
    assert answer.status_code == 422
    assert "Somebody changed this type after you opened the page" in answer.content.decode()


def test_a_shipped_type_shows_the_way_to_our_own_version_and_no_way_to_change_it(office: Client) -> None:
    row = BatteryType.objects.get(code="lr6")
    page = office.get(reverse("devices:battery_type", args=[row.pk])).content.decode()
    assert "Make our own version" in page
    assert reverse("devices:battery_type_edit", args=[row.pk]) not in page
    answer = office.get(reverse("devices:battery_type_edit", args=[row.pk]))
    assert answer.url == reverse("devices:battery_type", args=[row.pk])
    answer = office.post(reverse("devices:battery_type_retire", args=[row.pk]), {"reason": "try"})
    assert answer.status_code == 422
    assert BatteryType.objects.get(code="lr6").retired_at is None


def test_a_type_is_retired_and_offered_again_with_a_way_back(world: World, office: Client) -> None:
    kind = world.own_receiver.type
    page = office.get(reverse("devices:receiver_type_retire", args=[kind.pk])).content.decode()
    assert "2 receivers in use keep it." in page
    answer = office.post(reverse("devices:receiver_type_retire", args=[kind.pk]), {"reason": "none left"}, follow=True)
    assert "Offer it again" in answer.content.decode()
    change = ChangeRow.objects.about("receivertype", kind.pk).first()
    assert reverse("company:change_undo", args=[change.pk]) in answer.content.decode()
    office.post(reverse("devices:receiver_type_offer", args=[kind.pk]), {"reason": "found some"})
    kind.refresh_from_db()
    assert kind.retired_at is None


def test_a_shipped_type_says_that_it_cannot_be_retired_before_anybody_types_a_reason(office: Client) -> None:
    shipped = TransmitterType.objects.get(code="motion")
    answer = office.get(reverse("devices:transmitter_type_retire", args=[shipped.pk]), follow=True)
    assert "cannot be retired" in answer.content.decode()
    assert 'name="reason"' not in answer.content.decode()


# --- who uses it, and the list ----------------------------------------------------------------------------------------


def test_a_types_page_names_the_sites_that_use_it(world: World, office: Client) -> None:
    registration = world.own_registration
    pages = {
        "transmitter_type": registration.transmitter.type, "receiver_type": world.own_receiver.type,
        "battery_type": world.own_fitting.battery_type,
    }  # fmt: skip
    for name, row in pages.items():
        page = office.get(reverse(f"devices:{name}", args=[row.pk])).content.decode()
        assert world.own_site.get_absolute_url() in page
        assert world.own_site.name in page
        assert "Harbour Trust" in page


def test_what_has_come_out_or_down_is_not_counted(world: World, office: Client) -> None:
    for thing in (world.own_fitting, world.own_receiver, world.own_registration):
        thing.removed_at = factories.NOW
        thing.save()
    battery, receiver = world.own_fitting.battery_type, world.own_receiver.type
    assert BatteryType.objects.with_use().get(pk=battery.pk).n_used == 1
    assert ReceiverType.objects.with_use().get(pk=receiver.pk).n_used == 1
    page = office.get(reverse("devices:receiver_type", args=[receiver.pk])).content.decode()
    assert world.own_site.name not in page
    assert world.other_site.name in page


def listed(client: Client, **query: str) -> str:
    return client.get(reverse("devices:catalogue"), query).content.decode()


def test_the_list_is_searched_filtered_and_sorted(world: World, office: Client) -> None:
    assert "LR6" in listed(office)
    assert "LR6" not in listed(office, q="CR2450")
    ours = listed(office, show="own")
    assert "test-64" not in ours
    assert "receiver, 64 slots" in ours
    assert "LR6" not in ours
    assert "No type found" in listed(office, q="no such thing")
    up, down = (listed(office, sort=sort, q="CR2").split("Battery types</h2>")[1] for sort in ("b-charge", "-b-charge"))
    assert up.index("CR2032") < up.index("CR2450")
    assert down.index("CR2450") < down.index("CR2032")


def test_a_retired_type_is_listed_only_where_it_is_asked_for(world: World, office: Client) -> None:
    TransmitterType.objects.filter(code="motion").update(retired_at=factories.NOW)
    label = TransmitterType.objects.get(code="motion").label
    name = f">{label}</a>"
    assert name not in listed(office)
    assert name in listed(office, show="retired")
    assert name in listed(office, show="all")


def test_a_technician_sees_types_and_no_way_to_change_them(world: World) -> None:
    client = world.client("technician")
    page = client.get(reverse("devices:tech_receiver_type", args=[world.own_receiver.type_id])).content.decode()
    assert world.own_site.name in page
    assert "/edit/" not in page
    assert "Retire it" not in page


@pytest.mark.parametrize("form", [BatteryTypeForm, TransmitterTypeForm, ReceiverTypeForm])
def test_every_field_of_a_form_stands_in_a_section(form: Any) -> None:
    extra = {"batteries": BatteryType.objects.all()} if form is TransmitterTypeForm else {}
    made = form(**extra)
    shown = {field.name for _, _, fields in made.sections() for field in fields}
    assert set(made.fields) - shown == {"seen", "sure"}


def test_a_receiver_type_says_which_faults_it_latches_and_begins_with_the_usual_two(office: Client) -> None:
    page = office.get(reverse("devices:receiver_type_new")).content.decode()
    ticked = re.findall(r'name="latched_faults" value="(\w+)"[^>]*checked', page)
    assert ticked == ["low_battery", "tamper"]
    assert 'value="outage"' not in page
    office.post(reverse("devices:receiver_type_new"), RECEIVER | {"latched_faults": ["tamper", "trouble"]})
    assert ReceiverType.objects.get(label=RECEIVER["label"]).latched_faults == ["tamper", "trouble"]
