"""Bring the shipped catalogue into the database."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from devices.actions.catalogue import load_catalogue


class Command(BaseCommand):
    help = "Bring the shipped battery, transmitter and receiver types into the database. May be repeated."

    def handle(self, *args: Any, **options: Any) -> None:
        done = load_catalogue(at=timezone.now())
        self.stdout.write(
            f"Catalogue: {done.n_new} new, {done.n_changed} brought up to date, {done.n_retired} retired, "
            f"{done.n_own} of your own left as they are."
        )
        for code in done.own_codes:
            self.stdout.write(f"  {code}: yours stays; this release has a type of that code too, which is not in use.")
