"""Serve this installation from one process: web server and, without Redis, background jobs and the nightly clock."""

from __future__ import annotations

import os
import warnings
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.servers.basehttp import get_internal_wsgi_application
from django.db import connections
from django.utils.module_loading import import_string

from company import web_server
from company.worker import Worker


def address_of(host: str, port: int) -> str:
    """Where a browser finds it; an IPv6 host stands in brackets."""
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


class Command(BaseCommand):
    """`manage.py serve`."""

    help = "Serve on this machine, with background jobs in the same process where there is no Redis. Ctrl+C ends it."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument(
            "--prepared", action="store_true", help="the database is migrated and static files are collected already"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        host, port = options["host"], options["port"]
        if not 1 <= port <= 65535:
            raise CommandError("The port must be a number from 1 to 65535.")
        if not options["prepared"]:
            call_command("migrate", verbosity=0, interactive=False)
            if not settings.WHITENOISE_USE_FINDERS:
                call_command("collectstatic", verbosity=0, interactive=False)
        # In a trial static files come from the apps, so the folder to collect them into need not be there.
        warnings.filterwarnings("ignore", message="No directory at", category=UserWarning)
        try:
            listener = web_server.listen(host, port)
        except OSError as error:
            raise CommandError(
                f"Cannot listen on {host}:{port} ({error.strerror}). Choose another with --port."
            ) from error
        if not {"BASE_URL", "BASE_URL_FILE"} & os.environ.keys():
            # Printed QR codes and mails must lead back to this very server.
            settings.BASE_URL = address_of(host, port)
        connections.close_all()
        application = get_internal_wsgi_application()
        jobs = None if settings.REDIS_URL else self._start_jobs()
        self.stdout.write(f"Serving on {address_of(host, port)}/  Ctrl+C ends it.")
        self.stdout.flush()
        try:
            web_server.run(application, listener, behind_proxy=bool(settings.SECURE_PROXY_SSL_HEADER))
        finally:
            if jobs:
                # The present job may end; one that is cut off starts again by its lease.
                jobs.stop(timeout_s=3)

    def _start_jobs(self) -> Worker:
        jobs = Worker(
            nightly=import_string("maintenance.actions.due.start_nightly"),
            watch=import_string("maintenance.actions.watch.watch"),
        )
        jobs.start()
        return jobs
