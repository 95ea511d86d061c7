"""The mail about faults itself: its words out of templates/mail/, and handing it to the mail server."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from smtplib import SMTPException
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.mail import EmailMultiAlternatives, get_connection
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, ngettext

from company.actions import ensure_firm
from company.manner import manner_of, moment_said, spoken, written_as
from company.templatetags.days import zone_words
from devices.models import Fault, Registration
from maintenance.models import FaultNotice, NoticeRule
from maintenance.querysets import notices as read
from maintenance.querysets.fault_places import has_standby, slot_now, state_of
from maintenance.querysets.fault_ways import with_ways
from maintenance.rules.fault_ends import After, ended_elsewhere, over_words
from maintenance.rules.fault_words import LIFE_SAFETY, meaning, rank, span_words, was
from maintenance.rules.notice_flaps import AGAIN_WITHIN, times_since

MAIL_FAILURES = (SMTPException, OSError, UnicodeError)
"""What a mail server, the way to it, or an address that it does not take, may answer with."""
MOST_LINES = 40
"""So many faults are named in one mail, worst first; the rest is counted by site, and stands on the list of faults."""
MOST_SITES = 30
"""So many sites are counted one by one."""
SUMMED_FROM = 4
"""A mail of so many faults, or of several sites, begins with how many there are where."""


@dataclass(frozen=True, slots=True)
class Line:
    """One fault in a mail."""

    where: str
    since: str
    more: str
    url: str


@dataclass(frozen=True, slots=True)
class Alike:
    """Faults of one site about which the same is to be said and done: it is said once.

    `do` of those that are over says how they ended and what is left.
    """

    kind: str
    what: str
    do: str
    is_grave: bool
    is_over: bool
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class SiteLines:
    """Faults of one site in a mail; `zone` says by whose clock where that is not the firm's."""

    site: str
    customer: str
    zone: str
    parts: tuple[Alike, ...]


@dataclass(frozen=True, slots=True)
class SiteSum:
    """How many faults a site has, in words: "3 missing, 2 low battery"."""

    site: str
    customer: str
    n: int
    kinds: str


def addresses(text: str) -> list[str]:
    """Addresses of a rule, one a line, each once."""
    return list(dict.fromkeys(line.strip() for line in text.splitlines() if line.strip()))


def compose(notice: FaultNotice, faults: Sequence[Fault], at: datetime) -> EmailMultiAlternatives:
    """Write the mail of a notice about these faults, worst first, in the language and manner of the firm."""
    firm = ensure_firm()
    with spoken(firm.language), written_as(manner_of(firm)):
        context = _context(notice, faults) | {"firm": firm}
        return _mail(_subject(notice, faults), context, addresses(notice.rule.recipients), f"fault-{notice.uuid}")


def compose_test(rule: NoticeRule, at: datetime, *, words: str) -> EmailMultiAlternatives:
    """A mail that only shows that mails arrive; `words` says what the rule tells of."""
    firm = ensure_firm()
    with spoken(firm.language), written_as(manner_of(firm)):
        if not rule.is_active:
            words = gettext("%(words)s. This rule is switched off: until it is switched on it tells nobody.") % {
                "words": words
            }
        context = {"firm": firm, "rule": rule, "words": words, "rules_url": _address("maintenance:notice_rule_list")}
        subject = gettext("Test: mails about faults reach you")
        return _mail(subject, context, addresses(rule.recipients), "", template="mail/faults_test")


def deliver(mail: EmailMultiAlternatives) -> dict[str, str]:
    """Hand a mail to the mail server; gives whom it refused, address → why. Raises one of `MAIL_FAILURES` if that is all."""
    link: Any = get_connection()
    refused: dict[str, tuple[int, bytes]] = {}
    link.open()
    server = getattr(link, "connection", None)
    if server is not None:
        # A server that takes a mail for some of its recipients says for whom it does not; what sends keeps that to itself.
        hand_over = server.sendmail
        server.sendmail = lambda *args, **options: refused.update(hand_over(*args, **options))
    try:
        mail.connection = link
        if not mail.send():
            raise OSError(gettext("The mail server took the mail for nobody."))
    finally:
        link.close()
    return {address: _answer_words(*answer) for address, answer in refused.items()}


def _answer_words(code: int, text: bytes) -> str:
    """A server's answer, such as "550 no such mailbox", in one line."""
    return " ".join(f"{code} {text.decode(errors='replace')}".split())


def refused_words(refused: Mapping[str, str]) -> str:
    """Say who did not get a mail that others got, and why."""
    named = "; ".join(f"{address} ({why[:80]})" for address, why in refused.items())
    return gettext("The mail server refused it for %(who)s") % {"who": named}


