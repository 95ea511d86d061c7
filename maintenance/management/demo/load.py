"""Load the demo firm into an empty database, all or nothing; a second time changes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from random import Random

from django.db import transaction

from company.errors import Refused
from company.models import Customer, User
from maintenance.actions.due_items import policy_limits
from maintenance.management.demo import current
from maintenance.management.demo.build import build_firm, size_of
from maintenance.management.demo.clock import morning_before
from maintenance.management.demo.load_access import load_access
from maintenance.management.demo.load_devices import DeviceLoader
from maintenance.management.demo.load_findings import load_findings
from maintenance.management.demo.load_floor_plans import load_floor_plans, load_term_dates
from maintenance.management.demo.load_history import load_history
from maintenance.management.demo.load_intake import load_event_log, load_intake
from maintenance.management.demo.load_notices import load_notices
from maintenance.management.demo.load_panels import load_panels
from maintenance.management.demo.load_places import load_customers, load_people, load_sites
from maintenance.management.demo.load_plans import load_plans
from maintenance.management.demo.load_work import OFFICE, WorkLoader
from maintenance.management.demo.people import ACCOUNTS, TECHNICIANS
from maintenance.management.demo.world import DemoFirm

MANAGER = ACCOUNTS[0].email
REPORTS_UP_TO = 6000
"""Transmitters up to which a few service reports are printed; larger firms are for benchmarks."""


class NotOurs(Refused):
    """The database holds somebody's real records."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for: the same wish gives the same records."""

    seed: int
    today: date
    n_transmitters: int
    n_reports: int = 3
    now: datetime | None = None
    """The clock, if nothing of today may lie ahead of it."""

    @classmethod
    def of(cls, *, seed: int, today: date, scale: float, now: datetime | None = None) -> Wish:
        """Make a wish from the command's options.

        Raises
        ------
        ValueError
            If the scale is out of range.
        """
        n = size_of(scale)
        return cls(seed, today, n, 3 if n <= REPORTS_UP_TO else 0, now)


def is_loaded() -> bool:
    """Whether the demo firm is there.

    Raises
    ------
    NotOurs
        If there are people or customers, but not the demo firm's.
    """
    if User.objects.filter(email=ACCOUNTS[0].email).exists() and Customer.objects.filter(code="FVC").exists():
        return True
    if Customer.objects.exists() or User.objects.exists():
        raise NotOurs(
            "This database holds records of another firm, so the demo firm is not loaded into it. "
            "Set DATA_DIR (or DATABASE_URL) to a place of its own for the demo."
        )
    return False


def build(wish: Wish) -> DemoFirm:
    """Build the firm for a wish, with the limits that the policies on record ask for."""
    limits, policies = policy_limits()
    return build_firm(
        seed=wish.seed, today=wish.today, n_transmitters=wish.n_transmitters,
        limits={duty: limit.u for duty, limit in limits.items()},
        risks={duty: (rule.p_dead, max(rule.p_call, rule.p_dead)) for duty, rule in policies.items()},
    )  # fmt: skip


def load_firm(wish: Wish) -> DemoFirm | None:
    """Load the firm; None if it is there already.

    Raises
    ------
    NotOurs
        If the database holds other records. Nothing is written.
    """
    if is_loaded():
        return None
    with morning_before(wish.now, wish.today):
        return _load(wish)


def _load(wish: Wish) -> DemoFirm:
    rng = Random(wish.seed + 1)
    with transaction.atomic():
        users = load_people(wish.today)
        firm = build(wish)
        customers = load_customers(rng, wish.today, users)
        sites = load_sites(rng, firm, customers, users)
        devices = DeviceLoader(rng, firm, customers, sites)
        devices.load()
        WorkLoader(rng, firm, sites, users, devices).load()
        load_intake(rng, firm, users[MANAGER], users[OFFICE])
        load_panels(wish.today, users[OFFICE])
        load_access(wish.today, sites, users)
        load_floor_plans(sites, users[OFFICE], wish.today)
        load_term_dates(users[OFFICE], wish.today)
        current.refresh_due(wish.today)
        hands = current.Hands(users[OFFICE], [users[facts.email] for facts in TECHNICIANS])
        current.explain_left(rng, wish.today)
        current.prepare_recall(firm, hands)
        rounds = current.plan_rounds(firm, sites, hands)
        load_plans(rounds, users[OFFICE], hands.technicians, wish.today)
        current.begin_round(rng, rounds[0], wish.today)
        load_history(users[OFFICE], hands.technicians, wish.today)
        load_notices(users[MANAGER], users[OFFICE], wish.today)
    load_event_log(users[OFFICE], wish.today)
    current.issue_reports(hands, wish.today, wish.n_reports)
    load_findings(firm, users[OFFICE])
    current.close_night(wish.today)
    return firm
