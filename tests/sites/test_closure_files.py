"""Term dates of many sites by one file: what each row would do, all or nothing, once, and taken back in one go."""

from __future__ import annotations

import re
from datetime import date
from io import BytesIO

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from company.models import ChangeRow, Upload
from company.undo import CannotUndo, undo
from sites.models import SiteClosure
from tests import factories

HEAD = "site code,customer code,kind of building,from,to,what,reason\n"


@pytest.fixture
def schools(world):
    return [factories.make_site(world.own, kind="school", name=f"School {n}", code=f"SCH-{n}") for n in (1, 2)]


def upload(world, rows, head=HEAD, name="terms.csv"):
    file = SimpleUploadedFile(name, (head + rows).encode())
    return world.client("office").post(reverse("sites:closure_file_new"), {"file": file})


def page_of(world, response):
    return world.client("office").get(response.url).content.decode()


def apply(world, response, seen):
    kept = Upload.objects.latest("pk")
    address = reverse("sites:closure_file_apply", args=[kept.uuid])
    return world.client("office").post(address, {"seen": seen}, follow=True).content.decode()


def test_nothing_is_written_before_it_is_applied_and_then_all_of_it(world, schools):
    response = upload(
        world, ",,school,2030-12-21,2031-01-03,no access,Christmas\nSCH-1,,,2031-02-10,2031-02-14,empty,\n"
    )
    page = page_of(world, response)
    assert "3 new spans of days at 2 sites" in page
    assert not SiteClosure.objects.exists()
    page = apply(world, response, 3)
    assert "3 spans of days added" in page
    assert SiteClosure.objects.filter(to_on=date(2031, 1, 4), reason="Christmas", kind="no_access").count() == 2
    preferred = SiteClosure.objects.get(kind="preferred")
    assert (preferred.site, preferred.customer, preferred.batch) == (schools[0], world.own, Upload.objects.get().uuid)


def test_the_same_file_again_changes_nothing(world, schools):
    rows = ",,school,2030-12-21,2031-01-03,no access,Christmas\n"
    apply(world, upload(world, rows), 2)
    page = page_of(world, upload(world, rows))
    assert "Everything in this file is on record already" in page
    apply(world, None, 2)
    assert SiteClosure.objects.count() == 2


def test_a_second_press_of_the_button_adds_nothing(world, schools):
    response = upload(world, "SCH-1,,,2030-12-21,2031-01-03,no access,\n")
    apply(world, response, 1)
    assert "on record already" in apply(world, response, 1)
    assert SiteClosure.objects.count() == 1


def test_columns_together_mean_the_sites_that_fit_all_of_them(world, schools):
    factories.make_site(world.other, kind="school")
    page = page_of(world, upload(world, f",{world.own.code},School,2030-12-21,2031-01-03,no access,\n"))
    assert "2 new spans of days at 2 sites" in page


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("SCH-I,,,2030-12-21,2031-01-03,no access,", "Did you mean “SCH-1”?"),
        ("SCH-11,,,2030-12-21,2031-01-03,no access,", "Did you mean “SCH-1”?"),
        (",,scool,2030-12-21,2031-01-03,no access,", "Did you mean “school”?"),
        ("XXX-9,,,2030-12-21,2031-01-03,no access,", "No site that is looked after has this code. They look like “"),
        (",ZZZZZZZZZ,,2030-12-21,2031-01-03,no access,", "No customer with a site has this code. They look like “"),
        (",,,2030-12-21,2031-01-03,no access,", "Nothing says which site"),
        ("SCH-1,,,2031-01-03,2030-12-21,no access,", "The last day is before the first"),
        ("SCH-1,,,2030-12-21,2032-03-21,no access,", "longer than 400 days"),
        ("SCH-1,,,2030-12-21,2090-12-22,no access,", "more than 6 years ahead"),
        ("SCH-1,,,soon,2031-01-03,no access,", "no date we can read"),
        ("SCH-1,,,2030-12-21,2031-01-03,no acess,", "Did you mean “no access”?"),
        ("SCH-1,,house,2030-12-21,2031-01-03,no access,", "No site is of this kind"),
    ],
)
def test_one_fault_keeps_the_whole_file_out_and_says_what_to_do(world, schools, row, words):
    response = upload(world, f"SCH-2,,,2030-12-21,2031-01-03,no access,\n{row}\n")
    page = page_of(world, response)
    assert "1 fault: nothing can be applied" in page
    assert words in page
    apply(world, response, 1)
    assert not SiteClosure.objects.exists()


def test_faults_stand_in_the_order_of_the_rows(world, schools):
    rows = (
        "XXX-9,,,2030-12-21,2031-01-03,no access,", "SCH-1,,,soon,2031-01-03,no access,",
        ",,,2030-12-21,2031-01-03,no access,", "SCH-1,,,2030-12-21,2031-01-03,nothing,",
    )  # fmt: skip
    page = page_of(world, upload(world, "\n".join(rows) + "\n"))
    places = [
        page.index(words) for words in ("has this code", "no date we can read", "Nothing says which", "is not one of")
    ]
    assert places == sorted(places)


