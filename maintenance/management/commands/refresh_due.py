"""Work out all due dates now, as the nightly run does."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from company import jobs
from company.models import Job
from maintenance.actions import due, fits
from maintenance.models import BatteryFit, RefreshRun


class Command(BaseCommand):
    help = "Work out every due date. Starts or resumes the run of the day; once that is closed, works them out again."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--on", metavar="DATE", help="as of this day, such as 2027-03-04; today if left out")

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        try:
            day = date.fromisoformat(options["on"]) if options["on"] else due.business_day(now)
        except ValueError as error:
            raise CommandError("Give the day as year-month-day, such as 2027-03-04.") from error
        run = RefreshRun.objects.filter(business_day=day).first()
        if run is not None and run.state == RefreshRun.State.CLOSED:
            # The model too: whoever asks by hand may have put a record right that it had learnt from.
            before = BatteryFit.objects.filter(is_current=True).values_list("pk", flat=True).first()
            is_kept = fits.refresh_fit(at=now, as_of=day).pk == before
            done = due.refresh_all(today=day, at=now)
            self.stdout.write(f"{done.n_items} due dates of {day} worked out again, {done.n_moved} moved.")
            self.stdout.write(
                "The model says what it said before, so the fit in use stays."
                if is_kept
                else "The record has changed: a new fit of the model is in use."
            )
            return
        run = due.start_nightly(day=day, at=now)
        mine = Job.objects.filter(key__startswith=f"due:{day.isoformat()}:").order_by("pk")
        # The first part asks for the others.
        for _ in range(2):
            for pk in list(mine.exclude(state=Job.State.DONE).values_list("pk", flat=True)):
                jobs.run(pk)
        run.refresh_from_db()
        if run.state != RefreshRun.State.CLOSED:
            raise CommandError(
                "Not finished: another worker holds a part of it, or a part has failed. See the job page."
            )
        self.stdout.write(f"{run.n_items} due dates of {day} worked out, {run.n_changed} moved.")
