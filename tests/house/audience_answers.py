"""What an address can answer each kind of person, by name: the words of the audience tables.

LOGIN is the way to the sign-in page. "other" is another customer's portal user, "own" the customer's whose records stand in
the address.
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
EVERYBODY: Answers = (LOGIN, 200, 200, 200, 200, 200)
# Nobody, with the planted records.
NOBODY: Answers = (LOGIN, 404, 404, 404, 404, 404)
# Addresses that take POST only.
EVERYBODY_POST: Answers = (LOGIN, 405, 405, 405, 405, 405)
OFFICE_POST: Answers = (LOGIN, 404, 404, 404, 405, 405)
MANAGER_POST: Answers = (LOGIN, 404, 404, 404, 404, 405)
STAFF_POST: Answers = (LOGIN, 404, 404, 405, 405, 405)
TECHNICIAN_POST: Answers = (LOGIN, 404, 404, 405, 404, 404)
PORTAL_POST: Answers = (LOGIN, 405, 405, 404, 404, 404)
# Addresses of programs: a person has no token.
INTAKE: Answers = (401, 401, 401, 401, 401, 401)
INTAKE_POST: Answers = (405, 405, 405, 405, 405, 405)
# Addresses that lead elsewhere.
ALL_ON: Answers = (LOGIN, 302, 302, 302, 302, 302)

NAMES = {name: row for name, row in globals().items() if name.isupper() and isinstance(row, tuple) and name != "PEOPLE"}
