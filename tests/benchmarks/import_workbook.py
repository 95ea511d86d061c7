"""Time the import of a workbook of 20,000 slots on a scratch SQLite database: `python -m tests.benchmarks.import_workbook`.

Prints wall and processor seconds of the preview, of applying it, and of the same file again. The bar is the sum of the
first two: under 60 processor seconds.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from typing import Any


def main(n_slots: int = 20_000) -> None:
    with tempfile.TemporaryDirectory(prefix="slotledger-bench-") as folder:
        os.environ |= {"DATA_DIR": folder, "SECRET_KEY": "benchmark", "DJANGO_SETTINGS_MODULE": "company.settings"}
        os.environ.pop("DATABASE_URL", None)
        os.environ.pop("REDIS_URL", None)
        import django

        django.setup()
        _measure(n_slots)


def _workbook(n_slots: int) -> bytes:
    from tests.devices.rules.import_world import right_sheets, workbook_file

    sheets = right_sheets()
    receiver, slot, cells = (
        sheets["receivers"][0],
        sheets["slots"][0] | {"outputs": "1 follower"},
        sheets["fittings"][0],
    )
    del sheets["outputs"], sheets["past fittings"]
    sheets["receivers"] = [
        {**receiver, "receiver type code": "receiver-64", "receiver": f"R{r}"} for r in range(-(-n_slots // 64))
    ]
    sheets["slots"] = [
        {**slot, "receiver": f"R{i // 64}", "slot": i % 64 + 1, "transmitter serial": f"SK-{i:06d}"}
        for i in range(n_slots)
    ]
    sheets["fittings"] = [{**cells, "transmitter serial": f"SK-{i:06d}"} for i in range(n_slots)]
    return workbook_file(sheets)


def _measure(n_slots: int) -> None:
    from django.core.management import call_command
    from django.utils import timezone

    from company import jobs
    from company.models import Job
    from devices import imports
    from devices.actions.imports import ask_to_apply, check_key, receive_workbook
    from tests.factories import make_user

    call_command("migrate", verbosity=0)
    call_command("load_catalogue", verbosity=0)
    office = make_user("office")
    body = _workbook(n_slots)
    print(f"{n_slots} slots, {len(body) / 1e6:.1f} MB")

    def timed(words: str) -> None:
        wall, cpu = time.perf_counter(), time.process_time()
        jobs.run_ready(1)
        print(f"{words:28}{time.perf_counter() - wall:8.1f} s wall{time.process_time() - cpu:8.1f} s processor")

    def check() -> Any:
        upload = receive_workbook(name="book.xlsx", content=body, kind=imports.KIND, by=office, at=timezone.now())
        timed("preview")
        return upload, Job.objects.get(key=check_key(upload))

    upload, job = check()
    apply = ask_to_apply(upload=upload, seen=job.result, by=office, at=timezone.now())
    timed("apply, with due dates")
    apply.refresh_from_db()
    print(apply.state, apply.result["written"])
    print("the same file again:", check()[1].result["counts"])


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
