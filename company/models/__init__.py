"""Records of the firm itself: people, customers, policy, jobs, the change log. No rules, no writes from here."""

from company.models.customers import Contact, Customer, PortalAccess
from company.models.firm import Firm, RiskPolicy
from company.models.log import ChangeRow, Upload
from company.models.people import Technician, TechnicianDayOff, TechnicianShift, User
from company.models.work import ClockRun, Job, Leader

__all__ = [
    "ChangeRow",
    "ClockRun",
    "Contact",
    "Customer",
    "Firm",
    "Job",
    "Leader",
    "PortalAccess",
    "RiskPolicy",
    "Technician",
    "TechnicianDayOff",
    "TechnicianShift",
    "Upload",
    "User",
]
