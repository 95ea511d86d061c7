"""`manage.py rotate_access_notes`: seal access notes and second factors with the newest key; the old one can then go."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from company.actions.factors import reseal_second_factors
from company.errors import Refused
from company.models import User
from sites.actions import reseal_access_notes


class Command(BaseCommand):
    help = (
        "Seal every access note and second factor with the first of ACCESS_NOTE_KEYS. Put the new key in front of the "
        "old ones, restart, run this, then take the old keys out. It may be broken off and run again at any time."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            done = reseal_access_notes(by=None, at=timezone.now())
            factors = reseal_second_factors(by=None, at=timezone.now())
        except Refused as refusal:
            raise CommandError(refusal.message) from refusal
        self.stdout.write(f"{done.n_resealed} notes sealed anew, {done.n_already} had the newest key already.")
        self.stdout.write(
            f"{factors.n_resealed} second factors sealed anew, {factors.n_already} had the newest key already."
        )
        lost = []
        if done.unopened:
            numbers = ", ".join(str(pk) for pk in done.unopened)
            lost.append(
                f"{len(done.unopened)} notes cannot be opened with any of the keys given: {numbers}. Keep the old keys, "
                "add the key they were sealed with, and run this again; or have those notes written anew."
            )
        if factors.unopened:
            whose = User.objects.filter(authenticator__in=factors.unopened).order_by("email").distinct()
            people = list(whose.values_list("email", flat=True))
            lost.append(
                f"The second factors of {len(people)} people cannot be opened: {', '.join(people)}. Add "
                "the key and run this again, or reset them with manage.py reset_second_factor."
            )
        if lost:
            raise CommandError("\n".join(lost))
