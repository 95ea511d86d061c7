"""Pages of sites and of what belongs to one site."""

from __future__ import annotations

from datetime import date, time
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from company.models import ChangeRow, User
from sites.models import AccessNote, AccessNoteShown, Area, FloorPlan, Hazard, MonitoringCentre, Site, SiteClosure
from tests import factories
from tests.company.test_firm_pages import grow


def url(name, *args):
    return reverse(f"sites:{name}", args=args)


def site_data(**over):
    data = {
        "code": "LH1", "name": "Lantern House", "kind": "care home", "address": "1 Quay Road", "town": "Skarrow",
        "postcode": "", "latitude": "58.2104", "longitude": "-6.3847", "time_zone": "Europe/London",
        "person_to_meet": "", "phone": "", "note": "",
    }  # fmt: skip
    return data | over


def test_a_site_is_added_for_a_customer(world):
    response = world.client("office").post(url("site_new"), site_data(customer=world.own.pk))
    site = Site.objects.get(code="LH1")
    assert response.url == site.get_absolute_url()
    assert (site.customer, site.longitude) == (world.own, -6.3847)
    assert ChangeRow.objects.get(verb="save_site").customer == world.own


@pytest.mark.parametrize(
    "over",
    [
        {"latitude": "91"}, {"latitude": "NaN"}, {"longitude": ""}, {"time_zone": "Europe/Atlantis"}, {"code": ""},
        {"name": ""}, {"customer": "999999"},
    ],
)  # fmt: skip
def test_a_site_that_makes_no_sense_is_refused(world, over):
    response = world.client("office").post(url("site_new"), site_data(customer=world.own.pk) | over)
    assert response.status_code == 422
    assert not Site.objects.filter(code="LH1").exists()


def test_a_change_of_a_site_says_what_it_was(world):
    site = world.own_site
    world.client("office").post(url("site_edit", site.pk), site_data(code=site.code, name="New name"))
    site.refresh_from_db()
    assert site.name == "New name"
    row = ChangeRow.objects.get(verb="save_site")
    assert row.before["name"] != row.after["name"] == "New name"


def test_a_site_cannot_be_moved_to_another_customer(world):
    world.client("office").post(url("site_edit", world.own_site.pk), site_data(customer=world.other.pk))
    world.own_site.refresh_from_db()
    assert world.own_site.customer == world.own


def test_the_list_is_searched_filtered_and_sorted(world):
    client = world.client("office")
    factories.make_site(world.own, name="Zebra Quay", town="Skarrow")
    assert "Zebra Quay" in client.get("/sites/?q=zebra").content.decode()
    page = client.get(f"/sites/?customer={world.other.pk}").content.decode()
    assert world.other_site.name in page
    assert "Zebra Quay" not in page
    page = client.get("/sites/?sort=-name").content.decode()
    assert page.index("Zebra Quay") < page.index(world.own_site.name)
    assert client.get("/sites/?customer=x&sort=cipher&page=0&state=what").status_code == 200


def test_the_list_answers_htmx_with_the_rows_only(world):
    page = world.client("office").get("/sites/?q=zz", headers={"HX-Request": "true"}).content.decode()
    assert page.lstrip().startswith('<div id="rows"')
    assert "No site found" in page


def test_the_list_of_sites_takes_the_same_number_of_queries_however_many_there_are(world):
    few, many = grow(world.client("office"), "/sites/", factories.make_site)
    assert few == many


def test_the_page_of_a_site_takes_the_same_number_of_queries_however_much_is_known(world):
    site, numbers = world.own_site, iter(range(100))

    def more():
        n = next(numbers)
        common = {"site": site, "customer": site.customer}
        Area.objects.create(path=f"Room {n}", **common)
        Hazard.objects.create(kind="height", text=f"Ladder {n}", noted_on=date(2026, 1, 1), **common)
        SiteClosure.objects.create(kind="no_access", from_on=date(2030, 1, 1), to_on=date(2030, 1, 2), **common)
        MonitoringCentre.objects.create(name=f"Centre {n}", **common)
        AccessNote.objects.create(title=f"Note {n}", cipher=b"x", changed_by=factories.make_user(), **common)

    few, many = grow(world.client("office"), site.get_absolute_url(), more)
    assert few == many


