"""What the radio tells of receivers, for the findings: silence, weak links, records of slots, strangers; many receivers at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from devices.models import Receiver
from devices.querysets.radio_records import radio_records, strangers, watched_windows, weak_links
from devices.querysets.silence import SHORTEST_LOOK, last_heard
from devices.rules.findings_facts import Silence, Stranger, WeakLink
from devices.rules.radio_record import RadioRecord, Watched
from devices.rules.slot_map import SlotRow
from devices.rules.supervision import EVERY, TransmitterEvidence, judge
from sites.models import Site


@dataclass(slots=True)
class Radio:
    """What the radio tells, by receiver and slot."""

    links: dict[int, dict[int, WeakLink]] = field(default_factory=dict)
    silent: dict[int, dict[int, Silence]] = field(default_factory=dict)
    records: dict[int, dict[int, RadioRecord]] = field(default_factory=dict)
    watched: dict[int, dict[int, Watched]] = field(default_factory=dict)
    strangers: dict[int, list[Stranger]] = field(default_factory=dict)


def read_radio(here: Mapping[int, Receiver], rows: Mapping[int, Sequence[SlotRow]], at: datetime) -> Radio:
    """Read it for these receivers; only what reaches us of every check-in has silence, links and records."""
    every = {pk: row for pk, row in here.items() if row.evidence == EVERY and row.heard_until is not None}
    found = Radio(strangers=strangers({pk: row.site.zone for pk, row in here.items()}, at))
    if not every:
        return found
    taken = {pk: [row for row in rows.get(pk, ()) if row.transmitter_pk is not None] for pk in every}
    links = weak_links(list(every))
    watched = [row.registration_pk for some in taken.values() for row in some if row.window_s and row.interval_s]
    records = radio_records([pk for pk in watched if pk is not None], at.astimezone(UTC).date())
    seen = watched_windows(list(every), at.astimezone(UTC).date())
    for pk, some in taken.items():
        units = links.get(pk, {})
        found.links[pk] = {row.slot: units[row.transmitter_pk] for row in some if row.transmitter_pk in units}
        found.records[pk] = {row.slot: records[row.registration_pk] for row in some if row.registration_pk in records}
        found.watched[pk] = {row.slot: seen[row.registration_pk] for row in some if row.registration_pk in seen}
    _read_silent(found, every, taken)
    return found


def _read_silent(found: Radio, every: Mapping[int, Receiver], taken: Mapping[int, Sequence[SlotRow]]) -> None:
    """Judge each slot by the rule of its page, on the source's own watermark."""
    longest = max((row.window_s or 0 for some in taken.values() for row in some), default=0)
    marks = [row.heard_until for row in every.values() if row.heard_until is not None]
    since = (min(marks) - max(timedelta(seconds=longest), SHORTEST_LOOK)).astimezone(UTC).date()
    heard = last_heard([row.transmitter_pk for some in taken.values() for row in some if row.transmitter_pk], since)
    for pk, some in taken.items():
        site: Site = every[pk].site
        mark = every[pk].heard_until
        assert mark is not None
        mark = mark.astimezone(site.zone)
        for row in some:
            at = heard.get(row.transmitter_pk or 0)
            if row.registered_at is None:
                continue
            state = judge(
                TransmitterEvidence(
                    grade=EVERY, window_s=row.window_s, interval_s=row.interval_s, registered_at=row.registered_at,
                    heard_at=at.astimezone(site.zone) if at else None, watermark_at=mark, is_away=row.is_away,
                ),
                # As if said tomorrow: a finding stays, and its words must name the day.
                mark.date() + timedelta(days=1),
            )  # fmt: skip
            if state.code == "silent" and state.since_at is not None:
                found.silent.setdefault(pk, {})[row.slot] = Silence(
                    state.words, state.since_at.astimezone(site.zone).date()
                )
