"""Findings that need facts of the work: what is late and in nobody's round, what was left on test; pure Python."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from devices.rules.findings import CALL_LOST, KINDS, Finding, harm_of
from devices.rules.words import day_words, moment_words

LATE_UNPLACED, LEFT_ON_TEST = "life_late_unplaced", "left_on_test"

WORK_KINDS: dict[str, tuple[int, str]] = {
    LEFT_ON_TEST: (CALL_LOST, "Left on test"),
    LATE_UNPLACED: (CALL_LOST, "Life safety late and in nobody's round"),
}
ALL_KINDS: dict[str, tuple[int, str]] = WORK_KINDS | KINDS
"""Every kind of finding: how bad it is, and its name in lists; the order is that of equal harm."""
KIND_ORDER = {code: place for place, code in enumerate(ALL_KINDS)}

TEST_HOURS = 12
"""A visit that has begun less than so long ago may still be testing. Decided for this product."""

SNOOZE_DAYS, SNOOZE_DAYS_GRAVE = 90, 14
"""Longest rest of a finding [d], and of one that concerns life safety. Decided for this product."""


@dataclass(frozen=True, slots=True)
class LateItem:
    """Something on a life-safety duty that is past its date while no published round goes there.

    `what` names it ("the cells"); `where` is the slot or receiver in words; `only_draft` says that a draft names the site.
    """

    pk: int
    where: str
    what: str
    due_on: date
    slot: int | None = None
    only_draft: bool = False


@dataclass(frozen=True, slots=True)
class OnTest:
    """A visit that put a site on test and did not take it off; `on_test_at` is local, `is_over` says that it has ended."""

    visit: int
    where: str
    on_test_at: datetime
    is_over: bool


@dataclass(frozen=True, slots=True)
class Hung:
    """A receiver and from when to when it hung at its site; None: not known since when, or it hangs there still."""

    pk: int
    begun_on: date | None
    ended_at: datetime | None


def stood_at(visit_at: datetime, there: Iterable[Hung]) -> int | None:
    """At which receiver somebody stood on a visit that recorded nothing at any: at the only one that hung there.

    Where several hang the visit may have been to another one, so nobody can tell and none is named. A visit that recorded
    something at a receiver was to that one; one that was shut out has said so at a receiver too. `visit_at` is when it ended,
    by the clock of the site.
    """
    hung = [
        one.pk for one in there
        if (one.begun_on is None or one.begun_on <= visit_at.date()) and (one.ended_at is None or one.ended_at > visit_at)
    ]  # fmt: skip
    return hung[0] if len(hung) == 1 else None


def life_late_unplaced(items: Iterable[LateItem]) -> Iterator[Finding]:
    """Life safety late and in nobody's round; a draft is nobody's round yet."""
    for item in items:
        yield Finding(
            LATE_UNPLACED,
            f"{item.what.capitalize()} {'were' if item.what == 'the cells' else 'was'} due by {day_words(item.due_on)}, and "
            f"{'only a draft of a round names the site' if item.only_draft else 'no round goes there'}",
            item.where,
            "Somebody relies on it, it may fail at any time, and nobody has been told to go there.",
            "Publish the round that names the site." if item.only_draft else "Put the site in a round.",
            item.due_on + timedelta(days=1),
            slot=item.slot,
            duty="life_safety",
            mark=f"due{item.pk}",
        )


def left_on_test(visits: Iterable[OnTest], now: datetime) -> Iterator[Finding]:
    """The monitoring centre was told to expect tests, and was not told that they are over.

    Parameters
    ----------
    visits : iterable of OnTest
        Visits of one site whose test nobody has ended, not even on a later visit.
    now : datetime
        Local moment of the judgement.
    """
    for visit in visits:
        if not visit.is_over and now - visit.on_test_at < timedelta(hours=TEST_HOURS):
            continue
        yield Finding(
            LEFT_ON_TEST,
            f"On test since {moment_words(visit.on_test_at, today=now.date())}, and never taken off",
            visit.where,
            "The monitoring centre may take a real alarm for a test.",
            "Call the monitoring centre, take the site off test, and record who was told.",
            visit.on_test_at.date(),
            duty="life_safety",
            mark=f"visit{visit.visit}",
        )


def harm_of_finding(finding: Finding) -> int:
    """Harm of any kind of finding: 0 is worst."""
    return harm_of(ALL_KINDS[finding.code][0], finding.duty)


def longest_snooze_days(duties: Iterable[str]) -> int:
    """How long findings of these duty classes may rest together [d]."""
    return SNOOZE_DAYS_GRAVE if "life_safety" in set(duties) else SNOOZE_DAYS
