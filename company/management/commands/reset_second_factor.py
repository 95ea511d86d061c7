"""`manage.py reset_second_factor ADDRESS --reason …`: for the only manager, whose lost phone no other manager can reset."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from company.actions.people import reset_second_factor
from company.errors import Refused
from company.invitations import has_mail
from company.models import User


class Command(BaseCommand):
    help = "Take a lost second factor away; the person sets up a new one at the next sign-in. Written down as a change."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("address", help="mail address with which the person signs in")
        parser.add_argument("--reason", required=True, help="why, for the change log")

    def handle(self, *args: Any, **options: Any) -> None:
        person = User.objects.filter(email__iexact=options["address"].strip()).first()
        if person is None:
            raise CommandError(f"Nobody signs in with {options['address']}.")
        try:
            reset_second_factor(person=person, by=None, at=timezone.now(), reason=options["reason"])
        except Refused as refusal:
            raise CommandError(refusal.message) from refusal
        self.stdout.write(f"The second factor of {person.name} is taken away; they are signed out everywhere.")
        self.stdout.write("A mail tells them." if has_mail() else "No mail server is set: tell them yourself.")
