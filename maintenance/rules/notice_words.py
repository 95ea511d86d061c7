"""A rule for mails about faults as one sentence, and the rules we offer to begin with. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

from maintenance.rules.notice_hours import EVERY_DAY, Hours

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
OFFICE_DAYS = "01234"
OFFICE_HOURS = (time(8), time(17))


@dataclass(frozen=True, slots=True)
class Offer:
    """A rule offered to a firm that has none; own suggestion. Times in seconds, `again_s` None = no reminder."""

    duty: str
    hours: Hours
    group_s: int
    again_s: int | None


OFFERS = (
    Offer("life_safety", Hours(), 60, 1800),
    Offer("receiver", Hours(), 60, 3600),
    Offer("security", Hours(OFFICE_DAYS, *OFFICE_HOURS), 300, 14400),
    Offer("convenience", Hours(OFFICE_DAYS, *OFFICE_HOURS), 900, None),
)
"""Own suggestion: what may cost a life at any hour, the rest when somebody is in the office."""


def rule_words(hours: Hours, *, duty: str, customer: str, n_recipients: int, group_s: int, again_s: int | None) -> str:
    """Say a rule: "Life safety, at any hour, to 2 addresses, gathered for 1 minute, reminded after 30 minutes".

    Parameters
    ----------
    duty, customer : str
        Label of the duty; name of the customer, empty for every one.
    group_s, again_s : int
        Length of gathering and of the first pause before a reminder [s]; None for none.
    """
    of = f"{duty} of {customer}" if customer else duty
    to = "nobody yet" if not n_recipients else "1 address" if n_recipients == 1 else f"{n_recipients} addresses"
    gathered = f"gathered for {length_words(group_s)}" if group_s else "each at once"
    reminded = f"reminded after {length_words(again_s)}, then ever less often" if again_s else "never reminded"
    return ", ".join([of, hours_words(hours), f"to {to}", gathered, reminded])


def hours_words(hours: Hours) -> str:
    """Say the hours: "at any hour", "Monday to Friday from 08:00 to 17:00", "Friday from 22:00 to 06:00 the next day"."""
    if hours.is_always:
        return "at any hour"
    days = days_words(hours.weekdays)
    if hours.begins is None or hours.ends is None or hours.begins == hours.ends:
        return f"{days} all day"
    over = " the next day" if hours.ends < hours.begins else ""
    return f"{days} from {hours.begins:%H:%M} to {hours.ends:%H:%M}{over}"


def days_words(weekdays: str) -> str:
    """Say weekdays, runs of three and more shortened: "Monday to Friday", "Saturday and Sunday", "every day"."""
    days = sorted({int(digit) for digit in weekdays if digit in EVERY_DAY})
    if len(days) == 7:
        return "every day"
    if not days:
        return "on no day"
    if len(days) > 2 and days == list(range(days[0], days[-1] + 1)):
        return f"{DAYS[days[0]]} to {DAYS[days[-1]]}"
    names = [DAYS[day] for day in days]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def length_words(seconds: int) -> str:
    """30 seconds, 1 minute, 90 minutes, 4 hours, 2 days."""
    for unit, name in ((86_400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= unit and seconds % unit == 0:
            n = seconds // unit
            return f"{n} {name}" if n == 1 else f"{n} {name}s"
    return f"{seconds} second{'' if seconds == 1 else 's'}"
