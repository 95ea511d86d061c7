"""Hand an event log over from the command line: the same way as on the pages, without a browser."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from company import jobs
from company.errors import Refused
from company.models import Job, Upload
from devices.actions import event_files as actions
from devices.forms.event_files import KIND_LABELS, initial_of
from devices.imports.event_logs import problems_of
from devices.imports.log_rows import refuse_log
from devices.models import IntakeSource
from devices.rules.event_log import FIELDS, LogMap
from devices.rules.event_log_guess import plain_head
from devices.rules.event_log_times import FORMATS
from devices.rules.event_words import IGNORE, take_apart

ROWS_REFUSED, NOTHING_TAKEN = 1, 2
POLL_S = 0.5


class Command(BaseCommand):
    """`manage.py intake`."""

    help = (
        "Take in an event log (CSV, TSV or XLSX; - reads it from standard input) of a source for files. Columns, form of the "
        "times and words are those that the source remembers, else as proposed; what cannot be told from the file is asked "
        "for. Choices go with --map, a JSON object or the name of a file with one: "
        '{"columns": {"time": "Date/Time", "event": "Code", "serial": 3}, "time_format": "dmy", "zone": "Europe/London", '
        '"words": {"E384": "low_battery", "Opening": "ignore"}, "others": "ignore"}; columns by heading or by number from 1. '
        "Ends with 1 if rows were refused, with 2 if nothing was taken."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE", help="the log; - for standard input")
        parser.add_argument("--source", metavar="NAME", required=True, help="name of the source, as on its page")
        parser.add_argument("--dry-run", action="store_true", help="say what it would do, take nothing")
        parser.add_argument("--map", metavar="JSON", default="", help="choices: JSON, or a file with it")
        parser.add_argument("--name", default="", help="name of the file on pages; needed for no more than looks")
        parser.add_argument("--problems", type=int, default=20, metavar="N", help="refused rows to print, at most (20)")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            self._hand_over(options)
        except Refused as refusal:
            raise CommandError(refusal.message, returncode=NOTHING_TAKEN) from None

    def _hand_over(self, options: dict[str, Any]) -> None:
        given = _given_map(options["map"])
        source = IntakeSource.objects.filter(name__iexact=options["source"]).first()
        if source is None:
            raise CommandError(_no_source(options["source"]), returncode=NOTHING_TAKEN)
        name, content = _read(options["file"], options["name"])
        refuse_log(name, content)
        upload = actions.receive_file(name=name, content=content, source=source, by=None, at=timezone.now())
        look = self._done(Job.objects.filter(key__startswith=actions.look_prefix(upload)).latest("pk"))
        draft = _columns_of(given, look["heads"])
        if {"event", "state", "time"} & draft.get("columns", {}).keys() or "head_row" in given or "sheet" in given:
            wanted = {**given, "columns": {**look["columns"], **draft.get("columns", {})}}
            look = self._done(actions.ask_to_look(upload=upload, source=source, draft=wanted, by=None))
            draft = _columns_of(given, look["heads"])
        chosen = _chosen(look, source, {**given, **draft})
        check = actions.choose_map(
            upload=upload, source=source, chosen=chosen, heads=look["heads"], by=None, at=timezone.now()
        )  # fmt: skip
        self._tell(self._done(check), options["problems"])
        if options["dry_run"]:
            self.stdout.write("Nothing was taken: this was a dry run.")
            return
        self._take(upload, check)

    def _take(self, upload: Upload, check: Job) -> None:
        check.refresh_from_db()
        taken = self._done(actions.ask_to_take(upload=upload, check=check, by=None, at=timezone.now()))
        again = " All of it was here already." if taken["n_parts"] and taken["n_parts"] == taken["n_repeats"] else ""
        self.stdout.write(
            f"Taken in: {taken['n_taken']} rows; set aside {taken['n_set_aside']}, refused {taken['n_refused']}, left out "
            f"{taken['n_ignored']}, times cut {taken['n_clamped']}; {taken['n_parts']} batches, {taken['n_repeats']} of them "
            f"known.{again}"
        )
        if not taken["n_taken"]:
            raise CommandError("No row was taken.", returncode=NOTHING_TAKEN)
        if taken["n_refused"]:
            raise CommandError(f"{taken['n_refused']} rows were refused.", returncode=ROWS_REFUSED)

    def _done(self, job: Job) -> dict[str, Any]:
        """Do the job here, or wait for a worker that was quicker; gives its result."""
        while not jobs.run(job.pk):
            job.refresh_from_db()
            if job.is_over:
                break
            time.sleep(POLL_S)
        job.refresh_from_db()
        while not job.is_over:
            time.sleep(POLL_S)
            jobs.run(job.pk)
            job.refresh_from_db()
        if job.state == Job.State.FAILED:
            raise CommandError(job.error, returncode=NOTHING_TAKEN)
        return job.result or {}

    def _tell(self, seen: dict[str, Any], most: int) -> None:
        self.stdout.write(
            f"{seen['n_rows']} rows: {seen['n_events'] - seen['n_set_aside']} to take, {seen['n_set_aside']} to set aside, "
            f"{seen['n_refused']} refused, {seen['n_ignored']} left out. "
            f"{seen['n_units']} transmitters on {seen['n_days']} days, {seen['n_days_heard']} of these heard already."
        )
        for kind, n in seen["kinds"]:
            self.stdout.write(f"  {KIND_LABELS[kind]}: {n}")
        for what, names in (("unknown serials", seen["unknown"]), ("unknown places", seen["nowhere"])):
            if names:
                self.stdout.write(f"  {what}: " + ", ".join(f"{name} ({n})" for name, n in names[:most]))
        kept = Upload.objects.filter(kind=actions.SEEN_KIND, uuid=seen["problems"]).first()
        for row, _field, why in problems_of(kept)[:most] if kept else []:
            self.stdout.write(f"  row {row}: {why}")
        if seen["n_refused"] > most:
            self.stdout.write(f"  and {seen['n_refused'] - most} more")


def _read(file: str, name: str) -> tuple[str, bytes]:
    if file == "-":
        return name or "standard input.csv", sys.stdin.buffer.read()
    path = Path(file)
    if not path.is_file():
        raise CommandError(f"There is no file {file}.", returncode=NOTHING_TAKEN)
    return name or path.name, path.read_bytes()


def _no_source(name: str) -> str:
    names = IntakeSource.objects.filter(kind=IntakeSource.Kind.FILE, is_active=True).order_by("name")
    known = ", ".join(f"“{one}”" for one in names.values_list("name", flat=True)[:20])
    advice = f"Known are {known}." if known else "Make one on the page “Event logs” first."
    return f"There is no source “{name}”. {advice}"


def _given_map(text: str) -> dict[str, Any]:
    if not text:
        return {}
    if not text.lstrip().startswith("{") and Path(text).is_file():
        text = Path(text).read_text(encoding="utf-8")
    try:
        given = json.loads(text)
    except ValueError as wrong:
        raise CommandError(f"--map is no JSON: {wrong}.", returncode=NOTHING_TAKEN) from None
    if not isinstance(given, dict):
        raise CommandError("--map must be a JSON object.", returncode=NOTHING_TAKEN)
    unknown = given.keys() - LogMap.__dataclass_fields__.keys()
    if unknown:
        raise CommandError(
            f"--map knows no “{min(unknown)}”. It knows {', '.join(LogMap.__dataclass_fields__)}.", returncode=2
        )
    return given


def _columns_of(given: dict[str, Any], heads: list[str]) -> dict[str, Any]:
    """Columns of --map by their place, counted from 0; they may be given by heading or by number from 1."""
    if "columns" not in given:
        return {}
    names = [plain_head(head) for head in heads]
    columns: dict[str, int] = {}
    for name, where in given["columns"].items():
        if name not in FIELDS:
            raise CommandError(f"--map knows no column “{name}”. It knows {', '.join(FIELDS)}.", returncode=2)
        at = (
            where - 1
            if isinstance(where, int)
            else names.index(plain_head(where))
            if plain_head(where) in names
            else -1
        )
        if not 0 <= at < len(heads):
            raise CommandError(
                f"The file has no column “{where}”. It has {', '.join(filter(None, heads))}.", returncode=2
            )
        columns[name] = at
    return {"columns": columns}


def _chosen(look: dict[str, Any], source: IntakeSource, given: dict[str, Any]) -> LogMap:
    """What the page of columns would hold, with what --map says; asks for what neither tells."""
    source.refresh_from_db()
    first = initial_of(look, source.column_map, {})
    words = {key: first[f"word_{at}"] for at, (key, *_rest) in enumerate(look["words"]) if first[f"word_{at}"]}
    words |= {take_apart(text).key: kind for text, kind in given.get("words", {}).items()}
    wrong = {kind for kind in words.values() if kind not in KIND_LABELS and kind != IGNORE}
    if wrong:
        raise CommandError(
            f"There is no kind of event “{min(wrong)}”. Kinds are {', '.join(KIND_LABELS)}.", returncode=2
        )
    fields: dict[str, Any] = {
        "columns": look["columns"], "head_row": look["head_row"], "sheet": look["sheet"], "words": words,
        "time_format": given.get("time_format") or first["time_format"], "zone": given.get("zone") or first["zone"] or "UTC",
        "is_falling": look["is_falling"], "others": given.get("others") or first["others"] or "refuse",
        "every_row": given.get("every_row") or first["every_row"], "slot_offset": given.get("slot_offset", first["slot_offset"] or 0),
        "receiver_code": given.get("receiver_code") or first["receiver_code"],
    }  # fmt: skip
    fields["columns"] = {**fields["columns"], **given.get("columns", {})}
    _must_be_whole(fields)
    return LogMap(**fields)


def _must_be_whole(fields: dict[str, Any]) -> None:
    if "time" not in fields["columns"]:
        raise CommandError('No column looks like a time. Say which: --map \'{"columns": {"time": 1}}\'.', returncode=2)
    if fields["time_format"] not in FORMATS:
        raise CommandError(
            'Day and month cannot be told apart in this file. Say which comes first: --map \'{"time_format": "dmy"}\' or "mdy".',
            returncode=NOTHING_TAKEN,
        )  # fmt: skip
    if "event" not in fields["columns"] and not fields["every_row"]:
        raise CommandError(
            'No column looks like codes or words of events. Say which: --map \'{"columns": {"event": 3}}\', or what every row '
            'is: --map \'{"every_row": "check_in"}\'.',
            returncode=NOTHING_TAKEN,
        )  # fmt: skip
