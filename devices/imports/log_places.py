"""Receivers that a source speaks for, found by account number, site, label, code or serial as a file spells them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from devices.actions.source_scope import receivers_of
from devices.models import IntakeSource, PanelAccount
from devices.rules.event_log import Place
from devices.rules.serials import serial_key

NAME_CHARS = 60


@dataclass(frozen=True, slots=True)
class Known:
    """One receiver of the source's scope."""

    pk: int
    code: str
    label: str
    site: str
    site_id: int


class KnownPlaces:
    """Finds what a name means; every name is looked up once.

    Names of others are as unknown as names that nobody has: what the source does not speak for is not loaded.
    """

    def __init__(self, source: IntakeSource) -> None:
        self.known: list[Known] = []
        self._by_site: dict[int, list[Known]] = defaultdict(list)
        self._units: dict[str, list[Known]] = defaultdict(list)
        self._sites: dict[str, list[Known]] = defaultdict(list)
        self._accounts: dict[str, tuple[list[Known], int]] = {}
        self._found: dict[tuple[str, str], Place] = {}
        self._load(source)
        self._load_accounts(source)

    @property
    def only(self) -> str:
        """Code of the receiver, where the source speaks for one alone; else empty."""
        return self.known[0].code if len(self.known) == 1 else ""

    def _load(self, source: IntakeSource) -> None:
        rows = receivers_of(source).order_by("pk").values_list(
            "pk", "code", "label", "serial", "site__name", "site_id", "site__code"
        )  # fmt: skip
        for pk, code, label, serial, site, site_id, site_code in rows:
            one = Known(pk, code, label, site, site_id)
            self.known.append(one)
            self._by_site[site_id].append(one)
            for name in {_plain(code), _plain(label), *([serial_key(serial)] if serial else [])}:
                self._units[name].append(one)
            for name in {_plain(site_code), _plain(site)}:
                self._sites[name].append(one)

    def _load_accounts(self, source: IntakeSource) -> None:
        by_pk = {one.pk: one for one in self.known}
        accounts = PanelAccount.objects.filter(closed_at=None)
        if source.customer_id:
            accounts = accounts.filter(customer_id=source.customer_id)
        for number, receiver_id, site_id, offset in accounts.values_list(
            "number", "receiver_id", "site_id", "slot_offset"
        ):
            mine = (
                [by_pk[receiver_id]] if receiver_id in by_pk else [] if receiver_id else self._by_site.get(site_id, [])
            )
            if mine:
                self._accounts[_bare(number)] = (mine, offset)

    def find(self, place: str, receiver: str) -> Place:
        """Find the receiver meant by a place and, in another column, a receiver; each may be empty."""
        found = self._found.get((place, receiver))
        if found is None:
            found = self._found[place, receiver] = self._look_up(place, receiver)
        return found

    def _look_up(self, place: str, receiver: str) -> Place:
        name = place or receiver
        candidates, offset = self._candidates(place) if place else (self._of_unit(receiver), None)
        if place and receiver:
            of_unit = self._of_unit(receiver)
            if candidates:
                pks = {one.pk for one in candidates}
                candidates, name = [one for one in of_unit if one.pk in pks], f"{place}, {receiver}"
            else:
                candidates = of_unit
        if len(candidates) == 1:
            return Place(candidates[0].code, offset)
        if not candidates:
            return Place(name[:NAME_CHARS], offset, is_unknown=True)
        sites = sorted({one.site for one in candidates})
        where = sites[0] if len(sites) == 1 else f"{len(sites)} sites"
        return Place(
            "",
            offset,
            f"“{name[:40]}” could be {len(candidates)} receivers at {where}. Choose a column that tells them apart.",
        )

    def _of_unit(self, name: str) -> list[Known]:
        return self._units.get(_plain(name)) or self._units.get(serial_key(name)) or []

    def _candidates(self, name: str) -> tuple[list[Known], int | None]:
        if account := self._accounts.get(_bare(name)):
            return account
        # A code is unique in the firm, a label at its site only; a site means its receivers.
        return self._of_unit(name) or self._sites.get(_plain(name)) or [], None


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _bare(number: str) -> str:
    """An account number without the zeros in front, which spreadsheet programs take away."""
    return _plain(number).lstrip("0") or "0"