def test_receivers_and_due_dates_come_by_their_own_addresses_and_by_plain_links(world):
    page = world.client("office").get(world.own_site.get_absolute_url()).content.decode()
    for address in (
        reverse("devices:site_receivers", args=[world.own_site.pk]),
        reverse("maintenance:due_panel", args=[world.own_site.pk]),
    ):
        assert f'hx-get="{address}"' in page
        assert f'href="{address}"' in page


def hours(**typed):
    return {f"d{day}": "" for day in range(7)} | typed


def test_visiting_hours_are_set_per_weekday_with_as_many_spans_as_the_day_has(world):
    address = url("hours_edit", world.own_site.pk)
    response = world.client("office").post(address, hours(d3="9-12, 14.00 to 16:30", d4="same", d5="closed"))
    assert response.status_code == 302
    rows = world.own_site.visiting_hours.order_by("weekday", "opens").values_list("weekday", "opens", "closes")
    assert list(rows) == [
        (day, *span) for day in (3, 4) for span in ((time(9), time(12)), (time(14), time(16, 30)))
    ]  # fmt: skip
    page = world.client("office").get(world.own_site.get_absolute_url()).content.decode()
    assert page.count("09:00–12:00, 14:00–16:30") == 2
    # What is on record stands in the form as it can be typed again.
    form = world.client("office").get(address).content.decode()
    assert form.count('value="09:00–12:00, 14:00–16:30"') == 2


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"d0": "13:00"}, "is no span of time"),
        ({"d0": "09:00-25:00"}, "Hours go from 00 to 23"),
        ({"d0": "9-12, 11-14"}, "overlap"),
        ({"d0": "9-12, 2-4"}, "in 24 hours"),
        ({"d0": "17:00-09:00"}, "ends before it begins"),
        ({"d0": "same"}, "no day above Monday"),
    ],
)
def test_hours_that_no_day_can_have_are_refused_by_name_and_change_nothing(world, typed, words):
    world.own_site.visiting_hours.create(customer=world.own, weekday=2, opens="09:00", closes="17:00")
    answer = world.client("office").post(url("hours_edit", world.own_site.pk), hours(**typed))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Monday: " in page
    assert words in page
    assert world.own_site.visiting_hours.get().weekday == 2


def test_the_same_hours_again_write_nothing(world):
    client, address = world.client("office"), url("hours_edit", world.own_site.pk)
    client.post(address, hours(d1="09:00-12:00"))
    page = client.post(address, hours(d1="9 am - noon".replace("noon", "12")), follow=True).content.decode()
    assert "on record already" in page
    assert ChangeRow.objects.filter(verb="set_visiting_hours").count() == 1


def test_a_closure_is_named_by_its_last_day_and_kept_with_an_exclusive_end(world):
    data = {"kind": "no_access", "from_on": "2030-12-24", "last_on": "2030-12-26", "reason": "Christmas"}
    world.client("office").post(url("closure_new", world.own_site.pk), data)
    row = SiteClosure.objects.get()
    assert (row.from_on, row.to_on, row.customer) == (date(2030, 12, 24), date(2030, 12, 27), world.own)
    page = world.client("office").get(world.own_site.get_absolute_url()).content.decode()
    assert "24 Dec 2030 to 26 Dec 2030" in page
    assert 'value="2030-12-26"' in world.client("office").get(url("closure_edit", row.pk)).content.decode()
    bad = world.client("office").post(url("closure_edit", row.pk), data | {"last_on": "2030-12-23"})
    assert bad.status_code == 422
    world.client("office").post(url("closure_remove", row.pk))
    assert not SiteClosure.objects.exists()


def test_a_danger_is_cleared_on_a_day_and_never_erased(world):
    world.client("office").post(
        url("hazard_new", world.own_site.pk), {"kind": "height", "text": "Long ladder", "noted_on": "2026-03-01"}
    )
    hazard = Hazard.objects.get()
    early = world.client("office").post(url("hazard_clear", hazard.pk), {"on": "2026-02-01"})
    assert early.status_code == 422
    assert "before it was noted" in early.content.decode()
    assert world.client("office").post(url("hazard_clear", hazard.pk), {"on": "2026-04-01"}).status_code == 302
    page = world.client("office").get(world.own_site.get_absolute_url()).content.decode()
    assert "gone since 1 Apr 2026" in page


