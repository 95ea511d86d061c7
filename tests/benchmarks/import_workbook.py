"""Time the import of a workbook of 20,000 slots: `python -m tests.benchmarks.import_workbook [SLOTS] [--postgres]`.

Prints wall and processor seconds of each step, how long the writing transaction holds the database, and the peak memory.
The bars: preview and applying together under 60 s and 500 MB, the writing transaction at most 3 s on SQLite, the same
file again changes 0 rows, the export brought into an empty firm changes as many rows as the first import did.

Without an option on a scratch SQLite file. `--postgres` starts a throw-away server; DATABASE_URL, where it names a
PostgreSQL, is used as it is: give it an empty database.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

BAR_S, BAR_MB, BAR_WRITING_S = 60, 500, 3


def main() -> None:
    """Read the options and measure, on SQLite or PostgreSQL."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("slots", nargs="?", type=int, default=20_000)
    options.add_argument("--postgres", action="store_true", help="start a throw-away PostgreSQL")
    chosen = options.parse_args()
    if chosen.postgres and not os.environ.get("DATABASE_URL", "").startswith("postgres"):
        command = [sys.executable, "-m", "tests.tools.services", "run", "--", sys.executable, "-m", __spec__.name]
        raise SystemExit(subprocess.run([*command, str(chosen.slots), "--postgres"], check=False).returncode)
    with tempfile.TemporaryDirectory(prefix="slotledger-bench-") as folder:
        os.environ |= {"DATA_DIR": folder, "SECRET_KEY": "benchmark", "DJANGO_SETTINGS_MODULE": "company.settings"}
        os.environ.pop("REDIS_URL", None)
        os.environ.setdefault("SQLITE_SYNC", "normal")  # SQLite does not wait for the disk here.
        if not chosen.postgres:
            os.environ.pop("DATABASE_URL", None)
        import django

        django.setup()
        _measure(chosen.slots)


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
        {**receiver, "receiver type code": "receiver-64", "receiver": f"R{r}", "serial": f"RX-{r}"}
        for r in range(-(-n_slots // 64))
    ]
    sheets["slots"] = [
        {**slot, "receiver": f"R{i // 64}", "slot": i % 64 + 1, "transmitter serial": f"SK-{i:06d}"}
        for i in range(n_slots)
    ]
    sheets["fittings"] = [{**cells, "transmitter serial": f"SK-{i:06d}"} for i in range(n_slots)]
    return workbook_file(sheets)


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@contextmanager
def _timed(words: str) -> Iterator[list[float]]:
    wall, cpu = time.perf_counter(), time.process_time()
    spent: list[float] = []
    yield spent
    spent += [time.perf_counter() - wall, time.process_time() - cpu]
    print(f"{words:44}{spent[0]:7.1f} s wall{spent[1]:7.1f} s processor{_peak_mb():7.0f} MB at most so far", flush=True)


def _watch_writing(held: list[str]) -> None:
    """Measure from the lock to the commit: the action is the whole transaction. Wall time says little on a busy machine."""
    from devices.actions import import_undo, imports

    def watched(real: Any) -> Any:
        def run(**given: Any) -> Any:
            wall, cpu = time.perf_counter(), time.process_time()
            try:
                return real(**given)
            finally:
                spent = time.perf_counter() - wall, time.process_time() - cpu
                held.append(f"{spent[0]:.2f} s wall, {spent[1]:.2f} s processor")

        return run

    imports.apply_import = watched(imports.apply_import)
    import_undo.take_back_import = watched(import_undo.take_back_import)


def _import(body: bytes, by: Any, words: str) -> Any:
    """Preview and apply through the jobs; gives the upload, seconds, and rows by fate."""
    from django.utils import timezone

    from company import jobs
    from company.models import Job
    from devices import imports
    from devices.actions.imports import ask_to_apply, check_key, receive_workbook

    upload = receive_workbook(name="book.xlsx", content=body, kind=imports.KIND, by=by, at=timezone.now())
    with _timed(f"{words}: preview") as spent:
        jobs.run_ready(1)
    job = Job.objects.get(key=check_key(upload))
    assert job.state == "done", job.error
    assert not job.result["faults"], job.result
    fates = sum((Counter(fates) for fates in job.result["counts"].values()), Counter())
    if not job.result["is_empty"]:
        apply = ask_to_apply(upload=upload, seen=job.result, by=by, at=timezone.now())
        with _timed(f"{words}: apply") as more:
            jobs.run_ready(1)
        apply.refresh_from_db()
        assert apply.state == "done", apply.error
        spent[0] += more[0]
        with _timed(f"{words}: due dates afterwards, in the background"):
            jobs.run_ready()
    return upload, spent[0], dict(fates)


def _export(by: Any, words: str) -> bytes:
    """Everything as a workbook, through the job."""
    from django.utils import timezone

    from company import jobs
    from company.models import Upload
    from devices.actions.exports import ask_for_export

    job = ask_for_export(format="xlsx", by=by, at=timezone.now())
    with _timed(f"{words}: export"):
        jobs.run_ready(1)
    job.refresh_from_db()
    assert job.state == "done", job.error
    return bytes(Upload.objects.get(uuid=job.result["upload"]).content)


def _take_back(upload: Any, by: Any) -> None:
    from django.utils import timezone

    from company import jobs
    from devices.actions.import_undo import ask_to_take_back

    job = ask_to_take_back(upload=upload, by=by, at=timezone.now())
    with _timed("first: taking it back, which empties the firm"):
        jobs.run_ready(1)
    job.refresh_from_db()
    assert job.state == "done", job.error


def _cells(body: bytes) -> dict[str, Any]:
    from company.spreadsheets import read_workbook

    return {
        s.name: [row.cells for row in s.rows] for s in read_workbook([("x.xlsx", body)]).sheets if s.name[:5] != "notes"
    }


def _measure(n_slots: int) -> None:
    from django.core.management import call_command
    from django.db import connection

    from tests.factories import make_user

    call_command("migrate", verbosity=0)
    call_command("load_catalogue", verbosity=0)
    office = make_user("office")
    body = _workbook(n_slots)
    print(f"{n_slots} slots, {len(body) / 1e6:.1f} MB, {connection.vendor}, {_peak_mb():.0f} MB before")
    held: list[str] = []
    _watch_writing(held)
    upload, spent, fates = _import(body, office, "first")
    print("rows:", fates)
    print(f"preview and applying {spent:.1f} s (bar {BAR_S}), peak {_peak_mb():.0f} MB (bar {BAR_MB})")
    print(f"writing transaction {held[0]} (bar {BAR_WRITING_S} on SQLite)")
    print("the same file again:", _import(body, office, "again")[2])
    exported = _export(office, "first")
    print("the export into the same firm:", _import(exported, office, "export")[2])
    _take_back(upload, office)
    print(f"taking back held the database {held[-1]}")
    _, spent, again = _import(exported, office, "export into the empty firm")
    print(f"rows: {again}; preview and applying {spent:.1f} s, writing transaction {held[-1]}")
    same = _cells(_export(office, "second")) == _cells(exported)
    print(f"exported again, cell for cell the same: {same}; peak {_peak_mb():.0f} MB")


if __name__ == "__main__":
    main()
