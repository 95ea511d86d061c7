"""Serve this installation from one process: web server, background jobs and the nightly clock. For a trial or a small firm."""

from __future__ import annotations

import os
import socket
import warnings
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.wsgi import get_wsgi_application
from django.db import connections
from django.utils.module_loading import import_string
from gunicorn.app.base import BaseApplication

from company.worker import Worker

THREADS = 8
CONNECTIONS = 400
"""Each may take two of the 1024 files that a process usually may have open."""


class Server(BaseApplication):
    """gunicorn with one worker process of several threads; the job thread lives in that process and ends with it."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.jobs: Worker | None = None
        super().__init__()

    def load_config(self) -> None:
        for name, value in {
            "bind": self.address, "workers": 1, "threads": THREADS, "worker_class": "company.web_worker.WebWorker",
            "worker_connections": CONNECTIONS, "timeout": 120, "graceful_timeout": 4, "loglevel": "warning",
            "proc_name": "slotledger", "post_worker_init": self.start_jobs, "worker_exit": self.stop_jobs,
        }.items():  # fmt: skip
            self.cfg.set(name, value)

    def load(self) -> Any:
        return get_wsgi_application()

    def start_jobs(self, gunicorn_worker: Any) -> None:
        """Start the thread in the forked process: a thread of the parent would not survive the fork."""
        if not settings.REDIS_URL:
            self.jobs = Worker(
                nightly=import_string("maintenance.actions.due.start_nightly"),
                watch=import_string("maintenance.actions.watch.watch"),
            )
            self.jobs.start()

    def stop_jobs(self, server: Any, gunicorn_worker: Any) -> None:
        """Let the present job end; one that is cut off starts again by its lease."""
        if self.jobs:
            self.jobs.stop(timeout_s=5)


def refuse_taken(host: str, port: int) -> None:
    """Say in a sentence what the server would say in a page of retries.

    Raises
    ------
    CommandError
        If nothing can listen on the address.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((host, port))
        except OSError as error:
            raise CommandError(
                f"Cannot listen on {host}:{port} ({error.strerror}). Choose another with --port."
            ) from error


class Command(BaseCommand):
    """`manage.py serve`."""

    help = "Serve on this machine with background jobs in the same process. Ctrl+C ends it."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, **options: Any) -> None:
        host, port = options["host"], options["port"]
        if not 1 <= port <= 65535:
            raise CommandError("The port must be a number from 1 to 65535.")
        call_command("migrate", verbosity=0, interactive=False)
        if not settings.WHITENOISE_USE_FINDERS:
            call_command("collectstatic", verbosity=0, interactive=False)
        # In a trial static files come from the apps, so the folder to collect them into need not be there.
        warnings.filterwarnings("ignore", message="No directory at", category=UserWarning)
        refuse_taken(host, port)
        if not {"BASE_URL", "BASE_URL_FILE"} & os.environ.keys():
            # Printed QR codes and mails must lead back to this very server.
            settings.BASE_URL = f"http://{host}:{port}"
        self.stdout.write(f"Serving on http://{host}:{port}/  Ctrl+C ends it.")
        # The forked process must not share a database connection with this one.
        connections.close_all()
        Server(f"[{host}]:{port}" if ":" in host else f"{host}:{port}").run()
