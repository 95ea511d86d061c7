"""Nobody sees anything of anybody else: see leaks.py for how it is looked for."""

from __future__ import annotations

from typing import Any

import pytest
import time_machine
from django.db import models

from tests.house import leaks, planting, reading, technician_leaks
from tests.house.routes import Route, routes


@pytest.fixture
def garden(db: Any) -> Any:
    with time_machine.travel(planting.NOW, tick=False):
        yield planting.plant()


def told(findings: list[leaks.Finding]) -> str:
    return "\n".join(map(str, findings[:40]))


# Two at a time, alike in length, so that two processes share the work.
PAIRS = (("own", "anonymous"), ("limited", "revoked"))


@pytest.mark.parametrize("who", PAIRS, ids=" and ".join)
def test_no_outsider_sees_touches_or_notices_anything(garden: planting.Garden, who: tuple[str, str]) -> None:
    findings = leaks.find_leaks(garden, who=who)
    assert not findings, told(findings)


def test_no_outsider_is_left_out(garden: planting.Garden) -> None:
    assert sorted(name for pair in PAIRS for name in pair) == sorted(leaks.OUTSIDERS)
    assert [viewer.key for viewer in leaks.viewers(garden)] == list(leaks.OUTSIDERS)


def test_a_technician_sees_no_round_or_visit_of_others_and_no_note_unasked(garden: planting.Garden) -> None:
    findings = technician_leaks.find_technician_leaks(garden)
    assert not findings, told(findings)


def test_every_model_is_declared_with_its_path_to_the_customer() -> None:
    undeclared = {model._meta.label for model in planting.own_models()} - set(planting.DECLARED)
    assert not undeclared, "Say in declared.py whose rows these are"
    assert set(planting.DECLARED) <= {model._meta.label for model in planting.own_models()}
    assert all(declared.path or declared.why for declared in planting.DECLARED.values())


def test_a_model_that_nobody_declared_is_an_error() -> None:
    class Stray(models.Model):  # noqa: DJ008
        class Meta:
            app_label = "sites"
            managed = False

    try:
        with pytest.raises(KeyError):
            planting.declared(Stray)
    finally:
        del planting.apps.all_models["sites"]["stray"]
        planting.apps.clear_cache()


def test_every_declared_path_leads_to_the_right_customer(garden: planting.Garden) -> None:
    for model in planting.own_models():
        path = planting.declared(model).path
        for house in garden.houses if path else ():
            row = house.rows[model._meta.label]
            found = model._base_manager.filter(**{path: house.customer_pk, "pk": row.pk})
            assert found.exists(), f"{model._meta.label} of {house.key}"


def test_every_text_of_a_customer_holds_a_canary_or_a_reason_why_not(garden: planting.Garden) -> None:
    planted = set(garden.foreign.canaries.values())
    for model in planting.own_models():
        if not planting.declared(model).path:
            continue
        for column in model._meta.concrete_fields:
            name = f"{model._meta.label}.{column.name}"
            texts = (models.CharField, models.TextField, models.JSONField)
            if isinstance(column, texts) and not column.choices and (column.max_length or 99) >= 8:
                assert name in planted or name in planting.NO_CANARY, name
    assert set(planting.NO_CANARY) <= {
        f"{model._meta.label}.{column.name}"
        for model in planting.own_models()
        for column in model._meta.concrete_fields
    }


def test_every_url_parameter_has_a_test_value() -> None:
    for route in routes():
        if not route.is_library:
            leaks.identities(route)
    with pytest.raises(KeyError):
        leaks.identities(Route("new", "new/<int:thing>/", ("thing",), None, False))


def test_the_owner_does_see_the_words_so_the_walk_meets_living_pages(garden: planting.Garden) -> None:
    owner = leaks._viewer(garden, "foreign", dict(garden.foreign.canaries), {"foreign"})
    office = leaks._viewer(garden, "office", dict(garden.foreign.canaries), set())
    seen: dict[str, set[str]] = {"foreign": set(), "office": set()}
    for route in routes():
        if route.is_library:
            continue
        for values, _ in leaks.fillings(route, [garden.foreign]):
            for viewer in (owner, office):
                with leaks.undone():
                    response = viewer.client.get(route.url(values))
                if response.status_code == 200 and viewer.sees(reading.text_of(response)):
                    seen[viewer.key].add(route.name)
    assert {"sites:site_list", "maintenance:due_list", "devices:slot_map"} <= seen["office"], seen["office"]
    assert {"maintenance:portal_home", "maintenance:portal_reports"} <= seen["foreign"], seen["foreign"]


@pytest.mark.parametrize(
    "body",
    [
        b"<p>Zebibo</p>",
        b"<title>zebibo</title>",
        b"<p>Zeb&#105;bo</p>",
        b"<p>Ze<mark>bi</mark>bo</p>",
        b'<a href="/?q=Zebi%62o">x</a>',
        b'{"name": "\\u005aebibo"}',
        b"a;b\r\n1;Zebibo\r\n",
        planting.tiny_pdf("about Zebibo"),
        planting.PNG + b"Zebibo",
    ],
)
def test_a_word_is_found_however_it_is_wrapped(body: bytes) -> None:
    assert "zebibo" in reading.text_of_bytes(body).lower()


def test_a_word_in_an_attachment_of_a_pdf_and_in_a_workbook_is_found() -> None:
    import io

    import openpyxl
    import pikepdf

    with pikepdf.open(io.BytesIO(planting.tiny_pdf("harmless"))) as pdf:
        pdf.attachments["rows.csv"] = pikepdf.AttachedFileSpec(pdf, b"1;Zebibo")
        out = io.BytesIO()
        pdf.save(out)
    assert "Zebibo" in reading.text_of_bytes(out.getvalue())
    book = openpyxl.Workbook()
    book.active["A1"] = "Zebibo"
    out = io.BytesIO()
    book.save(out)
    assert "Zebibo" in reading.text_of_bytes(out.getvalue())


def test_forms_and_query_names_are_read_from_a_page() -> None:
    page = b"""<form method="get"><input name="q"></form><a href="/x/?site=3&amp;kind=a">x</a>
    <form method="post" action="/go/"><input type="hidden" name="a" value="1"><select name="b"><option value="2">
    <option value="3" selected></select><textarea name="c"></textarea></form>"""
    assert reading.query_names(page) == {"q", "site", "kind"}
    form = reading.forms_of(page)[1]
    assert (form.action, form.fields) == ("/go/", {"a": "1", "b": "3", "c": "Something plain"})
