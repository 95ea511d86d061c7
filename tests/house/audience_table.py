"""What each address answers to each kind of person (GET, with records of the own customer in the address).

Add one line per new address. LOGIN is the way to the sign-in page. "other" is another customer's portal user, "own" the
customer's whose records stand in the address.
"""

from __future__ import annotations

LOGIN = "login"
PEOPLE = ("anonymous", "other", "own", "technician", "office", "manager")

Answers = tuple[int | str, int | str, int | str, int | str, int | str, int | str]

# The usual rows by name.
PUBLIC: Answers = (200, 200, 200, 200, 200, 200)
OFFICE: Answers = (LOGIN, 404, 404, 404, 200, 200)
MANAGER: Answers = (LOGIN, 404, 404, 404, 404, 200)
STAFF: Answers = (LOGIN, 404, 404, 200, 200, 200)
TECHNICIAN: Answers = (LOGIN, 404, 404, 200, 404, 404)
PORTAL: Answers = (LOGIN, 404, 200, 404, 404, 404)
EVERY_PORTAL: Answers = (LOGIN, 200, 200, 404, 404, 404)
# Addresses that take POST only.
OFFICE_POST: Answers = (LOGIN, 404, 404, 404, 405, 405)
MANAGER_POST: Answers = (LOGIN, 404, 404, 404, 404, 405)
STAFF_POST: Answers = (LOGIN, 404, 404, 405, 405, 405)
TECHNICIAN_POST: Answers = (LOGIN, 404, 404, 405, 404, 404)
PORTAL_POST: Answers = (LOGIN, 405, 405, 404, 404, 404)
# Addresses that lead elsewhere.
ALL_ON: Answers = (LOGIN, 302, 302, 302, 302, 302)

NAMES = {name: row for name, row in globals().items() if name.isupper() and isinstance(row, tuple) and name != "PEOPLE"}

