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
from devices.forms.event_files import KIND_LABELS
from devices.imports.event_logs import checked, problems_of
from devices.imports.log_rows import open_log
from devices.management.log_choices import NEW_WORDS, NOTHING_TAKEN, NewWord, choose, given_map, wrong
from devices.models import IntakeSource
from devices.rules.event_words import IGNORE

ROWS_REFUSED = 1
POLL_S = 0.5


class Command(BaseCommand):
    """`manage.py intake`."""

    help = (
        "Take in an event log (CSV, TSV or XLSX; - reads it from standard input) of a source for files. Columns, form of the "
        "times and words are those that the source remembers, else as proposed; what cannot be told from the file is asked "
        "for. Choices go with --map, a JSON object or the name of a file with one: "
        '{"columns": {"time": "Date/Time", "event": "Code", "serial": 3}, "time_format": "dmy", "zone": "Europe/London", '
        '"words": {"E384": "low_battery", "Opening": "ignore"}}; columns by heading or by number from 1. Words that neither '
        "the source nor --map knows, and that are no published code, stop it: nobody has seen what they are taken for. "
        "Ends with 1 if rows were refused, with 2 if nothing was taken, with 3 if words are new (nothing was taken)."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE", help="the log; - for standard input")
        parser.add_argument("--source", metavar="NAME", required=True, help="name of the source, as on its page")
        parser.add_argument("--dry-run", action="store_true", help="say what it would do; take nothing, keep nothing")
        parser.add_argument(
            "--accept-words",
            action="store_true",
            help="take new words for what is proposed; look at them in a dry run first",
        )
        parser.add_argument("--map", metavar="JSON", default="", help="choices: JSON, or a file with it")
        parser.add_argument("--name", default="", help="name of the file on pages; needed for no more than looks")
        parser.add_argument("--problems", type=int, default=20, metavar="N", help="refused rows to print, at most (20)")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            self._hand_over(options)
        except Refused as refusal:
            raise wrong(refusal.message) from None

    def _hand_over(self, options: dict[str, Any]) -> None:
        given = given_map(options["map"])
        source = _source(options["source"])
        name, content = _read(options["file"], options["name"])
        actions.must_be_open(source)
        # Everything is looked at before a row is written: a slip of the hand leaves nothing behind.
        log = open_log(name, content)
        choice = choose(log, source, given)
        if options["dry_run"]:
            found = checked(log, source, choice.chosen, lambda n, row: None)
            self._tell(found.result(), [[one.row, one.field, one.why] for one in found.problems], options["problems"])
        self._stop_for(choice.new_words, is_accepting=options["accept_words"])
        if options["dry_run"]:
            self.stdout.write("Nothing was taken and nothing is kept: this was a dry run.")
            return
        upload = actions.receive_file(
            name=name, content=content, source=source, draft=choice.chosen.as_json(), by=None, at=timezone.now()
        )
        self._done(Job.objects.filter(key__startswith=actions.look_prefix(upload)).latest("pk"))
        check = actions.choose_map(
            upload=upload, source=source, chosen=choice.chosen, heads=choice.look["heads"], by=None, at=timezone.now()
        )  # fmt: skip
        seen = self._done(check)
        kept = Upload.objects.filter(kind=actions.SEEN_KIND, uuid=seen["problems"]).first()
        self._tell(seen, problems_of(kept) if kept else [], options["problems"])
        self._take(upload, check)

    def _stop_for(self, words: list[NewWord], *, is_accepting: bool) -> None:
        """End where the file holds words of which nobody has said what they mean: a guess must not raise or end alarms unseen."""
        for word in words:
            meaning = f"perhaps {word.guess}" if word.guess else "nobody can guess"
            self.stdout.write(f"  new word: “{word.shown}”, {word.n} rows: {meaning}")
        if not words or (is_accepting and all(word.guess for word in words)):
            return
        sample = json.dumps({"words": {word.key: word.guess or IGNORE for word in words[:3]}}, ensure_ascii=False)
        with_guess = "" if is_accepting else " --accept-words takes what stands behind “perhaps”."
        raise wrong(
            f"{len(words)} words of this file are new to the source. Nothing was taken. Say what they mean, such as "
            f"--map '{sample}', or upload the file on the page “Event logs” and choose there.{with_guess}",
            NEW_WORDS,
        )

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

    def _tell(self, seen: dict[str, Any], problems: list[list[Any]], most: int) -> None:
        self.stdout.write(
            f"{seen['n_rows']} rows: {seen['n_events'] - seen['n_set_aside']} to take, {seen['n_set_aside']} to set aside, "
            f"{seen['n_refused']} refused, {seen['n_ignored']} left out. "
            f"{seen['n_units']} transmitters on {seen['n_days']} days, {seen['n_days_heard']} of these heard already."
        )
        for kind, n in seen["kinds"]:
            self.stdout.write(f"  {KIND_LABELS[kind]}: {n}")
        lists = (
            ("left out", seen["left"]), ("unknown serials", seen["unknown"]), ("unknown places", seen["nowhere"])
        )  # fmt: skip
        for what, names in lists:
            if names:
                self.stdout.write(f"  {what}: " + ", ".join(f"{name} ({n})" for name, n in names[:most]))
        for why, n in seen.get("unread", ()):
            self.stdout.write(f"  value not read, its row taken without it: {why} ({n})")
        for row, _field, why in problems[:most]:
            self.stdout.write(f"  row {row}: {why}")
        if seen["n_refused"] > most:
            self.stdout.write(f"  and {seen['n_refused'] - most} more")


def _read(file: str, name: str) -> tuple[str, bytes]:
    if file == "-":
        return name or "standard input.csv", sys.stdin.buffer.read()
    path = Path(file)
    if not path.is_file():
        raise wrong(f"There is no file {file}.")
    return name or path.name, path.read_bytes()


def _source(name: str) -> IntakeSource:
    """The source with this very name, else the only one whose name differs in capitals alone."""
    found = list(IntakeSource.objects.filter(name__iexact=name).order_by("pk"))
    found = [one for one in found if one.name == name] or found
    if len(found) == 1:
        return found[0]
    if found:
        raise wrong(
            f"Several sources are called so: {', '.join(f'“{one.name}”' for one in found)}. Give the very name."
        )
    names = IntakeSource.objects.filter(kind=IntakeSource.Kind.FILE, is_active=True).order_by("name")
    known = ", ".join(f"“{one}”" for one in names.values_list("name", flat=True)[:20])
    advice = f"Known are {known}." if known else "Make one on the page “Event logs” first."
    raise wrong(f"There is no source “{name}”. {advice}")
