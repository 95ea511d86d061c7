"""Whether one transmitter is missing or silent now, for pages that speak of its window or its battery."""

from __future__ import annotations

from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext as _

from devices.models import Fault, Receiver, Registration
from devices.querysets import end_of_day
from devices.querysets.moments import heard_moment
from devices.rules.supervision import TransmitterEvidence, judge
from devices.rules.words import moment_words


def silent_now(request: HttpRequest, receiver: Receiver, transmitter_pk: int) -> str:
    """Say that a transmitter is missing now, and when it was last heard; empty where it is heard, away, or nobody can tell.

    The rule is that of the receiver's page: a missing fault that stands, or silence on the source's own watermark.
    """
    zone = receiver.site.zone
    today = timezone.now().astimezone(zone).date()
    here = Registration.objects.visible_to(request.user).filter(receiver=receiver, transmitter=transmitter_pk)
    row = next((one for one in here.slot_rows(end_of_day(today, zone), zone) if not one.nothing_answers), None)
    if row is None or row.registered_at is None:
        return ""
    day = here.open().with_last_check_in().values_list("heard_day", "heard_s").first()
    heard_at = heard_moment(*day) if day else None
    missing = Fault.objects.visible_to(request.user).open().filter(receiver=receiver, kind=Fault.Kind.MISSING)
    state = judge(
        TransmitterEvidence(
            grade=receiver.evidence, window_s=row.window_s, interval_s=row.interval_s, registered_at=row.registered_at,
            heard_at=heard_at.astimezone(zone) if heard_at else None,
            watermark_at=receiver.heard_until.astimezone(zone) if receiver.heard_until else None,
            has_missing_fault=missing.filter(transmitter=transmitter_pk).exists(), is_away=row.is_away,
        ),
        today,
    )  # fmt: skip
    if state.code != "silent":
        return ""
    if heard_at is None:
        return _("It is missing now. When it was last heard is not on record.")
    return _("It is missing now: last heard %(when)s.") % {"when": moment_words(heard_at.astimezone(zone), today=today)}