def test_an_area_is_one_tidy_path_and_stands_once_in_a_site(world):
    client, new = world.client("office"), url("area_new", world.own_site.pk)
    client.post(new, {"path": " Main house /first floor//", "walk_order": "10"})
    area = Area.objects.get()
    assert area.path == "Main house / first floor"
    assert client.post(new, {"path": "Main house/ first floor", "walk_order": "20"}).status_code == 422
    assert client.post(url("area_remove", area.pk)).status_code == 302
    assert not Area.objects.exists()


def test_a_monitoring_centre_is_kept_changed_and_removed(world):
    client = world.client("office")
    client.post(url("centre_new", world.own_site.pk), {"name": "Northern Watch", "account": "SK-77"})
    centre = MonitoringCentre.objects.get()
    client.post(url("centre_edit", centre.pk), {"name": "Northern Watch", "account": "SK-78"})
    centre.refresh_from_db()
    assert centre.account == "SK-78"
    client.post(url("centre_remove", centre.pk))
    assert not MonitoringCentre.objects.exists()


def test_an_access_note_is_encrypted_and_shown_on_asking_only(world):
    client = world.client("office")
    client.post(url("access_note_new", world.own_site.pk), {"title": "Key safe", "text": "C1943Z"})
    note = AccessNote.objects.get()
    assert b"C1943Z" not in bytes(note.cipher)
    for address in (world.own_site.get_absolute_url(), url("access_note_edit", note.pk)):
        assert "C1943Z" not in client.get(address).content.decode()
    assert not AccessNoteShown.objects.exists()
    assert client.get(url("access_note_show", note.pk)).status_code == 405
    response = client.post(url("access_note_show", note.pk))
    assert "C1943Z" in response.content.decode()
    assert "no-store" in response.headers["Cache-Control"]
    shown = AccessNoteShown.objects.get()
    assert (shown.note, shown.to) == (note, world.office)


def test_an_access_note_is_in_no_change_row_and_in_no_search(world):
    client = world.client("office")
    client.post(url("access_note_new", world.own_site.pk), {"title": "Key safe", "text": "C1943Z"})
    note = AccessNote.objects.get()
    data = {"title": "Key safe", "text": "D2054Y", "seen": note.changed_at.isoformat()}
    assert client.post(url("access_note_edit", note.pk), data).status_code == 302
    client.post(url("access_note_show", note.pk))
    client.post(url("access_note_remove", note.pk))
    changes = ChangeRow.objects.filter(subject_kind="accessnote").order_by("pk")
    rows = list(changes.values_list("verb", "before", "after"))
    assert [verb for verb, _, _ in rows] == ["add_access_note", "change_access_note", "remove_access_note"]
    assert "C1943Z" not in str(rows)
    assert "D2054Y" not in str(rows)
    # Who had seen it outlives the note.
    assert AccessNoteShown.objects.get().to == world.office
    assert world.office.email in world.client("manager").get(url("access_log_csv")).content.decode()
    assert world.own_site.name not in client.get("/sites/?q=C1943Z").content.decode()


def test_a_note_sealed_with_a_lost_key_says_so_and_counts_as_not_shown(world):
    note = AccessNote.objects.create(site=world.own_site, customer=world.own, title="Old", cipher=b"nonsense")
    response = world.client("office").post(url("access_note_show", note.pk), headers={"HX-Request": "true"})
    assert response.status_code == 422
    assert "cannot be opened" in response.content.decode()
    assert not AccessNoteShown.objects.exists()


def picture(kind="PNG", size=(40, 30), **options):
    out = BytesIO()
    Image.new("RGB", size, "white").save(out, kind, **options)
    return SimpleUploadedFile("plan." + kind.lower(), out.getvalue())


def test_a_floor_plan_is_drawn_anew_and_handed_out(world):
    note = b"secret place in the file"
    upload = picture("JPEG", comment=note)
    response = world.client("office").post(
        url("plan_new", world.own_site.pk), {"name": "Ground floor", "picture": upload}
    )
    assert response.status_code == 302
    plan = FloorPlan.objects.get()
    assert (plan.width_px, plan.height_px, plan.media_type) == (40, 30, "image/jpeg")
    assert note not in bytes(plan.picture)
    answer = world.client("technician").get(url("plan_picture", plan.pk))
    assert answer.headers["Content-Type"] == "image/jpeg"
    assert Image.open(BytesIO(answer.content)).size == (40, 30)


