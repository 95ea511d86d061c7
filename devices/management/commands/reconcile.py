"""Check what is kept twice, and mend what can be worked out anew. Temperature cannot: only impossible values are shown."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from devices.actions import reconcile
from devices.actions.rollups import Difference
from devices.models import Transmitter

WORDS = {
    "interval_s": "check-in interval [s]", "days_measured": "days measured", "checkins": "check-ins",
    "activations": "activations",
}  # fmt: skip


class Command(BaseCommand):
    """`manage.py reconcile`."""

    help = (
        "Rebuild the running totals of all cells from the days of check-ins and report every difference, then every row "
        "that names another customer than what it hangs on. Temperature is in the totals only, the days hold none: there, "
        "values that cannot be (more days than the period has, a mean outside -60 to 90 degrees Celsius) are shown and never "
        "mended, and any other wrong value goes unnoticed. Ends with 1 if something was found and not mended."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--transmitter", metavar="SERIAL", default="", help="this one only")
        parser.add_argument("--site", metavar="CODE", default="", help="transmitters that stand or stood at this site")
        parser.add_argument("--write", action="store_true", help="write the totals as the days give them")

    def handle(self, *args: Any, **options: Any) -> None:
        n_units = n_found = n_impossible = 0
        today = datetime.now(UTC).date()
        chunks = reconcile.chunks_of_transmitters(serial=options["transmitter"], site_code=options["site"])
        for some in chunks:
            found = reconcile.reconcile_totals(transmitter_ids=some, mend=options["write"])
            impossible = reconcile.impossible_temperatures(transmitter_ids=some, today=today)
            n_impossible += len(impossible)
            serials = self._serials(found, impossible)
            for line in _lines(found, serials):
                self.stdout.write(line)
            for one in impossible:
                self.stdout.write(
                    f"{serials[one.transmitter_id]}, cells {one.fitting_id}, period from {one.from_on}: {one.why}"
                )
            n_units += len(some)
            n_found += len({(one.fitting_id, one.from_on) for one in found})
        if (options["transmitter"] or options["site"]) and not n_units:
            raise CommandError("No transmitter on record fits. Check the serial or the site's code.")
        foreign = list(reconcile.foreign_rows()) if not (options["transmitter"] or options["site"]) else []
        for row in foreign:
            self.stdout.write(
                f"{row.table}: {row.n} rows name another customer than their {row.parent} ({row.column}); first key {row.first_pk}"
            )
        if n_impossible:
            self.stdout.write(f"{n_impossible} periods with a temperature that cannot be; nothing here can mend them.")
        mended = " and mended" if options["write"] and n_found else ""
        self.stdout.write(
            f"{n_units} transmitters checked: {n_found} differences found{mended}, {sum(row.n for row in foreign)} rows of another customer."
        )
        advice = _advice(bool(foreign), n_impossible > 0, bool(n_found) and not options["write"])
        if advice:
            raise CommandError(f"The records do not agree. {advice}", returncode=1)

    def _serials(self, found: list[Difference], impossible: list[reconcile.ImpossibleTemperature]) -> dict[int, str]:
        pks = {one.transmitter_id for one in found} | {one.transmitter_id for one in impossible}
        return dict(Transmitter.objects.filter(pk__in=pks).values_list("pk", "serial"))


def _advice(has_foreign: bool, has_impossible: bool, can_mend: bool) -> str:
    """Say what to do about what was found and not mended; empty where there is nothing."""
    said = [
        "Rows of another customer must be looked into by hand." if has_foreign else "",
        "Temperatures that cannot be must be looked into by hand." if has_impossible else "",
        "Run it again with --write." if can_mend and not has_foreign else "",
    ]
    return " ".join(filter(None, said))


def _lines(found: list[Difference], serials: dict[int, str]) -> Iterator[str]:
    for one in found:
        said = ["no row" if value is None else str(value) for value in (one.recorded, one.rebuilt)]
        yield (
            f"{serials.get(one.transmitter_id, one.transmitter_id)}, cells {one.fitting_id}, period from {one.from_on}: "
            f"{WORDS[one.name]} {said[0]}, by the days {said[1]}"
        )
