"""Records of the work: what is due, rounds, visits, entries, issued papers, requests."""

from maintenance.models.due import DueChange, DueItem, RefreshRun
from maintenance.models.reports import IssuedReport, Request, RequestMessage
from maintenance.models.rounds import Round
from maintenance.models.visits import Entry, Visit, VisitCrew, WalkTest

__all__ = [
    "DueChange",
    "DueItem",
    "Entry",
    "IssuedReport",
    "RefreshRun",
    "Request",
    "RequestMessage",
    "Round",
    "Visit",
    "VisitCrew",
    "WalkTest",
]