def test_a_large_floor_plan_is_made_smaller(world):
    world.client("office").post(
        url("plan_new", world.own_site.pk), {"name": "x", "picture": picture(size=(4800, 1200))}
    )
    plan = FloorPlan.objects.get()
    assert (plan.width_px, plan.height_px) == (2400, 600)


@pytest.mark.parametrize(
    "content",
    [
        b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>",
        b"%PDF-1.7",
        b"\x89PNG\r\n\x1a\nnonsense",
        b"GIF89a" + b"\x00" * 40,
    ],
    ids=["svg", "pdf", "broken png", "gif"],
)
def test_what_is_no_picture_is_refused(world, content):
    response = world.client("office").post(
        url("plan_new", world.own_site.pk), {"name": "x", "picture": SimpleUploadedFile("x.png", content)}
    )
    assert response.status_code == 422
    assert not FloorPlan.objects.exists()


def test_a_picture_with_too_many_pixels_is_refused_before_it_is_unpacked(world):
    # 8000 x 8000 white pixels are a small file and a quarter of a gigabyte in memory.
    response = world.client("office").post(
        url("plan_new", world.own_site.pk), {"name": "x", "picture": picture(size=(8000, 8000))}
    )
    assert response.status_code == 422
    assert "40 million pixels" in response.content.decode()


def test_a_limited_portal_person_sees_the_sites_that_were_chosen(world):
    second = factories.make_site(world.own)
    person = factories.make_portal_user(world.own, is_limited=True)
    access = person.portal_access.get()
    address = url("portal_sites", access.pk)
    page = world.client("office").get(address).content.decode()
    assert second.name in page
    assert world.other_site.name not in page
    assert world.client("office").post(address, {"sites": [second.pk]}).status_code == 302
    assert list(Site.objects.visible_to(User.objects.get(pk=person.pk))) == [second]
    assert world.client("office").post(address, {"sites": [world.other_site.pk]}).status_code == 422
    assert world.client("office").post(address, {}).status_code == 302
    assert not Site.objects.visible_to(User.objects.get(pk=person.pk)).exists()


def test_a_site_is_closed_with_a_reason_and_opened_again(world):
    address = url("site_close", world.own_site.pk)
    assert world.client("office").post(address, {"reason": ""}).status_code == 422
    world.client("office").post(address, {"reason": "moved out"})
    world.own_site.refresh_from_db()
    assert world.own_site.closed_at
    assert ChangeRow.objects.get(verb="close_site").reason == "moved out"
    assert world.own_site.name not in world.client("office").get("/sites/").content.decode()
    world.client("office").post(address, {"reason": "back again"})
    world.own_site.refresh_from_db()
    assert world.own_site.closed_at is None


def test_nobody_from_outside_the_office_reaches_these_pages(world):
    site = world.own_site
    note = AccessNote.objects.create(site=site, customer=world.own, title="Key safe", cipher=b"x")
    area = Area.objects.create(site=site, customer=world.own, path="Hall")
    access = factories.make_portal_user(world.own, is_limited=True).portal_access.get()
    addresses = [
        url("site_list"), url("site_new"), site.get_absolute_url(), url("site_edit", site.pk),
        url("hours_edit", site.pk), url("closure_new", site.pk), url("hazard_new", site.pk), url("area_new", site.pk),
        url("area_edit", area.pk), url("centre_new", site.pk), url("plan_new", site.pk),
        url("access_note_new", site.pk), url("access_note_edit", note.pk), url("portal_sites", access.pk),
    ]  # fmt: skip
    for who in ("technician", "own_user", "other_user"):
        client = world.client(who)
        for address in addresses:
            assert client.get(address).status_code == 404, (who, address)
        for address in (url("access_note_show", note.pk), url("area_remove", area.pk), url("site_close", site.pk)):
            assert client.post(address, {"reason": "x"}).status_code == 404, (who, address)
    assert Area.objects.exists()
    assert not AccessNoteShown.objects.exists()


def test_a_floor_plan_is_not_for_customers(world):
    plan = FloorPlan.objects.create(
        site=world.own_site, customer=world.own, name="x", picture=b"x", media_type="image/png", width_px=1, height_px=1
    )
    assert world.client("own_user").get(url("plan_picture", plan.pk)).status_code == 404
