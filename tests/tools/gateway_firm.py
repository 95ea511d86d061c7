"""The firm whose gateways are played, read from its database, and what was heard there, counted against what was sent."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from tests.tools.gateway_posts import QUARTER_S, Post, Station, Unit

STAYS_MISSING = timedelta(hours=12)
"""Who has been missing for longer stays so: its battery is dead. A silence of a story that was broken off ends."""


def stations_of(*, customers: Sequence[int] | None = None, with_missing: bool = False) -> list[Station]:
    """Receivers whose every check-in reaches us, with the transmitters that check in there.

    `with_missing`: those as well that have been missing for so long that they stay so (`STAYS_MISSING`).
    """
    from devices.models import Fault, Registration

    rows = Registration.objects.open().filter(
        receiver__evidence="every", receiver__removed_at=None, transmitter__isnull=False, interval_s__isnull=False
    )
    if customers is not None:
        rows = rows.filter(customer__in=customers)
    dead = Fault.objects.open().filter(kind="missing", raised_at__lt=datetime.now(UTC) - STAYS_MISSING)
    if not with_missing:
        rows = rows.exclude(transmitter__in=dead.exclude(transmitter=None).values("transmitter"))
    found: dict[tuple[str, int], dict[str, Unit]] = defaultdict(dict)
    names: dict[str, str] = {}
    for code, customer, site, label, serial, interval_s, acts, supervision, window_s in rows.order_by(
        "receiver_id", "slot"
    ).values_list(
        "receiver__code",
        "customer_id",
        "site__name",
        "receiver__label",
        "transmitter__serial",
        "interval_s",
        "transmitter__type__typical_activations_per_day",
        "supervision",
        "window_s",
    ):
        chance = random.Random(serial)
        unit = Unit(
            serial, interval_s, chance.randrange(interval_s), chance.randrange(12, 30), acts or 0.0,
            window_s if supervision == "on" else None,
        )  # fmt: skip
        found[code, customer].setdefault(serial, unit)
        names[code] = f"{site}, {label}"
    return [Station(code, customer, tuple(units.values()), names[code]) for (code, customer), units in found.items()]


def tokens_of(stations: Sequence[Station], *, per_minute: int = 100_000) -> dict[int, str]:
    """Customer → token of the one source that plays its gateways, made when it is played for the first time.

    The link of that source is not supervised: when the playing ends, nobody is told of a lost link.
    """
    from company.models import Customer, User
    from devices.actions import sources
    from devices.models import IntakeSource

    by = User.objects.filter(is_manager=True, is_active=True).order_by("pk").first()
    now = datetime.now(UTC)
    tokens: dict[int, str] = {}
    for customer in Customer.objects.filter(pk__in={station.customer for station in stations}):
        name = f"Played gateway of {customer.name}"[:80]
        source = IntakeSource.objects.filter(name=name, customer=customer).first()
        if source is None:
            source = IntakeSource(
                name=name, customer=customer, per_minute=per_minute, note="Made by tests.tools.gateway"
            )
            sources.add_source(source=source, by=by, at=now)
        elif not source.is_active:
            sources.reopen_source(source=source, by=by, at=now)
        tokens[customer.pk] = sources.make_token(source=source, by=by, at=now)
    return tokens


def heard_on_record(serials: Sequence[str], begin: datetime) -> tuple[set[tuple[str, int]], dict[str, int]]:
    """Quarter hours of these transmitters since a day that the database says were heard, and activations by serial."""
    from devices.models import CheckInDay, Transmitter

    names = dict(Transmitter.objects.filter(serial__in=serials).values_list("pk", "serial"))
    heard: set[tuple[str, int]] = set()
    acts: dict[str, int] = defaultdict(int)
    days = CheckInDay.objects.filter(transmitter_id__in=names, day__gte=begin.date())
    for pk, day, mask, n in days.values_list("transmitter_id", "day", "presence", "activations"):
        acts[names[pk]] += n
        midnight = int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) // QUARTER_S
        for byte, bits in enumerate(bytes(mask or b"")):
            for bit in range(8):
                if bits >> bit & 1:
                    heard.add((names[pk], midnight + byte * 8 + bit))
    return heard, acts


def sent_in(posts: Sequence[Post]) -> tuple[set[tuple[str, int]], dict[str, int]]:
    """The same of what was sent."""
    heard: set[tuple[str, int]] = set()
    acts: dict[str, int] = defaultdict(int)
    for post in posts:
        for row in post.rows:
            heard.add((row["serial"], int(datetime.fromisoformat(row["time"]).timestamp()) // QUARTER_S))
            if row["kind"] == "activation":
                acts[row["serial"]] += 1
    return heard, acts
