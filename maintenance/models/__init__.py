"""Records of the work: what is due, rounds, visits, entries, issued papers, requests."""

from maintenance.models.battery import Backtest, BatteryFit, LotFit, StratumFit
from maintenance.models.due import DueChange, DueItem, RefreshRun
from maintenance.models.findings import FindingRecord
from maintenance.models.notices import FaultNotice, NoticedFault, NoticeRule
from maintenance.models.recalls import Recall, RecallItem
from maintenance.models.reports import IssuedReport, Request, RequestMessage
from maintenance.models.rounds import Round
from maintenance.models.visits import Entry, Visit, VisitCrew, WalkTest

__all__ = [
    "Backtest",
    "BatteryFit",
    "DueChange",
    "DueItem",
    "Entry",
    "FaultNotice",
    "FindingRecord",
    "IssuedReport",
    "LotFit",
    "NoticeRule",
    "NoticedFault",
    "Recall",
    "RecallItem",
    "RefreshRun",
    "Request",
    "RequestMessage",
    "Round",
    "StratumFit",
    "Visit",
    "VisitCrew",
    "WalkTest",
]
