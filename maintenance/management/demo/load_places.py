"""Write the firm, its people, customers and sites."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from random import Random
from typing import Any

from company.actions import ensure_firm, ensure_policies
from company.models import Contact, Customer, PortalAccess, Technician, TechnicianDayOff, TechnicianShift, User
from company.sealed import seal
from maintenance.management.demo import island, people
from maintenance.management.demo.clock import at
from maintenance.management.demo.world import DemoFirm, seeded_uuid
from sites.models import (
    AccessNote,
    Area,
    Hazard,
    MonitoringCentre,
    PortalSite,
    Site,
    SiteClosure,
    VisitingHours,
)

SECRET = "Key box beside the boiler house door: 0000 (demo, opens nothing)"


def load_people(today: date) -> dict[str, User]:
    """Firm, policies and accounts; people come back by e-mail."""
    firm = ensure_firm()
    for name, value in people.FIRM.items():
        setattr(firm, name, value)
    firm.save()
    ensure_policies()
    joined = at(today - timedelta(days=1095), 9)
    users = {
        account.email: User.objects.create_user(
            account.email, account.password, name=account.name, audience=account.audience, phone=account.phone,
            is_manager=account.is_manager, is_superuser=account.is_manager, joined_at=joined,
        )
        for account in people.ACCOUNTS
    }  # fmt: skip
    for facts in people.TECHNICIANS:
        technician = Technician.objects.create(
            user=users[facts.email], start_place=facts.start_place, start_latitude=facts.start[0],
            start_longitude=facts.start[1], end_place=facts.end_place, end_latitude=facts.end[0] if facts.end else None,
            end_longitude=facts.end[1] if facts.end else None, skills=facts.skills,
        )  # fmt: skip
        TechnicianShift.objects.bulk_create(
            TechnicianShift(
                technician=technician,
                weekday=day,
                begins=time.fromisoformat(facts.begins),
                ends=time.fromisoformat(facts.ends),
            )
            for day in facts.weekdays
        )
        TechnicianDayOff.objects.create(technician=technician, day=today + timedelta(days=24), reason="leave")
    return users


def load_customers(rng: Random, today: date, users: dict[str, User]) -> dict[str, Customer]:
    """Customers with their contacts; they come back by code."""
    since = at(today - timedelta(days=1095), 9)
    customers = {}
    for code, (name, inspections, hours) in island.CUSTOMERS.items():
        customers[code] = Customer.objects.create(
            uuid=seeded_uuid(rng),
            code=code,
            name=name,
            inspections_per_year=inspections,
            response_hours=hours,
            created_at=since,
        )
    contacts = []
    for index, customer in enumerate(customers.values()):
        for number, role in enumerate(("person in charge", "building keeper")):
            name = f"{rng.choice(people.FIRST_NAMES)} {rng.choice(people.LAST_NAMES)}"
            contacts.append(
                Contact(
                    customer=customer, name=name, role=role, phone=f"01632 96{300 + 2 * index + number:04}",
                    email=f"{customer.code.lower()}.{'office' if number == 0 else 'keeper'}@skarrow.example",
                    gets_reports=number == 0, gets_notices=True,
                )
            )  # fmt: skip
    Contact.objects.bulk_create(contacts)
    for account in people.ACCOUNTS:
        if account.customer:
            PortalAccess.objects.create(
                user=users[account.email],
                customer=customers[account.customer],
                is_limited=bool(account.sites),
                given_at=since,
            )
    return customers


def load_sites(rng: Random, firm: DemoFirm, customers: dict[str, Customer], users: dict[str, User]) -> dict[str, Site]:
    """Sites with everything that hangs on them; they come back by code."""
    since = at(firm.today - timedelta(days=1095), 9)
    rows = Site.objects.bulk_create(
        [
            Site(
                uuid=site.uuid, customer=customers[site.customer], code=site.code, name=site.name, kind=site.kind,
                address=f"{rng.randint(1, 60)} {rng.choice(('Quay Road', 'Kirk Brae', 'Ness Lane', 'Shore Street', 'Moor Road'))}",
                town=site.town, postcode=f"SK{rng.randint(1, 9)} {rng.randint(1, 9)}ZZ", latitude=site.latitude,
                longitude=site.longitude, time_zone="Europe/London", person_to_meet=site.person,
                phone=f"01632 96{rng.randint(400, 799):04}", created_at=since,
            )
            for site in firm.sites
        ],
        batch_size=500,
    )  # fmt: skip
    sites = {row.code: row for row in rows}
    _hang_on(firm, sites)
    _rare(firm, sites, users, since)
    return sites


def _hang_on(firm: DemoFirm, sites: dict[str, Site]) -> None:
    """Visiting hours, areas in walking order, monitoring centres."""
    hours, areas, centres = [], [], []
    for number, site in enumerate(firm.sites):
        place: dict[str, Any] = {"site": sites[site.code], "customer_id": sites[site.code].customer_id}
        hours += [
            VisitingHours(weekday=day, opens=time.fromisoformat(opens), closes=time.fromisoformat(closes), **place)
            for day, opens, closes in site.hours
        ]
        areas += [Area(path=path, walk_order=10 * order, **place) for order, path in enumerate(site.areas, start=1)]
        if site.centre:
            centres.append(
                MonitoringCentre(
                    name=site.centre, phone="01632 960900", account=f"{7100 + number}",
                    affected_outputs="fire link and call outputs", **place,
                )
            )  # fmt: skip
    VisitingHours.objects.bulk_create(hours, batch_size=500)
    Area.objects.bulk_create(areas, batch_size=500)
    MonitoringCentre.objects.bulk_create(centres, batch_size=500)


def _rare(firm: DemoFirm, sites: dict[str, Site], users: dict[str, User], since: datetime) -> None:
    """Hazards, closures, one access note, and the sites of limited portal people."""
    today = firm.today
    for code, (kind, text) in island.HAZARDS.items():
        if code in sites:
            Hazard.objects.create(
                site=sites[code],
                customer_id=sites[code].customer_id,
                kind=kind,
                text=text,
                noted_on=today - timedelta(days=310),
            )
    for code, (kind, begin, end, reason) in island.CLOSURES.items():
        if code in sites:
            SiteClosure.objects.create(
                site=sites[code], customer_id=sites[code].customer_id, kind=kind, reason=reason,
                from_on=today + timedelta(days=begin), to_on=today + timedelta(days=end),
            )  # fmt: skip
    keyed = sites["MCH-01"]
    AccessNote.objects.create(
        site=keyed, customer_id=keyed.customer_id, title="Key box", cipher=seal(SECRET), changed_at=since,
        changed_by=users[people.ACCOUNTS[1].email],
    )  # fmt: skip
    for account in people.ACCOUNTS:
        for code in account.sites:
            access = PortalAccess.objects.get(user=users[account.email], customer__code=account.customer)
            PortalSite.objects.create(access=access, site=sites[code])
