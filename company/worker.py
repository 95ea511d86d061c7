"""The embedded worker: one thread or process that does the jobs and keeps the clock when there is no Redis."""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from django.conf import settings
from django.db import IntegrityError, close_old_connections, connections, transaction
from django.utils import timezone

from company import jobs
from company.models import ClockRun, Job, Leader

logger = logging.getLogger(__name__)

LEADER_LEASE_S = 30


class Worker:
    """Polls Job rows. Several may be started; a lease row lets only one of them work.

    `nightly` is called once a night. `watch` is called every `WATCH_EVERY_S` seconds from a thread of its own, since a job
    may take minutes; of several processes it lets one look by itself.
    """

    def __init__(self, *, nightly: Callable[[], None] | None = None, watch: Callable[[], object] | None = None) -> None:
        self.nightly = nightly
        self.watch = watch
        self.holder = f"{socket.gethostname()}:{os.getpid()}:{uuid.uuid4().hex[:8]}"
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._watcher: threading.Thread | None = None

    def start(self) -> None:
        """Run in a daemon thread."""
        self._thread = threading.Thread(target=self.loop, name="slotledger-worker", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 10) -> None:
        """Ask the loop to end after the present job, and the watch after its present look."""
        self._stop.set()
        for thread in (self._thread, self._watcher):
            if thread:
                thread.join(timeout_s)

    def loop(self) -> None:
        """Work until stopped. No error ends the loop: the next turn tries again."""
        next_clock = 0.0
        if self.watch:
            self._watcher = threading.Thread(target=self.watch_loop, name="slotledger-watch", daemon=True)
            self._watcher.start()
        while not self._stop.is_set():
            busy = False
            try:
                close_old_connections()
                if self.hold_lead():
                    if self.nightly and time.monotonic() >= next_clock:
                        self.keep_clock()
                        next_clock = time.monotonic() + 60
                    pk = Job.objects.ready(timezone.now()).values_list("pk", flat=True).first()
                    busy = pk is not None and jobs.run(pk)
            except Exception:
                logger.exception("The embedded worker met an error and goes on.")
                self._stop.wait(2)
            finally:
                close_old_connections()
            if not busy:
                self._stop.wait(settings.JOB_POLL_S)
        self.give_up_lead()
        close_old_connections()

    def watch_loop(self) -> None:
        """Look every few seconds until stopped. No error ends it: the next look tries again."""
        while not self._stop.wait(settings.WATCH_EVERY_S):
            try:
                close_old_connections()
                if self.watch:
                    self.watch()
            except Exception:
                logger.exception("The watch met an error and goes on.")
            finally:
                close_old_connections()
        connections.close_all()

    def give_up_lead(self) -> None:
        """Leave at once what the next process would otherwise wait half a minute for."""
        try:
            Leader.objects.filter(name="worker", holder=self.holder).delete()
        except Exception:
            logger.exception("The lead could not be given up; it runs out by itself.")

    def hold_lead(self) -> bool:
        """Take or prolong the lease of the one working process."""
        now = timezone.now()
        until = now + timedelta(seconds=LEADER_LEASE_S)
        lead = Leader.objects.filter(name="worker").values_list("holder", "until").first()
        if lead and lead[0] == self.holder and lead[1] > now + timedelta(seconds=LEADER_LEASE_S / 2):
            return True
        if lead is None:
            try:
                with transaction.atomic():
                    Leader.objects.create(name="worker", holder=self.holder, until=until)
                return True
            except IntegrityError:
                return False
        mine = Leader.objects.filter(name="worker", holder=self.holder)
        stale = Leader.objects.filter(name="worker", until__lt=now)
        return bool(mine.update(until=until) or stale.update(holder=self.holder, until=until))

    def keep_clock(self) -> None:
        """Start the nightly run of the last due business day if it was not started yet (also after a night off)."""
        hour, minute = (int(part) for part in settings.NIGHTLY_AT_UTC.split(":"))
        now = datetime.now(UTC)
        day = now.date() if (now.hour, now.minute) >= (hour, minute) else now.date() - timedelta(days=1)
        if ClockRun.objects.filter(name="nightly", business_day=day).exists() or self.nightly is None:
            return
        self.nightly()
        ClockRun.objects.get_or_create(name="nightly", business_day=day)