def _mail(
    subject: str, context: dict[str, Any], to: list[str], key: str, *, template: str = "mail/faults"
) -> EmailMultiAlternatives:
    headers = {"Auto-Submitted": "auto-generated"}
    if key:
        headers["Message-ID"] = f"<{key}@{settings.BASE_URL.partition('//')[2].partition(':')[0] or 'localhost'}>"
    text = render_to_string(f"{template}.txt", context)
    mail = EmailMultiAlternatives(
        f"[{context['firm'].name}] {subject}".replace("\n", " ")[:200], text, settings.DEFAULT_FROM_EMAIL, to,
        headers=headers,
    )  # fmt: skip
    mail.attach_alternative(render_to_string(f"{template}.html", context), "text/html")
    return mail


def _address(name: str, *args: Any) -> str:
    return settings.BASE_URL + reverse(name, args=args)


def place_words(fault: Fault) -> str:
    """Where a fault is within its site: "Slot 4, Room 12", wherever what has it was moved, or the receiver itself."""
    now = slot_now(fault)
    if now is not None:
        told = gettext("%(receiver)s, slot %(slot)s: %(label)s")
        return told % {"receiver": fault.receiver.label, "slot": now[0], "label": now[1]}
    return f"{fault.receiver.label}, {fault.transmitter.serial}" if fault.transmitter else fault.receiver.label


def _subject(notice: FaultNotice, faults: Sequence[Fault]) -> str:
    """Number and worst fault: "2 faults, the worst: missing, Sunrise House, slot 4: Room 12"; whether all are over, or only
    told under another name now.
    """
    worst = faults[0]
    told = {"n": len(faults), "kind": worst.get_kind_display(), "site": worst.site.name, "place": place_words(worst)}
    if len(faults) == 1:
        text = gettext("%(kind)s: %(site)s, %(place)s") % told
    else:
        text = gettext("%(n)s faults, the worst: %(kind)s, %(site)s, %(place)s") % told
    if all(fault.cleared_at for fault in faults):
        if any(ended_elsewhere(fault.cause) for fault in faults):
            return gettext("No longer told as such: %(text)s") % {"text": text}
        return gettext("Over now: %(text)s") % {"text": text}
    return gettext("Not acknowledged yet: %(text)s") % {"text": text} if notice.is_reminder else text


def _context(notice: FaultNotice, faults: Sequence[Fault]) -> dict[str, Any]:
    shown = faults[:MOST_LINES]
    hanging, outages = _hanging(shown), _outages(shown)
    sites = _by_site(shown)
    sums = _sums(faults)
    is_over = all(fault.cleared_at for fault in faults)
    return {
        "notice": notice, "rule": notice.rule, "n": len(faults), "n_more": len(faults) - len(shown),
        "sums": sums[:MOST_SITES] if len(faults) >= SUMMED_FROM or len(sums) > 1 else [],
        "n_more_sites": max(0, len(sums) - MOST_SITES), "n_sites": len(sums), "is_over": is_over,
        "goes_on": any(ended_elsewhere(fault.cause) for fault in faults if fault.cleared_at),
        "sites": [
            SiteLines(
                rows[0].site.name, rows[0].customer.name, zone_words(rows[0].site.time_zone), _alike(rows, hanging, outages)
            )
            for rows in sites.values()
        ],
        "list_url": _answer_url(faults, is_over=is_over), "rules_url": _address("maintenance:notice_rule_list"),
    }  # fmt: skip


def _answer_url(faults: Sequence[Fault], *, is_over: bool) -> str:
    """Where these faults stand: one fault on its own page, several on the list, those that are over among the ended."""
    if len(faults) == 1:
        return _address("maintenance:fault_detail", faults[0].pk)
    return _address("maintenance:fault_list") + ("?state=ended" if is_over else "")


def _by_site(faults: Iterable[Fault]) -> dict[int, list[Fault]]:
    sites: dict[int, list[Fault]] = {}
    for fault in faults:
        sites.setdefault(fault.site_id, []).append(fault)
    return sites


def _sums(faults: Sequence[Fault]) -> list[SiteSum]:
    """Every site of a mail with its faults counted by kind, in the order of its worst."""
    found = []
    for rows in _by_site(faults).values():
        kinds = Counter(str(fault.get_kind_display()) for fault in rows)
        ended = (fault for fault in rows if fault.cleared_at and not ended_elsewhere(fault.cause))
        over = Counter(str(fault.get_kind_display()) for fault in ended)
        words = ", ".join(f"{n} {kind}{_over_words(over[kind])}" for kind, n in kinds.items())
        found.append(SiteSum(rows[0].site.name, rows[0].customer.name, len(rows), words))
    return found


