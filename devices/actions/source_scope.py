"""What a source means by a receiver or a site, within what it speaks for; nothing of others is ever found. Reads only."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import connection
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from company.errors import Refused
from devices.actions.asks import Ask, ask
from devices.actions.intake_sql import Scope, stations_named
from devices.models import IntakeSource, Receiver
from devices.rules.intake_places import Stations
from sites.models import Site


class NotItsOwn(Refused):
    """No receiver or site of this name among those that the source speaks for. It says the same of others' and of none."""


class SeveralMeant(Refused):
    """Two receivers have this label."""


def receivers_of(source: IntakeSource) -> QuerySet[Receiver]:
    """Receivers that hang and that the source speaks for; without a customer all of the firm's."""
    rows = Receiver.objects.filter(removed_at=None)
    if source.site_id is not None:
        rows = rows.filter(site_id=source.site_id)
    return rows.filter(customer_id=source.customer_id) if source.customer_id is not None else rows


# Written out, since nearly every batch asks it: see `sources.source_of`. The codes of sites are unique by their capitals.
_OF_SITE = ("id", "customer_id", "code", "name")
_SITE = f"SELECT {', '.join(_OF_SITE)} FROM sites_site WHERE closed_at IS NULL AND UPPER({{}}) = UPPER(%s) ORDER BY id"


def site_meant(source: IntakeSource, word: str) -> Site:
    """The site with this code, or this name where no code is alike.

    Raises
    ------
    NotItsOwn
    """
    for column in ("code", "name"):
        rows = ask(Ask(_SITE.format(column), [word]))[0]
        sites = [Site.from_db(connection.alias, _OF_SITE, values) for values in rows]
        found = [row for row in sites if _speaks_for(source, row)]
        if len(found) == 1:
            return found[0]
    raise NotItsOwn(_("This token speaks for no such site. Look at its code in the ledger."))


def _speaks_for(source: IntakeSource, site: Site) -> bool:
    return source.customer_id in (None, site.customer_id) and source.site_id in (None, site.pk)


def receiver_meant(source: IntakeSource, word: str, site: Site | None = None) -> Receiver:
    """The receiver with this code, serial or label, in this order.

    Raises
    ------
    NotItsOwn, SeveralMeant
    """
    rows = receivers_of(source).select_related("site")
    if site is not None:
        rows = rows.filter(site=site)
    found = (
        list(rows.filter(Q(code=word.upper()) | Q(serial__iexact=word) | Q(label__iexact=word))[:50]) if word else []
    )
    for name in ("code", "serial", "label"):
        same = [row for row in found if getattr(row, name).casefold() == word.casefold()]
        if len(same) > 1:
            raise SeveralMeant(_("Several receivers have this name. Give the code that stands on the receiver’s page."))
        if same:
            return same[0]
    raise NotItsOwn(_("This token speaks for no such receiver. Look at its code in the ledger."))


def receivers_unknown(source: IntakeSource, words: Iterable[str], site: Site | None) -> set[str]:
    """Those of some words that mean no receiver, or several, of the batch's site or of all that the source speaks for.

    The same of a receiver of others as of one that does not exist. Unlike the one of a batch it may hang no more: rows tell of
    days that are past.
    """
    wanted = set(words)
    if not wanted:
        return wanted
    found = Stations(stations_named(wanted, Scope(source.customer_id, site.pk if site else source.site_id)))
    return {word for word in wanted if found.meant(word) is None}
