"""Event logs for tests: bytes as others export them, and the way from a file to what was taken."""

from __future__ import annotations

from typing import Any

from company import jobs
from company.models import Job, Upload, User
from devices.actions import event_files as actions
from devices.forms.event_files import initial_of
from devices.models import IntakeSource
from devices.rules.event_log import LogMap
from tests import factories

HEAD = "Time,Serial,Event\n"


def make_source(**over: Any) -> IntakeSource:
    fields = {"name": f"Centre {factories.number()}", "kind": "file", "column_map": {"zone": "Europe/London"}}
    return IntakeSource.objects.create(**(fields | over))


def hand_over(source: IntakeSource, content: bytes | str, *, name: str = "log.csv", by: User | None = None) -> Upload:
    """A file handed over and looked at."""
    body = content if isinstance(content, bytes) else content.encode()
    upload = actions.receive_file(name=name, content=body, source=source, by=by, at=factories.NOW)
    jobs.run_ready()
    return upload


def job_of(prefix: str) -> Job:
    job = Job.objects.filter(key__startswith=prefix).order_by("-pk").first()
    assert job is not None, prefix
    return job


def look_of(upload: Upload) -> dict[str, Any]:
    job = job_of(actions.look_prefix(upload))
    assert job.state == "done", job.error
    return job.result or {}


def chosen_of(upload: Upload, source: IntakeSource, **over: Any) -> LogMap:
    """What the page of columns would hold at first, with some of it chosen otherwise."""
    look = look_of(upload)
    source.refresh_from_db()
    first = initial_of(look, source.column_map, {})
    words = {key: first[f"word_{at}"] for at, (key, *_rest) in enumerate(look["words"]) if first[f"word_{at}"]}
    fields = {
        "columns": look["columns"], "head_row": look["head_row"], "sheet": look["sheet"], "words": words,
        "time_format": first["time_format"] or "iso", "zone": first["zone"] or "UTC", "is_falling": look["is_falling"],
        "every_row": first["every_row"] or "", "receiver_code": first["receiver_code"] or "",
    }  # fmt: skip
    return LogMap(**(fields | over))


def check(upload: Upload, source: IntakeSource, **over: Any) -> dict[str, Any]:
    """What the check of the file finds."""
    chosen = chosen_of(upload, source, **over)
    job = actions.choose_map(
        upload=upload, source=source, chosen=chosen, heads=look_of(upload)["heads"], by=None, at=factories.NOW
    )
    jobs.run_ready()
    job.refresh_from_db()
    assert job.state == "done", job.error
    return job.result or {}


def take(upload: Upload, source: IntakeSource, **over: Any) -> dict[str, Any]:
    """Check and take in a file; gives the counts."""
    check(upload, source, **over)
    job = actions.ask_to_take(upload=upload, check=job_of(actions.check_prefix(upload)), by=None, at=factories.NOW)
    jobs.run_ready()
    job.refresh_from_db()
    assert job.state == "done", job.error
    return job.result or {}


def problems(upload: Upload) -> list[list[Any]]:
    from devices.imports.event_logs import problems_of

    key = (job_of(actions.check_prefix(upload)).result or {})["problems"]
    return problems_of(Upload.objects.get(uuid=key))
