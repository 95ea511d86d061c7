"""Writes of how earlier predictions came out: asked for once a week by the night's run, or by hand, as a job per fit."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from company import jobs
from company.errors import Refused
from company.jobs import Handle
from company.manner import day_said
from company.models import Job, RiskPolicy, User
from maintenance.models import Backtest, BatteryFit
from maintenance.querysets.backtest_history import Record, read_record
from maintenance.querysets.fits import policy_key
from maintenance.querysets.fleet import DUTIES
from maintenance.rules.battery.backtest import Period, Policy, backtest
from maintenance.rules.due_facts import to_date, to_day

PREFIX = "backtest:"
EVERY_DAYS = 7
TESTS_KEPT = 8
"""Older tests are dropped: the newest one holds every half-year again."""
FACTS = ("n_early", "n_unspent", "unspent", "device_days", "fixed_cells", "fixed_dead")


class NothingToTest(Refused):
    """There is no fit yet."""


def key_of(fit: BatteryFit) -> str:
    """Key of the job that tests a fit: of a night's fit its day, since a night may need several attempts at one."""
    return f"{PREFIX}{fit.as_of.isoformat()}" + ("" if fit.run_id else f":{fit.pk}")


def ensure_backtest(*, fit: BatteryFit, at: datetime) -> Job | None:
    """Ask for a test of this fit unless one was asked for within the last week. Called in the transaction of a new fit."""
    # An hour's grace: the night's run does not begin at the same second every week.
    since = at - timedelta(days=EVERY_DAYS) + timedelta(hours=1)
    recent = Job.objects.filter(key__startswith=PREFIX, created_at__gt=since).exclude(state=Job.State.FAILED)
    return None if recent.exists() else _ask(fit, None)


@transaction.atomic
def ask_for_backtest(*, fit: BatteryFit | None, by: User, at: datetime) -> Job:
    """Ask for a test of this fit now; asking again gives the same job.

    Raises
    ------
    NothingToTest
        Before the first fit.
    """
    if fit is None:
        raise NothingToTest(
            _("Nothing has been learnt yet. The first night's run makes the first fit; test it after that.")
        )
    return _ask(fit, by)


def _ask(fit: BatteryFit, by: User | None) -> Job:
    return jobs.enqueue(
        handler="maintenance.actions.backtest.run_backtest",
        key=key_of(fit),
        title=_("Predictions tested with the facts up to %(day)s") % {"day": day_said(fit.as_of)},
        args={"fit_id": fit.pk},
        by=by,
    )


def run_backtest(handle: Handle, *, fit_id: int, **unknown: Any) -> None:
    """Job handler: test every half-year on record. A second run finds the rows and writes none."""
    fit = BatteryFit.objects.filter(pk=fit_id).first()
    url = reverse("maintenance:honesty")
    if fit is None or fit.backtests.exists():
        handle.finish({"rows": 0}, url=url)
        return

    def watch(done: int, total: int) -> None:
        handle.progress(done, total, _("%(done)s of %(total)s half-years") % {"done": done, "total": total})

    now = timezone.now()
    # Read and worked out before the transaction: on SQLite everybody else would wait for it.
    rows = work_out(fit=fit, at=now, today=timezone.localdate(now), watch=watch)
    with transaction.atomic():
        _keep(rows)
        handle.finish({"half_years": len({row.from_on for row in rows}), "rows": len(rows)}, url=url)


@transaction.atomic
def refresh_backtest(*, fit: BatteryFit, at: datetime, today: date) -> int:
    """Test a fit at once, outside any job, and return the number of rows. May be repeated: the rows are made anew."""
    rows = work_out(fit=fit, at=at, today=today)
    fit.backtests.all().delete()
    _keep(rows)
    return len(rows)


def work_out(
    *, fit: BatteryFit, at: datetime, today: date, watch: Callable[[int, int], None] = lambda done, total: None
) -> list[Backtest]:
    """Work out every half-year on record with what is known now. Nothing is written."""
    last_day = to_day(today)
    record = read_record(at, last_day)
    policies = {policy.duty: policy for policy in RiskPolicy.objects.all()}
    p_dead, p_call = np.array(policy_key(policies)).T
    periods = backtest(
        record.history, record.exposure_at, record.strata, Policy(p_dead, p_call), last_day=last_day,
        seen_before=record.looks.before, watch=watch,
    )  # fmt: skip
    return [row for period in periods for row in _rows(fit, record, period)]


def _keep(rows: list[Backtest]) -> None:
    """Write the rows of one fit and drop the tests of all but the newest fits."""
    Backtest.objects.bulk_create(rows, batch_size=1000)
    kept = Backtest.objects.order_by("-fit_id").values_list("fit_id", flat=True).distinct()[:TESTS_KEPT]
    Backtest.objects.exclude(fit_id__in=list(kept)).delete()


def _rows(fit: BatteryFit, record: Record, period: Period) -> list[Backtest]:
    """Rows of one half-year, one per kind × duty."""
    cells, made = period.cells, []
    for i, (stratum, duty) in enumerate(zip(cells.stratum.tolist(), cells.duty.tolist(), strict=True)):
        transmitter_type_id, battery_type_id, is_measured = record.keys[stratum]
        made.append(
            Backtest(
                fit=fit,
                from_on=to_date(period.from_day),
                to_on=to_date(period.to_day),
                transmitter_type_id=transmitter_type_id,
                battery_type_id=battery_type_id,
                is_measured=is_measured,
                duty=DUTIES[duty],
                n_batteries=int(cells.n_batteries[i]),
                predicted=float(cells.predicted[i]),
                happened=int(cells.happened[i]),
                n_found_dead=int(cells.n_found_dead[i]),
                n_changed=int(cells.n_changed[i]),
                facts={name: _plain(getattr(cells, name)[i].item()) for name in FACTS},
            )
        )
    return made


def _plain(value: float) -> float | None:
    """JSON knows no NaN: what is not known is left empty."""
    return value if math.isfinite(value) else None
