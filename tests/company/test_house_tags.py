"""Words, dates, marks and links that every template uses."""

from __future__ import annotations

from datetime import UTC, date, datetime
from xml.etree import ElementTree

import pytest
from django.template import Context, Template
from django.test import RequestFactory

from company import palette
from company.templatetags import days, house
from company.templatetags import words as said


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (14400, "4 h"), (3600, "60 min"), (200, "200 s"), (86400, "24 h"), (5400, "90 min"), (60, "60 s"),
        (120, "2 min"), (7200, "2 h"), (0, "not supervised"), (None, "unknown"), ("", "unknown"),
    ],
)  # fmt: skip
def test_a_window_is_said_as_people_say_it(seconds, words):
    assert said.window_words(seconds) == words


@pytest.mark.parametrize(
    ("behaviour", "seconds", "words"),
    [
        ("follower", None, "follows the contact"),
        ("momentary", 5, "on for 5 s"),
        ("momentary", 0.5, "on for 0.5 s"),
        ("momentary", None, "on for a set time"),
        ("toggle", None, "changes over each time"),
        ("latching", 5, "stays on until cleared"),
        ("no such thing", None, "behaviour unknown"),
    ],
)
def test_a_behaviour_is_said_in_words(behaviour, seconds, words):
    assert said.behaviour_words(behaviour, seconds) == words


def test_dates_are_short_and_times_are_those_of_the_site():
    at = datetime(2027, 3, 23, 23, 30, tzinfo=UTC)
    assert days.day(date(2027, 3, 23)) == "23 Mar 2027"
    assert days.day_short(date(2027, 3, 23)) == "Tue 23 Mar"
    assert days.daytime(at, "Europe/Berlin") == "24 Mar 2027, 00:30"
    assert days.daytime(at, "America/New_York") == "23 Mar 2027, 19:30"
    assert days.day(at) == "23 Mar 2027"  # the test run's zone is London, an hour behind Berlin
    assert days.day(None) == days.daytime(None) == days.day_short(None) == ""


@pytest.mark.parametrize(("days", "words"), [(30, "30 days"), (1461, "4 years"), (2000, "5.5 years"), (0, "unknown")])
def test_a_long_time_is_said_in_years(days, words):
    assert said.years(days) == words


@pytest.mark.parametrize(("share", "words"), [(0.01, "1 %"), (0.015, "1.5 %"), (0.0005, "0.05 %"), (None, "unknown")])
def test_a_share_is_said_with_no_more_digits_than_it_needs(share, words):
    assert said.percent(share) == words


def test_red_is_for_a_late_life_safety_duty_only():
    assert "due--grave" in house.due_mark("late", "late 3 d", duty="life_safety")
    assert "due--grave" not in house.due_mark("late", "late 3 d", duty="security")
    assert "due--grave" not in house.due_mark("soon", "due 9 Mar", duty="life_safety")


@pytest.mark.parametrize("state", house.DUE_WORDS)
def test_a_mark_has_a_shape_and_a_word_of_its_own(state):
    mark = house.due_mark(state)
    assert house.DUE_WORDS[state] in mark
    others = {house.due_mark(other).split("<svg")[1] for other in house.DUE_WORDS if other != state}
    assert mark.split("<svg")[1] not in others


def test_an_unknown_state_says_that_there_is_no_estimate():
    assert "no estimate" in house.due_mark("what")


def test_a_mark_does_not_let_markup_through():
    assert "<b>" not in house.due_mark("late", "<b>x</b>")
    assert "<b>" not in house.icon_svg("pendant", title="<b>x</b>")


def test_an_icon_without_a_title_is_hidden_and_one_with_a_title_has_a_name():
    plain = ElementTree.fromstring(house.icon_svg("pendant"))
    named = ElementTree.fromstring(house.icon_svg("pendant", title="pendant", extra="icon--big"))
    assert plain.get("aria-hidden") == "true"
    assert plain.find("title") is None
    assert named.get("role") == "img"
    assert named.findtext("title") == "pendant"
    assert named.get("class") == "icon icon--big"


