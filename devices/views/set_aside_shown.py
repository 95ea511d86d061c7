"""How far the counting of very many events set aside has come, for the pages that show them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from company.access import PersonRequest
from company.models import Job
from devices.actions.set_aside_later import HANDLER, key_prefix
from devices.models import SetAside
from devices.querysets.set_aside import Group


@dataclass(frozen=True, slots=True)
class Counting:
    """The newest job that counts, or has counted, what waits with an event; None where there never was one."""

    job: Job | None = None

    @property
    def at_work(self) -> Job | None:
        return self.job if self.job is not None and not self.job.is_over else None

    @property
    def done(self) -> dict[str, Any]:
        """What came of it."""
        return (self.job.result or {}) if self.job is not None and self.job.state == Job.State.DONE else {}

    @property
    def error(self) -> str:
        """Why it ended before its end, in words; empty where it did not."""
        if self.job is None or self.job.state != Job.State.FAILED:
            return ""
        is_fault = self.job.error.startswith("Traceback")
        return _("The program met a fault, which was written down.") if is_fault else self.job.error


def counting_of(request: PersonRequest, event: SetAside) -> Counting:
    """The counting of what waits with this event."""
    rows = Job.objects.visible_to(request.user).filter(key__startswith=key_prefix(event.unit), handler=HANDLER)
    return Counting(next((job for job in rows.order_by("-pk") if event.customer_id in job.args["customers"]), None))


def being_counted(request: PersonRequest, events: Iterable[SetAside]) -> set[Group]:
    """Which of the units of these events are being counted, in one query."""
    rows = Job.objects.visible_to(request.user).filter(state__in=(Job.State.WAITING, Job.State.RUNNING))
    units = {
        (pk, args["unit"])
        for args in rows.filter(handler=HANDLER).values_list("args", flat=True)
        for pk in args["customers"]
    }
    return units & {(one.customer_id, one.unit) for one in events}
