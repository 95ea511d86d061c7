"""The night's look at links as a job of its own: what has become weak, or well again, is found at once."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.utils import timezone
from django.utils.translation import gettext as _

from company import jobs
from company.jobs import Handle
from company.manner import day_said
from devices.actions.link_watch import judge_links
from devices.actions.silence_records import revise_ended
from maintenance.actions.findings import look_again


def ask_for_night(*, day: date) -> None:
    """Ask for tonight's look at the links; asking again gives the same job."""
    jobs.enqueue(
        handler="maintenance.actions.links.judge_night", key=f"links:{day.isoformat()}",
        title=_("Radio links of %(day)s") % {"day": day_said(day)},
    )  # fmt: skip


def judge_night(handle: Handle, **unknown: Any) -> None:
    """Job handler: judge every closed day not judged yet, then look again at the receivers where a link became weak or well.

    Then the records of silences are put right by what has come in late. A second run judges nothing twice.
    """

    def fence(done: int, total: int) -> None:
        handle.progress(done, total, _("%(done)s of %(total)s days judged") % {"done": done, "total": total})

    judged = judge_links(at=timezone.now(), fence=fence)
    if judged.changed:
        look_again(receiver_ids=sorted(judged.changed), at=timezone.now())
    revise_ended(at=timezone.now())
    handle.finish({"days": judged.n_days, "judged": judged.n_judged, "outages": judged.n_outages})
