"""The firm's way of writing: days in three styles, on screens and papers, and the language asked for."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import pytest
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.safestring import SafeString

from company import days
from company.forms.firm import languages
from company.manner import Manner, language_of, manner, spoken, written_as
from company.models import Firm
from company.templatetags import days as filters
from devices.rules.words import day_words
from maintenance.reports import base
from tests.conftest import World
from tests.factories import NOW

DAY = date(2026, 3, 4)


@pytest.mark.parametrize(
    ("style", "full", "usual", "brief", "bare", "week"),
    [
        ("day_month", "4 March 2026", "4 Mar 2026", "4 Mar 26", "4 March", "Wed 4 Mar"),
        ("month_day", "March 4, 2026", "Mar 4, 2026", "Mar 4, 26", "March 4", "Wed Mar 4"),
        ("iso", "2026-03-04", "2026-03-04", "2026-03-04", "2026-03-04", "Wed 2026-03-04"),
    ],
)
def test_a_day_is_written_in_the_style_asked_for(
    style: str, full: str, usual: str, brief: str, bare: str, week: str
) -> None:
    said = [days.day_full, days.day_usual, days.day_brief, days.day_in_year, days.day_of_week]
    assert [write(DAY, style) for write in said] == [full, usual, brief, bare, week]


@pytest.mark.parametrize(
    ("style", "day", "short", "time"),
    [
        ("day_month", "4 Mar 2026", "Wed 4 Mar", "4 Mar 2026, 09:30"),
        ("month_day", "Mar 4, 2026", "Wed Mar 4", "Mar 4, 2026, 09:30"),
        ("iso", "2026-03-04", "Wed 2026-03-04", "2026-03-04, 09:30"),
    ],
)
def test_the_filters_of_pages_follow_the_style_in_force(style: str, day: str, short: str, time: str) -> None:
    moment = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
    with written_as(Manner(date_style=style)):
        assert (filters.day(DAY), filters.day_short(DAY)) == (day, short)
        assert filters.daytime(moment, "Europe/London") == time
        assert base.day_short("2026-03-04") == day
    assert manner() == Manner()


@pytest.mark.parametrize(
    ("plain", "month_day", "iso"),
    [
        ("Due on 4 March 2026: late.", "Due on March 4, 2026: late.", "Due on 2026-03-04: late."),
        ("4 Mar 2027 and 14 March", "Mar 4, 2027 and March 14", "2027-03-04 and 2026-03-14"),
        ("on test since 1 May, 06:00", "on test since May 1, 06:00", "on test since 2026-05-01, 06:00"),
        ("heard 31 June, 32 May, 7 Marches", "heard 31 June, 32 May, 7 Marches", "heard 31 June, 32 May, 7 Marches"),
        ("29 February 2027", "29 February 2027", "29 February 2027"),
    ],
)
def test_days_within_a_sentence_of_the_rules_follow_the_style(plain: str, month_day: str, iso: str) -> None:
    said = [days.in_style(plain, style, this_year=2026) for style in ("day_month", "month_day", "iso", "unheard of")]
    assert said == [plain, month_day, iso, plain]


def test_every_day_that_the_rules_can_say_is_found_again_in_a_sentence() -> None:
    for n in range(366 * 4):
        day = date(2024, 1, 1) + timedelta(days=n)
        assert days.in_style(day_words(day), "iso", this_year=1999) == day.isoformat()
        assert (
            days.in_style(f"x {day_words(day)}.", "month_day", this_year=1999)
            == f"x {days.day_full(day, 'month_day')}."
        )


def test_the_filter_for_sentences_keeps_marked_up_text_as_it_is() -> None:
    marked = SafeString("<b>4 March 2026</b>")
    assert filters.dated(marked) is marked
    with written_as(Manner(date_style="month_day")):
        assert filters.dated(marked) == "<b>March 4, 2026</b>"
        assert isinstance(filters.dated(marked), SafeString)
        assert not isinstance(filters.dated("<b>4 March 2026"), SafeString)
        assert filters.dated(None) == ""


def test_a_paper_keeps_the_style_that_it_was_issued_in() -> None:
    plain = SimpleNamespace(
        name="A", address="", phone="", email="", paper_note="", logo=None, logo_media_type="", date_style="day_month"
    )
    assert "date_style" not in base.firm_facts(plain)  # type: ignore[arg-type]
    plain.date_style = "iso"
    assert base.firm_facts(plain)["date_style"] == "iso"  # type: ignore[arg-type]


def test_a_page_writes_days_as_the_firm_has_chosen(world: World) -> None:
    world.own_fitting.fitted_at = NOW.replace(month=3, day=4)
    world.own_fitting.save()
    url = reverse("devices:transmitter_detail", args=[world.own_registration.transmitter_id])
    client = world.client("office")
    assert "4 Mar 2026" in client.get(url).content.decode()
    Firm.objects.update(date_style="month_day")
    page = client.get(url).content.decode()
    assert "Mar 4, 2026" in page
    assert "4 Mar 2026" not in page


def test_a_language_without_words_here_becomes_english(settings: object) -> None:
    settings.LANGUAGES = [("en", "English"), ("de", "Deutsch")]  # type: ignore[attr-defined]
    assert language_of("xx", "de") == "de"
    assert language_of("xx", "") == "en"
    with spoken("de"):
        assert translation.get_language() == "de"
    assert (translation.get_language() or "").startswith("en")


def test_a_page_speaks_the_firms_language_and_says_so(world: World, settings: object) -> None:
    settings.LANGUAGES = [("en", "English"), ("de", "Deutsch")]  # type: ignore[attr-defined]
    Firm.objects.update(language="de")
    answer = world.client("office").get(reverse("company:customer_list"))
    assert answer["Content-Language"] == "de"
    assert '<html lang="de">' in answer.content.decode()
    Firm.objects.update(language="en")
    assert '<html lang="en">' in world.client("office").get(reverse("company:customer_list")).content.decode()


def test_languages_to_choose_from_are_those_of_the_installation(world: World, settings: object) -> None:
    settings.LANGUAGES = [("en", "English"), ("de", "Deutsch")]  # type: ignore[attr-defined]
    for name, args in (("company:firm_edit", []), ("company:customer_edit", [world.own_site.customer_id])):
        page = world.client("manager").get(reverse(name, args=args)).content.decode()
        assert '<option value="de">Deutsch</option>' in page


def test_a_language_on_record_without_words_stays_to_choose(world: World) -> None:
    customer = world.own_site.customer
    customer.language = "fr"
    customer.save()
    page = world.client("office").get(reverse("company:customer_edit", args=[customer.pk])).content.decode()
    assert '<option value="fr" selected>' in page
    assert languages("fr")[-1] == ("fr", "fr (English until its words are here)")
    assert languages("en") == languages("")


# --- two clocks -------------------------------------------------------------------------------------------------------


def test_an_hour_that_a_clock_goes_through_twice_says_which_one() -> None:
    # Clocks in London go back on 25 October 2026 at 01:00 UTC.
    first, second = (datetime(2026, 10, 25, hour, 30, tzinfo=UTC) for hour in (0, 1))
    assert filters.daytime(first, "Europe/London") == "25 Oct 2026, 01:30"
    assert filters.daytime(second, "Europe/London") == "25 Oct 2026, 01:30 (second time)"


def test_hours_of_a_site_in_another_zone_say_so() -> None:
    with timezone.override("Europe/London"):
        assert filters.site_time("Europe/London") == ""
        assert filters.site_time("America/New_York") == " site time"
        assert filters.zone_words("America/New_York") == "site time, New York"
        # Another name for the same clock is no other zone.
        assert filters.zone_words("Europe/Jersey") == ""
