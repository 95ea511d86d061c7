"""Settings of the firm: each change written down, none lost to somebody else's, all of it taken back with one button."""

from __future__ import annotations

from datetime import date
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image, PngImagePlugin

from company.actions import FirmChangedSince, FirmUnchanged, ensure_firm, save_firm
from company.currencies import CURRENCIES
from company.forms.firm import example
from company.models import ChangeRow, Firm, RiskPolicy
from company.pictures import HIGHEST_PX, WIDEST_PX, NoLogo, clean_logo
from company.undo import ChangedAfter, undo
from tests.company.test_firm_pages import firm_data, policy_data
from tests.factories import NOW

EDIT = "/firm/edit/"


def picture(kind="PNG", size=(300, 100), mode="RGB", colour="navy", **options):
    out = BytesIO()
    Image.new(mode, size, colour).save(out, kind, **options)
    return out.getvalue()


def upload(content, name="logo.png"):
    return SimpleUploadedFile(name, content)


def save(world, **over):
    return world.client("manager").post(EDIT, firm_data(**over))


def test_every_setting_says_what_it_does(world):
    page = world.client("manager").get(EDIT).content.decode()
    for words in (
        "never on customers&#x27; papers",
        "papers issued before never change",
        "Stands behind every price on screen",
        "Forms and files take 2025-05-03 whatever is chosen",
        "Lengths of cables",
    ):
        assert words in page, words


def test_the_styles_of_days_are_chosen_by_how_today_looks_in_them(world):
    day = date(2026, 11, 5)
    assert [example(day, style) for style in ("day_month", "month_day", "iso")] == [
        "5 November 2026", "November 5, 2026", "2026-11-05",
    ]  # fmt: skip
    assert "(today)" in world.client("manager").get(EDIT).content.decode()


def test_ways_of_writing_are_saved_and_shown_with_their_change(world):
    assert save(world, units="ft", date_style="iso", paper_note="Register 77 of Brinehaven").status_code == 302
    firm = Firm.objects.get()
    assert (firm.units, firm.date_style, firm.paper_note) == ("ft", "iso", "Register 77 of Brinehaven")
    page = world.client("office").get("/firm/").content.decode()
    assert "lengths in: metres → feet" in page
    assert world.manager.name in page


@pytest.mark.parametrize(
    "over",
    [
        {"currency": "QQQ"},
        {"currency": ""},
        {"language": "xx"},
        {"units": "cubit"},
        {"seen": ""},
        {"cost_per_km": "-1e9"},
    ],
)
def test_a_setting_that_is_none_is_refused(world, over):
    before = ensure_firm().seen
    assert save(world, **over).status_code == 422
    assert Firm.objects.get().seen == before


def test_the_list_of_currencies_is_sorted_and_holds_the_usual_ones():
    assert list(CURRENCIES) == sorted(CURRENCIES)
    assert all(len(code) == 3 and name for code, name in CURRENCIES.items())
    assert {"GBP", "EUR", "USD", "CHF", "NOK", "JPY"} <= set(CURRENCIES)


def test_two_managers_at_once_do_not_undo_each_other_unseen(world):
    stale = firm_data(phone="1")
    assert save(world, phone="2").status_code == 302
    late = world.client("manager").post(EDIT, stale)
    assert late.status_code == 422
    assert "changed after you opened the page" in late.content.decode()
    assert Firm.objects.get().phone == "2"
    first, second = Firm.objects.get(), Firm.objects.get()
    seen, first.phone, second.phone = first.seen, "3", "4"
    save_firm(firm=first, by=world.manager, at=NOW, seen=seen)
    with pytest.raises(FirmChangedSince):
        save_firm(firm=second, by=world.manager, at=NOW, seen=seen)


def test_saving_what_stands_writes_nothing(world):
    assert save(world).status_code == 302
    assert save(world).status_code == 422
    with pytest.raises(FirmUnchanged):
        save_firm(firm=Firm.objects.get(), by=world.manager, at=NOW)
    assert ChangeRow.objects.filter(verb="save_firm").count() == 1


# --- taking back ------------------------------------------------------------------------------------------------------