def test_overlaps_are_told_and_do_not_stand_in_the_way(world, schools):
    site = schools[0]
    SiteClosure.objects.create(
        site=site, customer=site.customer, kind="preferred", from_on=date(2030, 12, 1), to_on=date(2030, 12, 22),
        reason="works",
    )  # fmt: skip
    response = upload(world, "SCH-1,,,2030-12-21,2031-01-03,no access,\n")
    assert "School 1: overlaps 1 Dec 2030 to 21 Dec 2030, empty, preferred (works)." in page_of(world, response)
    apply(world, response, 1)
    assert SiteClosure.objects.count() == 2


def test_what_changed_since_the_look_is_shown_again_instead_of_written(world, schools):
    response = upload(world, ",,school,2030-12-21,2031-01-03,no access,\n")
    factories.make_site(world.own, kind="school")
    assert "The records have changed since you looked" in apply(world, response, 2)
    assert not SiteClosure.objects.exists()


def test_a_file_is_taken_back_whole_and_not_after_a_change_by_hand(world, schools):
    response = upload(world, ",,school,2030-12-21,2031-01-03,no access,\n")
    apply(world, response, 2)
    change = ChangeRow.objects.get(verb="add_closures")
    by_hand = SiteClosure.objects.first()
    data = {"kind": "no_access", "from_on": "2030-12-21", "last_on": "2031-01-04", "reason": ""}
    world.client("office").post(reverse("sites:closure_edit", args=[by_hand.pk]), data)
    with pytest.raises(CannotUndo, match="by hand"):
        undo(change=change, by=world.office, at=timezone.now())
    undo(change=ChangeRow.objects.get(verb="save_siteclosure"), by=world.office, at=timezone.now())
    undo(change=change, by=world.office, at=timezone.now())
    assert not SiteClosure.objects.exists()
    assert "2 new spans" in page_of(world, response)
    apply(world, response, 2)
    assert SiteClosure.objects.count() == 2


def test_the_template_comes_back_without_its_examples(world, schools):
    body = world.client("office").get(reverse("sites:closure_template")).content
    book = openpyxl.load_workbook(BytesIO(body))
    book["closures"].append(["SCH-1", None, None, date(2030, 12, 21), date(2031, 1, 3), "no access", "Christmas"])
    out = BytesIO()
    book.save(out)
    file = SimpleUploadedFile("term-dates.xlsx", out.getvalue())
    response = world.client("office").post(reverse("sites:closure_file_new"), {"file": file})
    page = page_of(world, response)
    assert "2 example rows were left out" in page
    assert "1 new span of days at 1 site" in page


@pytest.mark.parametrize("content", [b"%PDF-1.7", b"", b"\x89PNG\r\n"])
def test_what_is_no_list_is_refused(world, content):
    file = SimpleUploadedFile("terms.csv", content)
    assert world.client("office").post(reverse("sites:closure_file_new"), {"file": file}).status_code == 422
    assert not Upload.objects.exists()


def test_a_workbook_of_the_import_is_no_file_of_term_dates(world):
    other = Upload.objects.create(kind="workbook", name="x.xlsx", sha256="0", content=b"PK", by=world.office)
    assert world.client("office").get(reverse("sites:closure_file", args=[other.uuid])).status_code == 404


def test_nobody_from_outside_the_office_sees_or_applies_a_file(world, schools):
    response = upload(world, "SCH-1,,,2030-12-21,2031-01-03,no access,\n")
    for who in ("technician", "own_user"):
        assert world.client(who).get(response.url).status_code == 404
        assert world.client(who).post(response.url + "apply/", {"seen": "1"}).status_code == 404
    assert not SiteClosure.objects.exists()


def fates_of(page):
    return re.findall(r'<span class="badge[^"]*">([^<]+)</span>', page.split('id="rows"')[1])


def test_once_applied_each_row_says_what_it_did(world, schools):
    site = schools[0]
    SiteClosure.objects.create(
        site=site, customer=site.customer, kind="no_access", from_on=date(2030, 12, 21), to_on=date(2031, 1, 4)
    )
    rows = (
        ",,school,2030-12-21,2031-01-03,no access,\nSCH-1,,,2030-12-21,2031-01-03,no access,\n"
        "SCH-2,,,2031-02-10,2031-02-14,empty,\nSCH-2,,,2031-02-10,2031-02-14,empty,\n"
    )
    response = upload(world, rows)
    assert fates_of(page_of(world, response)) == ["new", "on record already", "new", "on record already"]
    page = apply(world, response, 2)
    assert fates_of(page) == ["added", "on record already", "added", "on record already"]
    assert page.count("1 there already") == 1
    # The same file sent once more has added nothing.
    assert set(fates_of(page_of(world, upload(world, rows)))) == {"on record already"}