def _over_words(n: int) -> str:
    return f" ({gettext('%(n)s over now') % {'n': n}})" if n else ""


def _hanging(faults: Iterable[Fault]) -> dict[int, int]:
    """Receiver → its slots on life safety, for faults of receivers: how much hangs on them."""
    receivers = {fault.receiver_id for fault in faults if fault.registration_id is None}
    rows = Registration.objects.filter(receiver__in=receivers, removed_at=None, duty=LIFE_SAFETY)
    found: dict[int, int] = {}
    for pk in rows.values_list("receiver_id", flat=True):
        found[pk] = found.get(pk, 0) + 1
    return found


def _outages(faults: Iterable[Fault]) -> dict[int, list[datetime]]:
    """Receiver → when it fell deaf lately, for those that did so now."""
    deaf = [fault for fault in faults if fault.kind == Fault.Kind.OUTAGE]
    if not deaf:
        return {}
    since = min(fault.raised_at for fault in deaf) - AGAIN_WITHIN
    return read.outages_of(Fault.objects.all(), {fault.receiver_id for fault in deaf}, since)


def _alike(
    faults: Sequence[Fault], hanging: dict[int, int], outages: Mapping[int, Sequence[datetime]]
) -> tuple[Alike, ...]:
    """Faults of one site, put together where the same is to be said and done, in the order of the worst of each."""
    found: dict[tuple[str, str, str, bool, bool], list[Line]] = {}
    for fault in faults:
        duty, is_over = read.duty_of(fault), fault.cleared_at is not None
        what, do = _over(fault, hanging) if is_over else _stands(fault)
        is_grave = rank(fault.kind, duty, hangs=bool(hanging.get(fault.receiver_id))) <= 1
        key = (str(fault.get_kind_display()), what, do, is_grave, is_over)
        found.setdefault(key, []).append(_line(fault, hanging, outages))
    return tuple(Alike(*key, tuple(lines)) for key, lines in found.items())


def _stands(fault: Fault) -> tuple[str, str]:
    told = meaning(fault.kind, read.duty_of(fault), _unit_kind(fault), has_standby=has_standby(fault))
    told = with_ways(told, fault, timezone.now())
    return told.what, told.do


def _over(fault: Fault, hanging: dict[int, int]) -> tuple[str, str]:
    ended_at, down_at = fault.cleared_at, fault.receiver.removed_at
    assert ended_at is not None
    after = After(
        fault.kind, read.duty_of(fault), _unit_kind(fault), fault.cause, ended_at - fault.raised_at,
        hangs=not fault.registration_id and bool(hanging.get(fault.receiver_id)), is_latched=state_of(fault) == "latched",
    )  # fmt: skip
    has_left = down_at is not None and ended_at >= down_at
    is_reported = fault.found_by == Fault.FoundBy.SIGNAL
    return was(fault.kind), over_words(after, is_reported=is_reported, receiver_left=has_left)


def _unit_kind(fault: Fault) -> str:
    """What kind of transmitter has the fault; empty where none has, or nobody knows."""
    unit = fault.transmitter or (fault.registration.transmitter if fault.registration else None)
    return unit.type.kind if unit and unit.type else ""


def _line(fault: Fault, hanging: dict[int, int], outages: Mapping[int, Sequence[datetime]]) -> Line:
    zone = ZoneInfo(fault.site.time_zone)
    n = 0 if fault.registration_id else hanging.get(fault.receiver_id, 0)
    more = ngettext("%(n)s slot on life safety hangs on it.", "%(n)s slots on life safety hang on it.", n) % {"n": n}
    since = gettext("since %(moment)s") % {"moment": moment_said(fault.raised_at.astimezone(zone))}
    if fault.cleared_at:
        over = gettext("from %(moment)s for %(span)s; over now")
        if ended_elsewhere(fault.cause):
            over = gettext("from %(moment)s for %(span)s; since then told of its receiver")
        since = over % {
            "moment": moment_said(fault.raised_at.astimezone(zone)),
            "span": span_words(fault.cleared_at - fault.raised_at),
        }
    told = [
        *([_again_words(fault, outages[fault.receiver_id])] if fault.kind == Fault.Kind.OUTAGE else []),
        more if n else "",
    ]
    return Line(place_words(fault), since, " ".join(filter(None, told)), _address("maintenance:fault_detail", fault.pk))


def _again_words(fault: Fault, raised: Sequence[datetime]) -> str:
    """How often a receiver fell deaf lately; empty the first time."""
    n, first_at = times_since(raised, fault.raised_at)
    if n == 1:
        return ""
    moment = moment_said(first_at.astimezone(ZoneInfo(fault.site.time_zone)))
    return gettext("It fell deaf %(n)s times since %(moment)s.") % {"n": n, "moment": moment}
