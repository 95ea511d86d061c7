"""The table of who is told when: for each duty class the hours of the week in which nobody is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext

from maintenance.actions.notices import hours_of
from maintenance.models import NoticeRule
from maintenance.rules.notice_gaps import Told, gap_words, gaps_by_customer, hours_a_week, slowest_s
from maintenance.rules.notice_words import length_words

MUST = (NoticeRule.Duty.LIFE_SAFETY, NoticeRule.Duty.RECEIVER)
"""Of these an hour without anybody is a warning: nobody hears of a help call that cannot arrive, or of a deaf receiver."""

WEEK_H = 168


@dataclass(frozen=True, slots=True)
class Cover:
    """One duty class: the hours in which nobody is told (`words` empty: none), how many a week, and for whom else it differs.

    `others` are customers with rules of their own, each with what is left untold there; `gathers` is how long the slowest
    rule gathers where that is long for life safety.
    """

    duty: str
    words: str
    n_hours: int
    is_warning: bool
    others: tuple[tuple[str, str], ...] = ()
    gathers: str = ""


def cover_of(rules: Sequence[NoticeRule], *, can_go: bool = True) -> list[Cover]:
    """Cover of every duty class by the rules that are in force; while no mail goes nobody is told of any, whatever they say."""
    if not can_go:
        words = gettext("at any hour, while mails do not go")
        return [Cover(str(label), words, WEEK_H, is_warning=False) for _, label in NoticeRule.Duty.choices]
    found = []
    for code, label in NoticeRule.Duty.choices:
        mine = [
            Told(hours_of(rule), rule.group_s, rule.customer.name if rule.customer else None)
            for rule in rules
            if rule.is_active and rule.duty == code
        ]
        gaps = gaps_by_customer(mine)
        base, must = gaps.pop(None, []), code in MUST
        slow_s = slowest_s(mine) if code == NoticeRule.Duty.LIFE_SAFETY else 0
        others = tuple(
            (name, gap_words(left) if left else gettext("told at any hour")) for name, left in gaps.items() if name
        )
        found.append(
            Cover(str(label), gap_words(base) if base else "", hours_a_week(base), must and bool(base), others,
                  length_words(slow_s) if slow_s else "")
        )  # fmt: skip
    return found
