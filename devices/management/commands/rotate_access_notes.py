"""`manage.py rotate_access_notes`: seal access notes, second factors and keys of panels with the newest key; the old one
can then go. It stands in this app because it must reach what every app below keeps sealed.
"""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from company.actions.factors import reseal_second_factors
from company.errors import Refused
from company.models import User
from devices.actions.panels import reseal_panel_keys
from devices.models import PanelAccount
from sites.actions import reseal_access_notes


class Command(BaseCommand):
    help = (
        "Seal every access note, second factor and key of a panel with the first of ACCESS_NOTE_KEYS. Put the new key in front of the "
        "old ones, restart, run this, then take the old keys out. It may be broken off and run again at any time."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            done = reseal_access_notes(by=None, at=timezone.now())
            factors = reseal_second_factors(by=None, at=timezone.now())
            panels = reseal_panel_keys(by=None, at=timezone.now())
        except Refused as refusal:
            raise CommandError(refusal.message) from refusal
        self.stdout.write(f"{done.n_resealed} notes sealed anew, {done.n_already} had the newest key already.")
        self.stdout.write(
            f"{factors.n_resealed} second factors sealed anew, {factors.n_already} had the newest key already."
        )
        self.stdout.write(
            f"{panels.n_resealed} keys of panels sealed anew, {panels.n_already} had the newest key already."
        )
        lost = _lost_notes(done.unopened) + _lost_factors(factors.unopened) + _lost_panels(panels.unopened)
        if lost:
            raise CommandError("\n".join(lost))


def _lost_notes(unopened: tuple[int, ...]) -> list[str]:
    if not unopened:
        return []
    numbers = ", ".join(str(pk) for pk in unopened)
    return [
        f"{len(unopened)} notes cannot be opened with any of the keys given: {numbers}. Keep the old keys, "
        "add the key they were sealed with, and run this again; or have those notes written anew."
    ]


def _lost_factors(unopened: tuple[int, ...]) -> list[str]:
    if not unopened:
        return []
    whose = User.objects.filter(authenticator__in=unopened).order_by("email").distinct()
    people = list(whose.values_list("email", flat=True))
    return [
        f"The second factors of {len(people)} people cannot be opened: {', '.join(people)}. Add "
        "the key and run this again, or reset them with manage.py reset_second_factor."
    ]


def _lost_panels(unopened: tuple[int, ...]) -> list[str]:
    if not unopened:
        return []
    numbers = list(PanelAccount.objects.filter(pk__in=unopened).order_by("number").values_list("number", flat=True))
    return [
        f"The keys of {len(numbers)} panels cannot be opened: {', '.join(numbers)}. Add the key they were sealed with and "
        "run this again, or enter them anew on the panels' pages."
    ]