def test_an_icon_takes_a_colour_of_the_palette_for_paper():
    assert palette.LIGHT["grave"] in house.icon_svg("due-late", colour="grave")
    assert palette.LIGHT["ink"] not in house.icon_svg("due-late", colour="grave")


@pytest.mark.parametrize("name", ["no-such-icon", "../../company/settings", "", "a/b"])
def test_a_name_without_a_file_gives_the_unknown_icon(name):
    assert house.icon_svg(name) == house.icon_svg("unknown")


@pytest.mark.parametrize(
    ("months", "lit", "words"),
    [
        (0.4, 0, "less than a month left"),
        (-3, 0, "less than a month left"),
        (1.9, 1, "about 1 month left"),
        (5, 5, "about 5 months left"),
        (40, 12, "about a year or more left"),
        (None, 0, "no estimate"),
    ],
)
def test_ticks_show_at_most_a_year(months, lit, words):
    svg = ElementTree.fromstring(house.ticks(months))
    kinds = [path.get("class") for path in svg.findall("path")]
    assert len(kinds) == 12
    assert kinds.count("tick tick--on") == lit
    assert words in (svg.findtext("title") or "")


def test_a_qr_code_is_inline_svg_with_literal_colours_and_a_name():
    svg = house.qr("https://ledger.example.org/r/ABCDEFGHJK", "QR code of a receiver")
    assert "style=" not in svg
    assert "#fff" in svg
    assert ElementTree.fromstring(svg).get("role") == "img"
    assert "QR code of a receiver" in svg


def render(text: str, path: str, **context: object) -> str:
    request = RequestFactory().get(path)
    return Template("{% load house %}" + text).render(Context({"request": request} | context))


def test_a_column_head_sorts_and_on_the_second_click_backwards():
    first = render('{% sort_head "name" "Site" %}', "/sites/?q=quay&page=3")
    assert 'href="?q=quay&amp;sort=name"' in first
    assert "aria-sort" not in first
    second = render('{% sort_head "name" "Site" %}', "/sites/?sort=name")
    assert 'aria-sort="ascending"' in second
    assert 'href="?sort=-name"' in second
    assert 'aria-sort="descending"' in render('{% sort_head "name" "Site" %}', "/sites/", sort="-name")


def test_another_page_of_a_list_keeps_the_filter():
    assert render("{% page_url 4 %}", "/sites/?q=quay&page=3") in ("?q=quay&amp;page=4", "?q=quay&page=4")


@pytest.mark.parametrize(
    ("path", "section", "label"),
    [
        ("/portal/reports/", None, "Reports"),
        ("/portal/", None, "My sites"),
        ("/portal/reports/", "sites", "My sites"),
    ],
)
def test_the_menu_marks_the_nearest_section_and_only_one(path, section, label):
    request = RequestFactory().get(path)
    request.user = type("Person", (), {"audience": "portal"})()
    context = {"request": request} | ({"section": section} if section else {})
    html = Template("{% load house %}{% main_nav %}").render(Context(context))
    assert html.count("aria-current") == 1
    assert f'aria-current="page">{label}<' in html


@pytest.mark.parametrize(
    ("path", "section", "label"),
    [
        ("/due/", None, "What is due"),
        ("/requests/7/", None, "Requests"),
        ("/rounds/7/", "due", "Rounds"),
        ("/customers/3/", None, "Customers"),
        ("/people/", "firm", "People"),
    ],
)
def test_the_second_row_marks_the_page_of_the_section(path, section, label):
    request = RequestFactory().get(path)
    request.user = type("Person", (), {"audience": "office"})()
    context = {"request": request} | ({"section": section} if section else {})
    html = Template("{% load house %}{% sub_nav %}").render(Context(context))
    assert html.count("aria-current") == 1
    assert f'aria-current="page">{label}<' in html


@pytest.mark.parametrize("audience", ["technician", "portal", ""])
def test_only_the_office_has_a_second_row(audience):
    request = RequestFactory().get("/due/")
    request.user = type("Person", (), {"audience": audience})()
    assert Template("{% load house %}{% sub_nav %}").render(Context({"request": request})).strip() == ""
