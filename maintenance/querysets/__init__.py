"""Every read of the work. First link of every chain in a door is `.visible_to(user)`."""

from company.querysets import StaffOnly
from maintenance.querysets.due import DueChangeQuerySet, DueQuerySet
from maintenance.querysets.findings import FindingQuerySet
from maintenance.querysets.recalls import RecallItemQuerySet, RecallQuerySet
from maintenance.querysets.reports import ReportQuerySet, RequestMessageQuerySet, RequestQuerySet
from maintenance.querysets.visits import EntryQuerySet, RoundQuerySet, VisitQuerySet, WalkTestQuerySet

__all__ = [
    "DueChangeQuerySet",
    "DueQuerySet",
    "EntryQuerySet",
    "FindingQuerySet",
    "RecallItemQuerySet",
    "RecallQuerySet",
    "ReportQuerySet",
    "RequestMessageQuerySet",
    "RequestQuerySet",
    "RoundQuerySet",
    "StaffOnly",
    "VisitQuerySet",
    "WalkTestQuerySet",
]
