"""Records of what is installed. Slot-map facts have a from and a to (exclusive, empty while open)."""

from devices.models.batteries import Fitting, FittingEnd, FittingTotals
from devices.models.catalogue import BatteryType, ReceiverType, TransmitterType
from devices.models.checkins import CheckInDay, Fault, FaultReport
from devices.models.intake import IntakeBatch, IntakeSource, SetAside
from devices.models.links import LinkDay, LinkWatch, OutageDay
from devices.models.panels import ListenerState, PanelAccount, PanelStranger
from devices.models.receivers import Output, Receiver
from devices.models.registrations import Away, PlannedChange, PlanPin, Registration, RegistrationOutput, Transmitter

__all__ = [
    "Away",
    "BatteryType",
    "CheckInDay",
    "Fault",
    "FaultReport",
    "Fitting",
    "FittingEnd",
    "FittingTotals",
    "IntakeBatch",
    "IntakeSource",
    "LinkDay",
    "LinkWatch",
    "ListenerState",
    "OutageDay",
    "Output",
    "PanelAccount",
    "PanelStranger",
    "PlanPin",
    "PlannedChange",
    "Receiver",
    "ReceiverType",
    "Registration",
    "RegistrationOutput",
    "SetAside",
    "Transmitter",
    "TransmitterType",
]
