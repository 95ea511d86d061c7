"""The product's Celery application, whose jobs can be held still: in the middle of their work, or before they are taken.

A file named `hold` in DATA_DIR says which: `middle <handler>` or `start`. Without that file everything is as in the product.
So a test that kills need not catch a moment that passes by within a blink on a quick machine.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

from company.celery import app

__all__ = ["app"]

HOLD = Path(os.environ["DATA_DIR"]) / "hold"


def wanted() -> str:
    """What is to be held now; empty when nothing."""
    try:
        return HOLD.read_text()
    except FileNotFoundError:
        return ""


@app.on_after_finalize.connect
def hold_jobs(**unknown: Any) -> None:
    """Put the waiting into the two places through which every job passes."""
    from company import jobs
    from company.models import Job

    progress, run = jobs.Handle.progress, jobs.run

    def held_progress(self: jobs.Handle, done: int, total: int, text: str = "") -> None:
        # What is on record shows to others; what this call is about to write does not yet.
        row = Job.objects.values("progress_done", "progress_total").get(pk=self.job.pk)
        if 0 < row["progress_done"] < row["progress_total"]:
            while wanted() == f"middle {self.job.handler}":
                time.sleep(0.02)
        progress(self, done, total, text)

    def held_run(pk: int) -> bool:
        while wanted() == "start":
            time.sleep(0.02)
        return run(pk)

    jobs.Handle.progress, jobs.run = held_progress, held_run  # type: ignore[method-assign]