TABLE: dict[str, Answers] = {
    "company:home": ALL_ON,
    "company:health": PUBLIC,
    "company:settings_home": OFFICE,
    "company:firm_edit": MANAGER,
    "company:policy_edit": MANAGER,
    "company:person_list": OFFICE,
    "company:person_new": MANAGER,
    "company:person_edit": MANAGER,
    "company:person_invite": MANAGER_POST,
    "company:technician_edit": (
        LOGIN,
        404,
        404,
        404,
        404,
        404,
    ),  # the planted person is a customer's, who has no working day
    "company:customer_list": OFFICE,
    "company:customer_new": OFFICE,
    "company:customer_detail": OFFICE,
    "company:customer_edit": OFFICE,
    "company:customer_close": MANAGER_POST,
    "company:contact_new": OFFICE,
    "company:access_give": OFFICE_POST,
    "company:contact_edit": OFFICE,
    "company:contact_remove": OFFICE_POST,
    "company:access_end": OFFICE_POST,
    "company:job_list": OFFICE,
    "company:job_detail": OFFICE,
    "company:job_retry": OFFICE_POST,
    "sites:site_list": OFFICE,
    "sites:site_new": OFFICE,
    "sites:site_detail": OFFICE,
    "sites:site_edit": OFFICE,
    "sites:site_close": OFFICE_POST,
    "sites:hours_edit": OFFICE,
    "sites:closure_new": OFFICE,
    "sites:closure_edit": OFFICE,
    "sites:closure_remove": OFFICE_POST,
    "sites:hazard_new": OFFICE,
    "sites:hazard_edit": OFFICE,
    "sites:hazard_clear": OFFICE,
    "sites:area_new": OFFICE,
    "sites:area_edit": OFFICE,
    "sites:area_remove": OFFICE_POST,
    "sites:centre_new": OFFICE,
    "sites:centre_edit": OFFICE,
    "sites:centre_remove": OFFICE_POST,
    "sites:plan_new": OFFICE,
    "sites:plan_picture": STAFF,
    "sites:plan_remove": OFFICE_POST,
    "sites:access_note_new": OFFICE,
    "sites:access_note_edit": OFFICE,
    "sites:access_note_show": OFFICE_POST,
    "sites:access_note_remove": OFFICE_POST,
    "sites:portal_sites": (
        LOGIN,
        404,
        404,
        404,
        404,
        404,
    ),  # the planted access is to the whole customer: nothing to choose
    "devices:slot_map": STAFF,
    "devices:slot_heard": STAFF,
    "devices:slot_map_csv": STAFF,
    "devices:output_edit": STAFF,
    "devices:slot_detail": STAFF,
    "devices:slot_register": (LOGIN, 404, 404, 302, 302, 302),  # the slot is taken: back to it
    "devices:slot_change": STAFF,
    "devices:slot_move": STAFF,
    "devices:slot_remove": STAFF,
    "devices:slot_put_back": (LOGIN, 404, 404, 404, 404, 404),  # the registration has not ended
    "devices:slot_registered": STAFF_POST,
    "devices:slot_again": STAFF,
    "devices:slot_away": STAFF,
    "devices:slot_back": STAFF,
    "devices:transmitter_detail": STAFF,
    "devices:battery_fit": STAFF,
    "devices:battery_remove": STAFF,
    "devices:battery_end": (LOGIN, 404, 404, 404, 404, 404),  # the planted cells are in service
    "devices:catalogue": STAFF,
    "devices:battery_type": STAFF,
    "devices:transmitter_type": STAFF,
    "devices:receiver_type": STAFF,
    "devices:tech_slot_map": STAFF,
    "devices:tech_slot_heard": STAFF,
    "devices:tech_slot_map_csv": STAFF,
    "devices:tech_output_edit": STAFF,
    "devices:tech_slot_detail": STAFF,
    "devices:tech_slot_register": (LOGIN, 404, 404, 302, 302, 302),  # the slot is taken: back to it
    "devices:tech_slot_change": STAFF,
    "devices:tech_slot_move": STAFF,
    "devices:tech_slot_remove": STAFF,
    "devices:tech_slot_put_back": (LOGIN, 404, 404, 404, 404, 404),  # the registration has not ended
    "devices:tech_slot_registered": STAFF_POST,
    "devices:tech_slot_again": STAFF,
    "devices:tech_slot_away": STAFF,
    "devices:tech_slot_back": STAFF,
    "devices:tech_transmitter_detail": STAFF,
    "devices:tech_battery_fit": STAFF,
    "devices:tech_battery_remove": STAFF,
    "devices:tech_catalogue": STAFF,
    "devices:tech_battery_type": STAFF,
    "devices:tech_transmitter_type": STAFF,
    "devices:tech_receiver_type": STAFF,
    "devices:receiver_list": OFFICE,
    "devices:site_receivers": STAFF,
    "devices:receiver_new": OFFICE,
    "devices:receiver_edit": OFFICE,
    "devices:receiver_remove": OFFICE,
    "devices:receiver_log": OFFICE,
    "devices:output_new": OFFICE,
    "devices:slot_map_json": OFFICE,
    "devices:import_list": OFFICE,
    "devices:import_new": OFFICE,
    "devices:import_template": OFFICE,
    "devices:import_detail": OFFICE,
    "devices:import_apply": OFFICE_POST,
    "devices:import_problems": (LOGIN, 404, 404, 404, 404, 404),  # the planted file was not read yet
    "maintenance:search": OFFICE,
    "maintenance:qr": (
        LOGIN,
        404,
        302,
        302,
        302,
        302,
    ),  # a printed code leads each person to their own page of the receiver
    "maintenance:qr_capital": (LOGIN, 404, 302, 302, 302, 302),  # as the small letter: codes are printed in capitals
    "maintenance:due_list": OFFICE,
    "maintenance:due_why": STAFF,
    "maintenance:lots": OFFICE,
    "maintenance:lot_detail": OFFICE,
    "maintenance:lot_rounds": OFFICE,
    "maintenance:policy": OFFICE,
    "maintenance:policy_choose": MANAGER_POST,
    "maintenance:policy_curve": OFFICE,
    "maintenance:recall_list": OFFICE,
    "maintenance:recall_new": OFFICE,
    "maintenance:recall_detail": OFFICE,
    "maintenance:recall_csv": OFFICE,
    "maintenance:recall_print": OFFICE,
    "maintenance:recall_add": OFFICE,
    "maintenance:recall_close": (
        LOGIN,
        404,
        404,
        404,
        302,
        200,
    ),  # only a manager closes: back to the recall, with the reason
    "maintenance:recall_rounds": OFFICE,
    "maintenance:recall_item": OFFICE,
    "maintenance:honesty": STAFF,
    "maintenance:honesty_csv": STAFF,
    "maintenance:honesty_again": OFFICE_POST,
    "maintenance:kinds": STAFF,
    "maintenance:kind_detail": STAFF,
    "maintenance:due_panel": STAFF,
    "maintenance:check_in_strip": STAFF,
    "maintenance:round_list": OFFICE,
    "maintenance:round_new": OFFICE,
    "maintenance:round_detail": OFFICE,
    "maintenance:round_edit": OFFICE,
    "maintenance:round_publish": OFFICE_POST,
    "maintenance:round_cancel": OFFICE_POST,
    "maintenance:round_order": OFFICE_POST,
    "maintenance:stop_add": OFFICE_POST,
    "maintenance:round_packing": STAFF,
    "maintenance:stop_shift": OFFICE_POST,
    "maintenance:stop_minutes": OFFICE_POST,
    "maintenance:stop_move": OFFICE_POST,
    "maintenance:stop_remove": OFFICE_POST,
    "maintenance:tech_packing": STAFF,
    "maintenance:visit_list": OFFICE,
    "maintenance:visit_detail": OFFICE,
    "maintenance:visit_remark": OFFICE_POST,
    "maintenance:visit_crew": OFFICE_POST,
    "maintenance:visit_entry": STAFF,
    "maintenance:visit_entry_withdraw": STAFF_POST,
    "maintenance:tech_today": TECHNICIAN,
    "maintenance:tech_sites": TECHNICIAN,
    "maintenance:tech_site": TECHNICIAN,
    "maintenance:tech_call_out": TECHNICIAN_POST,
    "maintenance:tech_visit": TECHNICIAN,
    "maintenance:tech_start": TECHNICIAN_POST,
    "maintenance:tech_record": TECHNICIAN_POST,
    "maintenance:tech_finish": (LOGIN, 404, 404, 302, 404, 404),  # the visit has not begun: back to it
    "maintenance:tech_access_note": TECHNICIAN_POST,
    "maintenance:tech_entry": STAFF,
    "maintenance:tech_entry_withdraw": STAFF_POST,
    "maintenance:report_list": OFFICE,
    "maintenance:report_detail": OFFICE,
    "maintenance:report_file": OFFICE,
    "maintenance:report_portal": OFFICE_POST,
    "maintenance:report_issue": OFFICE,
    "maintenance:slot_map_pdf": OFFICE,
    "maintenance:lid_label_pdf": OFFICE,
    "maintenance:portal_home": EVERY_PORTAL,
    "maintenance:portal_site": PORTAL,
    "maintenance:portal_slot_map": PORTAL,
    "maintenance:portal_slot_map_pdf": PORTAL,
    "maintenance:portal_reports": EVERY_PORTAL,
    "maintenance:portal_report": PORTAL,
    "maintenance:portal_report_file": PORTAL,
    "maintenance:portal_job": PORTAL,
    "maintenance:portal_request_list": EVERY_PORTAL,
    "maintenance:portal_request_new": PORTAL,
    "maintenance:portal_request": PORTAL,
    "maintenance:request_list": OFFICE,
    "maintenance:request_detail": OFFICE,
}
