"""Do the jobs and keep the clock without Redis: one process beside the web server."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils.module_loading import import_string

from company.worker import Worker


class Command(BaseCommand):
    """`manage.py worker`."""

    help = "Do background jobs and keep the nightly clock (only without REDIS_URL)."

    def handle(self, *args: Any, **options: Any) -> None:
        if settings.REDIS_URL:
            raise CommandError("REDIS_URL is set: run a Celery worker and one beat instead.")
        self.stdout.write("Working. Ctrl+C ends it after the present job.")
        worker = Worker(
            nightly=import_string("maintenance.actions.due.start_nightly"),
            watch=import_string("maintenance.actions.watch.watch"),
        )
        try:
            worker.loop()
        except KeyboardInterrupt:
            worker.stop()
