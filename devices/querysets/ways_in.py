"""Reads of the ways by which receivers reach us: the source that feeds them, and panels that speak for them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from datetime import datetime, timedelta

from django.apps import apps
from django.db.models import Min, Q

from devices.rules.supervision import EXCEPTIONS, LINK_TEST_HOURS
from devices.rules.ways_in import Way, behind_of, still_by


def ways_of(receiver_ids: Collection[int]) -> dict[int, list[Way]]:
    """Receiver → its ways in that are in use; four queries for any number of receivers.

    A panel without a named receiver speaks for the only one at its site, as the watch takes it. A gateway that delivers of
    others and not of this receiver is no way by which it still comes (`devices.querysets.silence`).
    """
    receivers = apps.get_model("devices", "Receiver")._default_manager.open()
    rows = receivers.filter(pk__in=receiver_ids).values_list(
        "pk", "site_id", "evidence", "link_tested_at", "fed_by__kind", "fed_by__late_after_s", "fed_by__last_used_at",
        "fed_by__is_active", "fed_by__retired_at", "heard_until", "fed_by__watermark_at",
    )  # fmt: skip
    shortest = shortest_windows(receiver_ids)
    found: dict[int, list[Way]] = defaultdict(list)
    at_site: dict[int, int] = {}
    for pk, site, evidence, tested_at, kind, late_s, used_at, is_active, retired_at, heard, delivered in rows:
        at_site[site] = pk
        # What a panel hands over is that panel's way, by its own clock.
        if kind is None or kind == "panel" or not is_active or retired_at is not None:
            continue
        # Where only faults reach us, the source's link test is its sign of life as well.
        if evidence == EXCEPTIONS and tested_at is not None and late_s is None:
            used_at, late_s = tested_at, int(timedelta(hours=LINK_TEST_HOURS).total_seconds())
        behind = behind_of(evidence, kind, heard, delivered, shortest.get(pk), late_s)
        found[pk].append(Way(kind, used_at, late_s, is_forgotten=behind is not None and behind.is_lost))
    for pk, sign_at, allowed_s in _panels(set(receiver_ids), at_site):
        found[pk].append(Way("panel", sign_at, allowed_s))
    return found


def shortest_windows(receiver_ids: Collection[int]) -> dict[int, int]:
    """Receiver → shortest supervision window of its slots [s]; left out where none has one."""
    rows = apps.get_model("devices", "Registration")._default_manager.open()
    rows = rows.filter(receiver__in=receiver_ids, supervision="on", window_s__gt=0, transmitter__isnull=False)
    return dict(rows.values_list("receiver_id").annotate(shortest=Min("window_s")))


def _panels(
    receiver_ids: Collection[int], at_site: dict[int, int]
) -> list[tuple[int, datetime | None, int | None]]:  # fmt: skip
    accounts = apps.get_model("devices", "PanelAccount")._default_manager.filter(closed_at=None)
    mine = accounts.filter(Q(receiver__in=receiver_ids) | Q(receiver=None, site__in=at_site))
    rows = list(mine.order_by("pk").values_list("receiver_id", "site_id", "last_message_at", "supervised_s"))
    unnamed = {site for receiver, site, _, _ in rows if receiver is None}
    n_at: dict[int, int] = defaultdict(int)
    if unnamed:
        receivers = apps.get_model("devices", "Receiver")._default_manager.open()
        for site in receivers.filter(site__in=unnamed).values_list("site_id", flat=True):
            n_at[site] += 1
    return [
        (receiver or at_site[site], sign_at, allowed_s)
        for receiver, site, sign_at, allowed_s in rows
        if receiver is not None or n_at[site] == 1
    ]


def still_heard(receiver_ids: Collection[int], now: datetime) -> dict[int, tuple[str, str]]:
    """Receiver → what is silent and by what it still comes, for those of which only some ways are lost."""
    told = {pk: still_by(ways, now) for pk, ways in ways_of(receiver_ids).items()} if receiver_ids else {}
    return {pk: words for pk, words in told.items() if words[0]}