def test_a_saved_setting_is_taken_back_by_the_button_of_its_message(world):
    client = world.client("manager")
    before = {name: getattr(ensure_firm(), name) for name in ("name", "paper", "cost_per_hour", "currency")}
    page = client.post(EDIT, firm_data(), follow=True).content.decode()
    change = ChangeRow.objects.get(verb="save_firm")
    address = reverse("company:change_undo", args=[change.pk])
    assert f'action="{address}"' in page
    assert client.post(address).status_code == 302
    firm = Firm.objects.get()
    assert {name: getattr(firm, name) for name in before} == before
    row = ChangeRow.objects.get(undoes=change)
    assert (row.by, row.before["paper"], row.after["paper"]) == (world.manager, "letter", "a4")


def test_only_a_manager_takes_a_setting_back(world):
    save(world)
    address = reverse("company:change_undo", args=[ChangeRow.objects.get(verb="save_firm").pk])
    world.client("office").post(address)
    assert Firm.objects.get().paper == "letter"


def test_a_setting_changed_again_since_is_not_taken_back(world):
    save(world, phone="1")
    first = ChangeRow.objects.get(verb="save_firm")
    save(world, phone="2")
    with pytest.raises(ChangedAfter):
        undo(change=first, by=world.manager, at=NOW)
    assert Firm.objects.get().phone == "2"


def test_a_policy_is_taken_back_and_the_dates_are_worked_out_anew(world, django_capture_on_commit_callbacks):
    assert world.client("manager").post("/firm/policy/life_safety/", policy_data()).status_code == 302
    with django_capture_on_commit_callbacks(execute=True) as callbacks:
        undo(change=ChangeRow.objects.get(verb="save_policy"), by=world.manager, at=NOW)
    policy = RiskPolicy.objects.get(duty="life_safety")
    assert (policy.p_dead, policy.grace_days, policy.longest_window_s) == (0.01, 7, 14400)
    assert callbacks


# --- the picture ------------------------------------------------------------------------------------------------------


def test_a_picture_is_drawn_anew_small_and_without_what_hid_in_the_file(world):
    hidden = PngImagePlugin.PngInfo()
    hidden.add_text("Comment", "made in the back office")
    content = picture(size=(3000, 900), pnginfo=hidden)
    assert save(world, logo=upload(content)).status_code == 302
    answer = world.client("office").get(reverse("company:firm_logo"))
    assert answer.headers["Content-Type"] == "image/png"
    drawn = Image.open(BytesIO(answer.content))
    assert drawn.width <= WIDEST_PX
    assert drawn.height <= HIGHEST_PX
    assert drawn.info.get("Comment") is None
    assert b"back office" not in answer.content


def test_what_is_transparent_becomes_white_paper():
    content, _ = clean_logo(picture(mode="RGBA", colour=(0, 0, 0, 0)))
    assert Image.open(BytesIO(content)).convert("RGB").getpixel((5, 5)) == (255, 255, 255)


@pytest.mark.parametrize(
    "content",
    [
        b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>",
        b"GIF89a" + b"\0" * 40,
        b"\x89PNG\r\n\x1a\nx",
        b"x" * 4_000_001,
    ],
    ids=["svg", "gif", "broken", "large"],
)
def test_what_is_no_picture_is_refused_in_words(world, content):
    answer = save(world, logo=upload(content))
    assert answer.status_code == 422
    assert "picture" in answer.content.decode()
    assert Firm.objects.get().logo is None
    with pytest.raises(NoLogo):
        clean_logo(content)


def test_a_picture_is_taken_away_and_put_back_by_undo(world):
    save(world, logo=upload(picture()))
    kept = bytes(Firm.objects.get().logo)
    page = world.client("manager").get(EDIT).content.decode()
    assert "Take the present picture away" in page
    assert save(world, remove_logo="on").status_code == 302
    assert Firm.objects.get().logo is None
    undo(change=ChangeRow.objects.filter(verb="save_firm").order_by("-pk")[0], by=world.manager, at=NOW)
    firm = Firm.objects.get()
    assert (bytes(firm.logo), firm.logo_media_type) == (kept, "image/png")


def test_a_save_without_a_picture_keeps_the_present_one(world):
    save(world, logo=upload(picture()))
    assert save(world, phone="7").status_code == 302
    assert Firm.objects.get().logo is not None


def test_the_page_links_to_who_changed_what(world):
    page = world.client("manager").get("/firm/").content.decode()
    for kind in ("firm", "riskpolicy", "user"):
        assert f"/changes/?kind={kind}" in page
