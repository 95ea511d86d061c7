"""A workbook beside what is on record: what it may lean on, and what it cannot turn over."""

from datetime import date

from devices.rules.import_facts import OnRecord, ReceiverOnRecord, Taken, TransmitterOnRecord
from tests.devices.rules.import_world import check, right_sheets, shipped_catalogue, spoilt
from tests.devices.rules.test_workbook_rows import only_fault


def on_record() -> OnRecord:
    return OnRecord(
        customers=frozenset({"HARB", "FERRY"}),
        sites={"HARB-1": "HARB", "FERRY-1": "FERRY"},
        receivers={
            ("HARB-1", "Main"): ReceiverOnRecord("receiver-8", 8, {8: "fault"}, {1: Taken("SK-00001"), 5: Taken("SK-00005")}),
            ("FERRY-1", "Main"): ReceiverOnRecord("receiver-8", 8, {}, {1: Taken("SK-00007")}),
        },
        transmitters={
            "SK-00001": TransmitterOnRecord("HARB", "pendant-long", ((date(2023, 5, 3), date(2024, 6, 1)), (date(2024, 6, 1), None))),
            "SK-00005": TransmitterOnRecord("HARB", "wall-button", ((date(2025, 2, 1), None),)),
            "SK-00007": TransmitterOnRecord("FERRY", "wall-button"),
            "00123": TransmitterOnRecord("HARB", "wall-button"),
        },
    )  # fmt: skip


def test_records_count_as_known_so_that_a_workbook_may_hold_slots_only():
    sheets = {"slots": right_sheets()["slots"]}
    assert check(sheets, on_record()).faults == ()
    assert {fault.column for fault in check(sheets).faults} == {"site code"}


def test_a_transmitter_that_stands_elsewhere_on_record_is_refused_until_that_slot_is_given_too():
    sheets = {"slots": right_sheets()["slots"][:1]}
    sheets["slots"][0] |= {"slot": 2, "transmitter serial": "SK-00005", "transmitter type code": None}
    fault = only_fault(check(sheets, on_record()))
    assert "also stands on record in slot 5 of Main at HARB-1" in fault.sentence
    sheets["slots"].append(
        {**sheets["slots"][0], "slot": 5, "transmitter serial": "SK-00006", "transmitter type code": "wall-button"}
    )
    assert check(sheets, on_record()).faults == ()


def test_a_transmitter_of_another_customer_is_refused():
    sheets = {"slots": right_sheets()["slots"][:1]}
    sheets["slots"][0] |= {"transmitter serial": "SK-00007", "transmitter type code": None}
    faults = check(sheets, on_record()).faults
    assert any("belongs to customer “FERRY”" in fault.sentence for fault in faults)


def test_a_site_does_not_change_hands_by_import():
    sheets = {"sites": [{**right_sheets()["sites"][0], "customer code": "FERRY"}]}
    assert "belongs to customer “HARB”" in only_fault(check(sheets, on_record())).sentence


def test_a_receiver_cannot_shrink_below_its_taken_slots():
    sheets = {"receivers": [{**right_sheets()["receivers"][0], "receiver type code": "receiver-4"}]}
    assert "slot 5 of this receiver is taken" in only_fault(check(sheets, on_record())).sentence


def test_newer_cells_end_the_cells_on_record_and_older_ones_are_refused():
    row = {"transmitter serial": "SK-00005", "battery code": "unknown", "fitted on": date(2025, 9, 1)}
    assert check({"fittings": [row]}, on_record()).faults == ()
    fault = only_fault(check({"fittings": [{**row, "fitted on": date(2024, 1, 1)}]}, on_record()))
    assert "overlaps the cells fitted on 2025-02-01 and still in, as the records say" in fault.sentence


def test_past_fittings_of_one_transmitter_may_follow_each_other_but_not_overlap():
    sheets = right_sheets()
    sheets["past fittings"].append(
        {**sheets["past fittings"][0], "fitted on": date(2022, 1, 1), "removed on": date(2023, 5, 3)}
    )
    assert check(sheets).faults == ()
    sheets["past fittings"][1]["removed on"] = date(2023, 6, 1)
    assert "overlaps the cells fitted on 2022-01-01 until 2023-06-01" in only_fault(check(sheets)).sentence


def test_a_battery_goes_by_each_of_its_names():
    catalogue = shipped_catalogue()
    for facts in catalogue.battery_types.values():
        for name in (facts.code, facts.iec_code, facts.ansi_code, *facts.aliases):
            if name:
                checked = check(spoilt("fittings", "battery code", name))
                assert checked.faults == ()
                assert checked.fittings[0].battery == facts.code


def test_cells_other_than_the_type_takes_are_remarked_not_refused():
    checked = check(spoilt("fittings", "battery code", "LR6"))
    assert checked.faults == ()
    assert [(r.column, r.sentence) for r in checked.remarks] == [
        ("battery code", "The type pendant-long takes CR2450.")
    ]
