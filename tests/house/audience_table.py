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

TABLE: dict[str, Answers] = {}
