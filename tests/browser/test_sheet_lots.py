"""The sheet on a phone in a basement: a bad lot is told while its code is typed, without any signal, and can be recorded."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from company.actions import ensure_policies
from maintenance.models import Entry, LotFit
from tests import factories
from tests.maintenance.fits_made import make_fit, make_kind

WARNED = "suspect: cells of it ended sooner than others"


def _visit_under_way() -> tuple[Any, Any]:
    """A visit of a technician, one slot with cells, one suspect lot of the same cells and one of others."""
    ensure_policies()
    tech = factories.make_user("technician", email="tech@example.org")
    row = factories.make_registration()
    factories.make_fitting(row.transmitter)
    factories.battery_type("other-cell", iec_code="XR99", label="XR99")
    kind = make_kind(make_fit())
    other = make_kind(kind.fit, 1, battery_type=factories.battery_type("other-cell"))
    for stratum, code in ((kind, "23-47K"), (other, "OTHER-1")):
        LotFit.objects.create(fit=kind.fit, stratum=stratum, code=code, observed=9, expected=1.0, is_suspect=True)
    today = timezone.localdate()
    round = factories.make_round(tech, day=today)
    visit = factories.make_visit(row.site, round, state="open", arrived_at=timezone.now(), planned_on=today)
    return visit, row


@pytest.mark.django_db(transaction=True)
def test_a_bad_lot_is_told_without_signal_and_recorded_with_a_reason(visitor: Any) -> None:
    visit, row = _visit_under_way()
    tech = visitor("tech@example.org", phone=True)
    page = tech.go(f"/tech/visits/{visit.pk}/?r={row.receiver_id}&show=all&slot={row.slot}")
    form = page.locator("form:has([data-lots])")
    listed = form.locator("[data-lots]")
    expect(listed).to_contain_text("Lot 23-47K")
    expect(listed).to_contain_text("tell the office")
    expect(listed.get_by_text("OTHER-1")).to_be_hidden()

    tech.context.set_offline(True)
    form.get_by_text("Other cells, lot, why, volts").click()
    lot, why = form.get_by_label("Lot or date code"), form.get_by_label(re.compile("^Why cells of a lot"))
    told = form.get_by_role("alert")
    expect(why).to_be_hidden()
    lot.fill("24-01A")
    expect(told).to_be_hidden()
    lot.fill("24-01a + 23-47k")
    expect(told).to_contain_text(WARNED)
    expect(told).to_contain_text("put them aside and tell the office")
    expect(why).to_be_visible()
    # Other cells cannot be of this lot, but of another one that the page has brought along too.
    form.get_by_label("Cells fitted").select_option("other-cell")
    expect(told).to_be_hidden()
    expect(listed.get_by_text("OTHER-1")).to_be_visible()
    lot.fill("other-1")
    expect(told).to_contain_text("OTHER-1")
    form.get_by_label("Cells fitted").select_option("cr2450")
    lot.fill("23-47K")
    expect(told).to_contain_text("23-47K")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing to be moved sideways"

    tech.context.set_offline(False)
    press = form.get_by_role("button", name=re.compile("Battery changed"))
    form.get_by_text("Other cells, lot, why, volts").click()
    expect(why).to_be_hidden()
    press.click()
    expect(why).to_be_visible()
    assert why.evaluate("field => field.validity.valueMissing"), "the phone itself asks for the reason"
    assert not Entry.objects.exists()
    why.fill("No others in the van")
    press.click()
    expect(page.get_by_text("We warn of this lot.")).to_be_visible()
    assert Entry.objects.get().facts["lot_why"] == "No others in the van"


@pytest.mark.django_db(transaction=True)
def test_without_scripts_the_list_and_the_answer_warn(visitor: Any) -> None:
    visit, row = _visit_under_way()
    tech = visitor("tech@example.org", phone=True, java_script_enabled=False)
    page = tech.go(f"/tech/visits/{visit.pk}/?r={row.receiver_id}&show=all&slot={row.slot}")
    form = page.locator("form:has([data-lots])")
    expect(form.locator("[data-lots]")).to_contain_text("Lot 23-47K")
    form.get_by_text("Other cells, lot, why, volts").click()
    form.get_by_label("Lot or date code").fill("23-47K")
    form.get_by_role("button", name=re.compile("Battery changed")).click()
    expect(page.get_by_text("Fit other cells, put these aside and tell the office.").first).to_be_visible()
    assert not Entry.objects.exists()
    form = page.locator("form:has([data-lots])")
    form.get_by_label(re.compile("^Why cells of a lot")).fill("No others in the van")
    form.get_by_role("button", name=re.compile("Battery changed")).click()
    expect(page.get_by_text("We warn of this lot.")).to_be_visible()
    assert Entry.objects.get().facts["lot"] == "23-47K"
