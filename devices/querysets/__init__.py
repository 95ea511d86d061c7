"""Every read of what is installed. First link of every chain in a door is `.visible_to(user)`."""

from company.querysets import StaffOnly
from devices.querysets.catalogue import CatalogueQuerySet
from devices.querysets.moments import end_of_day, from_to, heard_moment
from devices.querysets.receivers import OutputQuerySet, ReceiverQuerySet, evidence_of
from devices.querysets.slots import RegistrationOutputQuerySet, RegistrationQuerySet
from devices.querysets.stamps import kept_findings, moment
from devices.querysets.transmitters import (
    CheckInQuerySet,
    FaultQuerySet,
    FittingEndQuerySet,
    FittingQuerySet,
    FittingTotalsQuerySet,
    TransmitterQuerySet,
)

__all__ = [
    "CatalogueQuerySet",
    "CheckInQuerySet",
    "FaultQuerySet",
    "FittingEndQuerySet",
    "FittingQuerySet",
    "FittingTotalsQuerySet",
    "OutputQuerySet",
    "ReceiverQuerySet",
    "RegistrationOutputQuerySet",
    "RegistrationQuerySet",
    "StaffOnly",
    "TransmitterQuerySet",
    "end_of_day",
    "evidence_of",
    "from_to",
    "heard_moment",
    "kept_findings",
    "moment",
]
