"""Whose the rows of each model are, and which text fields hold words of the program: what the leak test goes by."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Declared:
    """Whose a model's rows are."""

    path: str = ""
    """Lookup from the row to its customer; empty: it is nobody's."""
    staff_only: bool = False
    """No portal user may see it, not even the customer's own."""
    why: str = ""


TENANT = Declared("customer")

DECLARED: dict[str, Declared] = {
    "company.Customer": Declared("pk"),
    "company.Contact": Declared("customer", staff_only=True),
    "company.PortalAccess": Declared("customer", staff_only=True),
    "company.ChangeRow": TENANT,
    "company.User": Declared("portal_access__customer"),
    "company.Job": Declared("requested_by__portal_access__customer"),
    "company.Firm": Declared(why="the letterhead is for everybody"),
    "company.RiskPolicy": Declared(why="the firm's own choice"),
    "company.Upload": Declared("by__portal_access__customer", staff_only=True),
    "company.Technician": Declared(why="the firm's people"),
    "company.TechnicianShift": Declared(why="the firm's people"),
    "company.TechnicianDayOff": Declared(why="the firm's people"),
    "company.ClockRun": Declared(why="machinery"),
    "company.Leader": Declared(why="machinery"),
    "sites.Site": TENANT,
    "sites.PortalSite": Declared("site__customer", staff_only=True),
    "sites.VisitingHours": TENANT,
    "sites.SiteClosure": TENANT,
    "sites.Hazard": TENANT,
    "sites.Area": TENANT,
    "sites.FloorPlan": TENANT,
    "sites.MonitoringCentre": TENANT,
    "sites.AccessNote": Declared("customer", staff_only=True),
    "sites.AccessNoteShown": Declared("note__customer", staff_only=True),
    "devices.BatteryType": Declared(why="catalogue"),
    "devices.TransmitterType": Declared(why="catalogue"),
    "devices.ReceiverType": Declared(why="catalogue"),
    "devices.Receiver": TENANT,
    "devices.Output": TENANT,
    "devices.Transmitter": TENANT,
    "devices.Registration": TENANT,
    "devices.RegistrationOutput": TENANT,
    "devices.Away": TENANT,
    "devices.PlanPin": TENANT,
    "devices.PlannedChange": Declared("customer", staff_only=True),
    "devices.Fitting": TENANT,
    "devices.FittingTotals": TENANT,
    "devices.FittingEnd": TENANT,
    "devices.CheckInDay": Declared("customer_id"),
    "devices.Fault": TENANT,
    "devices.FaultReport": TENANT,
    "devices.IntakeSource": Declared("customer", staff_only=True),
    "devices.IntakeBatch": Declared("source__customer", staff_only=True),
    "devices.SetAside": Declared("batch__source__customer", staff_only=True),
    "devices.PanelAccount": Declared("customer", staff_only=True),
    "devices.PanelStranger": Declared(why="an account that nobody knows"),
    "devices.ListenerState": Declared(why="machinery"),
    "devices.LinkWatch": Declared("customer", staff_only=True),
    "devices.OutageDay": Declared("customer", staff_only=True),
    "devices.LinkDay": Declared(why="the whole fleet's"),
    "maintenance.RefreshRun": Declared(why="machinery"),
    "maintenance.BatteryFit": Declared(why="the whole fleet's"),
    "maintenance.StratumFit": Declared(why="the whole fleet's"),
    "maintenance.LotFit": Declared(why="the whole fleet's"),
    "maintenance.Backtest": Declared(why="the whole fleet's"),
    "maintenance.Recall": Declared("items__customer", staff_only=True),
    "maintenance.RecallItem": Declared("customer", staff_only=True),
    "maintenance.FindingRecord": Declared("customer", staff_only=True),
    "maintenance.NoticeRule": Declared("customer", staff_only=True),
    "maintenance.FaultNotice": Declared("rule__customer", staff_only=True),
    "maintenance.NoticedFault": Declared("customer", staff_only=True),
    "maintenance.DueItem": TENANT,
    "maintenance.DueChange": TENANT,
    "maintenance.Round": Declared("visits__customer", staff_only=True),
    "maintenance.Visit": TENANT,
    "maintenance.VisitCrew": Declared("visit__customer"),
    "maintenance.Entry": TENANT,
    "maintenance.WalkTest": TENANT,
    "maintenance.IssuedReport": TENANT,
    "maintenance.Request": TENANT,
    "maintenance.RequestMessage": TENANT,
}

# Text fields that are words of the program, not of a person: a random word there would be an error, not a name.
NO_CANARY: dict[str, str] = {
    "company.User.password": "digest",
    "company.User.audience": "code",
    "company.Customer.language": "code",
    "company.ChangeRow.verb": "code",
    "company.ChangeRow.subject_kind": "code",
    "company.Job.handler": "dotted name",
    "company.Job.result_url": "address",
    "company.Upload.kind": "code",
    "company.Upload.sha256": "digest",
    "sites.Site.time_zone": "code",
    "sites.FloorPlan.media_type": "code",
    "devices.IntakeBatch.sha256": "digest",
    "devices.IntakeSource.token_sha256": "digest",
    "devices.IntakeSource.previous_sha256": "digest",
    "devices.IntakeSource.token_hint": "end of a random token",
    "devices.SetAside.kind": "code",
    "devices.PanelAccount.number": "hexadecimal number",
    "devices.PanelStranger.number": "hexadecimal number",
    "maintenance.NoticeRule.weekdays": "digits",
    "devices.Receiver.cable_gauge": "size in a written form",
    "maintenance.DueItem.duty": "code",
    "maintenance.DueItem.reason": "code",
    "maintenance.DueItem.flags": "codes",
    "maintenance.DueItem.figures": "numbers",
    "maintenance.DueItem.model_version": "code",
    "maintenance.DueChange.from_reason": "code",
    "maintenance.DueChange.to_reason": "code",
    "maintenance.Entry.sha256": "digest",
    "maintenance.IssuedReport.sha256": "digest",
    "maintenance.RequestMessage.photo_type": "code",
    "maintenance.Visit.signature_path": "drawing",
}
