"""Check what is kept twice, and mend what can be worked out anew."""

from __future__ import annotations

from collections.abc import Iterator
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
        "that names another customer than what it hangs on. Ends with 1 if something was found and not mended."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--transmitter", metavar="SERIAL", default="", help="this one only")
        parser.add_argument("--site", metavar="CODE", default="", help="transmitters that stand or stood at this site")
        parser.add_argument("--write", action="store_true", help="write the totals as the days give them")

    def handle(self, *args: Any, **options: Any) -> None:
        n_units = n_found = 0
        chunks = reconcile.chunks_of_transmitters(serial=options["transmitter"], site_code=options["site"])
        for some in chunks:
            found = reconcile.reconcile_totals(transmitter_ids=some, mend=options["write"])
            serials = self._serials(found)
            for line in _lines(found, serials):
                self.stdout.write(line)
            n_units += len(some)
            n_found += len({(one.fitting_id, one.from_on) for one in found})
        if (options["transmitter"] or options["site"]) and not n_units:
            raise CommandError("No transmitter on record fits. Check the serial or the site's code.")
        foreign = list(reconcile.foreign_rows()) if not (options["transmitter"] or options["site"]) else []
        for row in foreign:
            self.stdout.write(
                f"{row.table}: {row.n} rows name another customer than their {row.parent} ({row.column}); first key {row.first_pk}"
            )
        mended = " and mended" if options["write"] and n_found else ""
        self.stdout.write(
            f"{n_units} transmitters checked: {n_found} differences found{mended}, {sum(row.n for row in foreign)} rows of another customer."
        )
        if foreign or (n_found and not options["write"]):
            advice = (
                "Rows of another customer must be looked into by hand." if foreign else "Run it again with --write."
            )
            raise CommandError(f"The records do not agree. {advice}", returncode=1)

    def _serials(self, found: list[Difference]) -> dict[int, str]:
        pks = {one.transmitter_id for one in found}
        return dict(Transmitter.objects.filter(pk__in=pks).values_list("pk", "serial"))


def _lines(found: list[Difference], serials: dict[int, str]) -> Iterator[str]:
    for one in found:
        said = ["no row" if value is None else str(value) for value in (one.recorded, one.rebuilt)]
        yield (
            f"{serials.get(one.transmitter_id, one.transmitter_id)}, cells {one.fitting_id}, period from {one.from_on}: "
            f"{WORDS[one.name]} {said[0]}, by the days {said[1]}"
        )
