"""Try everything with an invented firm: migrate, load it if it is not there, print the accounts, serve."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from company.errors import Refused
from maintenance.management.demo.load import Wish, is_loaded, load_firm
from maintenance.management.demo.people import ACCOUNTS


def iso_day(text: str) -> date:
    """Day from YYYY-MM-DD."""
    return date.fromisoformat(text)


class Command(BaseCommand):
    """`manage.py demo`."""

    help = "Load the demo firm if it is not there, print its accounts and serve it on this machine."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="load only")
        parser.add_argument("--seed", type=int, default=21, help="another seed makes another firm")
        parser.add_argument(
            "--scale",
            type=float,
            default=1,
            help="1 = 1,500 transmitters; over 100 = number of transmitters, up to 100000",
        )
        parser.add_argument(
            "--today", type=iso_day, help="day that the history ends on, as YYYY-MM-DD (default: today)"
        )
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, **options: Any) -> None:
        if not settings.DEMO:
            raise CommandError("DEMO is switched off. Start it as `manage.py demo` with DEMO unset, or with DEMO=yes.")
        call_command("migrate", verbosity=0, interactive=False)
        self._load(options)
        self._print_accounts()
        if not options["no_serve"]:
            self.stdout.write(f"Open http://{options['host']}:{options['port']}/")
            self.stdout.flush()
            call_command("serve", host=options["host"], port=options["port"], stdout=self.stdout)

    def _load(self, options: dict[str, Any]) -> None:
        now = timezone.now()
        today = options["today"] or timezone.localdate(now)
        try:
            wish = Wish.of(
                seed=options["seed"],
                today=today,
                scale=options["scale"],
                now=now if today == timezone.localdate(now) else None,
            )
            if not is_loaded():
                self.stdout.write(f"Loading the demo firm as of {today:%d %B %Y}. This takes up to a minute.")
                self.stdout.flush()
            firm = load_firm(wish)
        except (Refused, ValueError) as refusal:
            raise CommandError(str(refusal)) from refusal
        if firm is None:
            self.stdout.write("The demo firm is there already; nothing was changed.")
        else:
            self.stdout.write(
                f"Loaded: {len(firm.sites)} sites, {len(firm.receivers)} receivers, {len(firm.transmitters)} transmitters."
            )

    def _print_accounts(self) -> None:
        self.stdout.write("\nAccounts (they open this demo and nothing else):")
        for account in ACCOUNTS:
            self.stdout.write(f"  {account.email:34} {account.password:24} {account.what}")
        self.stdout.write("")
        # Not a terminal: what is printed would wait in the buffer for as long as the server runs.
        self.stdout.flush()
