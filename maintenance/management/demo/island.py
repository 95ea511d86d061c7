"""The invented Isle of Skarrow: customers and sites. Its coordinates lie in the open sea; no such island exists."""

from __future__ import annotations

from dataclasses import dataclass

CENTRE = (60.20, -11.90)
"""Latitude and longitude of the harbour [degrees]."""

CUSTOMERS = {
    "SHT": ("Skarrow Harbour Trust", 2, 24),
    "FVC": ("Fellview Care", 4, 4),
    "TWH": ("Tarnwick House", 4, 4),
    "ISC": ("Isle of Skarrow Council", 1, 48),
    "SSB": ("Skarrow Schools Board", 2, 24),
    "CLT": ("Corrin Lighthouse Trust", 1, None),
    "MCH": ("Mell Chapel Hall Committee", 1, None),
    "LBS": ("Skarrow Lifeboat Crew", 2, 8),
    "WXW": ("Skarrow Weather Watch", 1, None),
    "BSM": ("Boat Shed Museum", 1, 48),
    "LRF": ("Longreach Ferries", 2, 8),
    "SCH": ("Sandrift Cottage Hospital", 4, 4),
    "GIN": ("The Gannet Inn", 1, 48),
    "MDC": ("Mell Dairy Co-operative", 2, 24),
    "SKH": ("Skarrow Homes", 4, 8),
}
"""Code → name, inspections a year, agreed response [h]."""


@dataclass(frozen=True, slots=True)
class Place:
    """One line of the island's list: position as north and east of the harbour [km], beat = the usual round."""

    code: str
    name: str
    kind: str
    town: str
    north_km: float
    east_km: float
    beat: str
    profile: str
    n_transmitters: int
    n_receivers: int
    evidence: str
    centre: str = ""


LINKS = "Causeway Signal Desk"

PLACES = (
    # Beat A is today's round; the first ten lines alone make a small but complete demo.
    Place("FVC-01", "Fellview Lodge", "care home", "Skarrow Harbour", 1.4, -0.9, "A", "care", 98, 6, "every", LINKS),
    Place("SHT-01", "Harbour Office", "harbour building", "Skarrow Harbour", 0.1, 0.3, "A", "office", 34, 3, "exceptions", LINKS),
    Place("LRF-01", "Ferry Terminal", "ferry terminal", "Skarrow Harbour", -0.3, 0.6, "A", "public", 41, 3, "every", LINKS),
    Place("ISC-01", "Skarrow Library", "library", "Skarrow Harbour", 0.6, -0.2, "A", "public", 26, 2, "exceptions", LINKS),
    Place("SSB-03", "School Boarding House", "boarding house", "Tarnwick", 6.6, 6.2, "B", "home", 48, 3, "every", LINKS),
    Place("TWH-01", "Tarnwick House", "care home", "Tarnwick", 6.9, 5.8, "B", "care", 94, 6, "every", LINKS),
    Place("CLT-01", "Corrin Head Light", "lighthouse", "Corrin Head", 11.8, -8.4, "C", "plant", 19, 2, "visits"),
    Place("SHT-02", "Fish Auction Hall", "fish auction hall", "Skarrow Harbour", -0.1, 0.9, "C", "plant", 44, 4, "every", LINKS),
    Place("MCH-01", "Mell Chapel Hall", "chapel hall", "Upper Mell", 3.8, -5.5, "D", "public", 22, 2, "visits"),
    Place("BSM-01", "Boat Shed Museum", "museum", "Skarrow Harbour", 0.9, 1.4, "D", "public", 31, 2, "exceptions", LINKS),
    Place("SCH-01", "Sandrift Cottage Hospital", "cottage hospital", "Sandrift", -4.9, -8.5, "E", "care", 84, 6, "every", LINKS),
    Place("FVC-02", "Fellview Bay", "care home", "Sandrift", -4.5, -8.9, "E", "care", 76, 5, "every", LINKS),
    Place("SKH-01", "Kelp Row", "sheltered housing", "Sandrift", -4.7, -8.1, "E", "home", 38, 3, "exceptions", LINKS),
    Place("ISC-02", "Sandrift Sports Hall", "sports hall", "Sandrift", -5.2, -7.8, "E", "public", 28, 2, "visits"),
    Place("SSB-01", "Skarrow School", "school", "Skarrow Harbour", 1.8, 0.4, "F", "school", 72, 5, "exceptions", LINKS),
    Place("SSB-02", "Little Terns Nursery", "nursery", "Skarrow Harbour", 1.6, 0.9, "F", "school", 24, 2, "exceptions", LINKS),
    Place("FVC-03", "Fellview Croft", "care home", "Holm Bridge", 4.4, 2.1, "F", "care", 70, 4, "every", LINKS),
    Place("SKH-02", "Peat Cottages", "sheltered housing", "Holm Bridge", 4.1, 2.6, "F", "home", 42, 3, "exceptions", LINKS),
    Place("ISC-03", "Town Hall", "town hall", "Skarrow Harbour", 0.5, 0.1, "G", "office", 37, 3, "exceptions", LINKS),
    Place("GIN-01", "The Gannet Inn", "inn", "Skarrow Harbour", 0.2, -0.4, "G", "public", 33, 2, "exceptions", LINKS),
    Place("LBS-01", "Lifeboat Slip", "lifeboat slip", "Skarrow Harbour", -0.8, 1.2, "G", "plant", 17, 2, "every", LINKS),
    Place("LBS-02", "Lifeboat Crew House", "crew house", "Skarrow Harbour", -0.7, 1.0, "G", "office", 14, 1, "every", LINKS),
    Place("SHT-03", "Ice House", "ice house", "Skarrow Harbour", -0.2, 1.1, "C", "plant", 27, 2, "exceptions", LINKS),
    Place("CLT-02", "Keepers' Cottages", "holiday cottages", "Corrin Head", 11.5, -8.2, "C", "home", 18, 2, "visits"),
    Place("MDC-01", "Mell Dairy", "dairy", "Upper Mell", 3.5, -6.1, "D", "plant", 58, 5, "every", LINKS),
    Place("SKH-03", "Mell Court", "sheltered housing", "Upper Mell", 3.9, -5.8, "D", "home", 36, 3, "exceptions", LINKS),
    Place("WXW-01", "Weather Station", "weather station", "Brae Moor", 8.1, -1.5, "H", "plant", 12, 1, "every"),
    Place("ISC-04", "Brae Moor Depot", "road depot", "Brae Moor", 7.4, -1.1, "H", "plant", 21, 2, "visits"),
    Place("SKH-04", "Brae View", "sheltered housing", "Brae Moor", 7.0, -0.8, "H", "home", 34, 2, "exceptions", LINKS),
    Place("FVC-04", "Fellview Moor", "care home", "Brae Moor", 7.2, -0.4, "H", "care", 62, 4, "every", LINKS),
    Place("LRF-02", "Ferry Depot", "ferry depot", "Tarnwick", 6.2, 6.9, "B", "plant", 23, 2, "exceptions"),
    Place("ISC-05", "Tarnwick Branch Library", "library", "Tarnwick", 6.7, 6.4, "B", "public", 16, 1, "visits"),
    Place("SHT-04", "North Mole Store", "store", "Skarrow Harbour", 0.4, 1.7, "I", "plant", 20, 2, "exceptions"),
    Place("SHT-05", "Pilot Station", "pilot station", "Skarrow Harbour", 0.5, 2.0, "I", "office", 15, 1, "exceptions"),
    Place("LRF-03", "Longreach Ticket Hall", "ticket hall", "Gull Ness", -2.9, 6.4, "I", "public", 18, 1, "exceptions"),
    Place("SKH-05", "Ness Terrace", "sheltered housing", "Gull Ness", -3.2, 6.8, "I", "home", 46, 4, "exceptions", LINKS),
    Place("SSB-04", "Gull Ness School", "school", "Gull Ness", -3.0, 7.1, "J", "school", 29, 2, "visits"),
    Place("MCH-02", "Gull Ness Old Kirk", "hall", "Gull Ness", -3.4, 7.4, "J", "public", 13, 1, "visits"),
    Place("ISC-06", "Gull Ness Pump House", "pump house", "Gull Ness", -3.8, 7.9, "J", "plant", 12, 1, "every"),
    Place("TWH-02", "Tarnwick House Annexe", "care home", "Gull Ness", -3.1, 6.9, "J", "care", 48, 3, "every", LINKS),
)  # fmt: skip

WEEKDAYS = {
    "care": ((0, "09:30", "16:30"), (1, "09:30", "16:30"), (2, "09:30", "16:30"), (3, "09:30", "16:30"), (4, "09:30", "16:30")),
    "home": ((0, "10:00", "16:00"), (1, "10:00", "16:00"), (2, "10:00", "16:00"), (3, "10:00", "16:00"), (4, "10:00", "15:00")),
    "school": ((0, "15:30", "18:00"), (1, "15:30", "18:00"), (2, "08:00", "18:00"), (3, "15:30", "18:00"), (4, "13:00", "18:00")),
    "public": ((0, "08:00", "12:00"), (1, "08:00", "17:30"), (2, "08:00", "17:30"), (3, "08:00", "17:30"), (4, "08:00", "17:30")),
    "office": ((0, "08:00", "17:00"), (1, "08:00", "17:00"), (2, "08:00", "17:00"), (3, "08:00", "17:00"), (4, "08:00", "16:00")),
    "plant": ((0, "07:00", "16:00"), (1, "07:00", "16:00"), (2, "07:00", "16:00"), (3, "07:00", "16:00"), (4, "07:00", "14:00")),
}  # fmt: skip
"""Profile → visiting hours as weekday (0 = Monday), opening and closing time."""

HAZARDS = {
    "CLT-01": ("height", "Lamp gallery: harness, and not above force 6"),
    "SHT-02": ("traffic", "Fork trucks during the auction, 05:00 to 09:00"),
    "SHT-03": ("other", "Ammonia plant next door: ask before opening the east door"),
    "LRF-01": ("traffic", "Vehicle lanes: wait for the marshal"),
    "SSB-01": ("asbestos", "Boiler house ceiling: register in the office, do not drill"),
    "ISC-04": ("lone_work", "Nobody there after 14:00, no telephone signal in the yard"),
    "LBS-01": ("other", "Stand clear of the slip when the siren sounds"),
    "WXW-01": ("animals", "Nesting skuas, May to August: helmet"),
    "MDC-01": ("mains", "Receiver 2 is fed from the plant panel: isolate first"),
    "ISC-06": ("mains", "Pump panel is live behind the receiver"),
}

CLOSURES = {
    "SSB-01": ("preferred", 20, 34, "school holiday"),
    "SSB-02": ("no_access", 22, 36, "closed for the holiday"),
    "SSB-04": ("preferred", 20, 34, "school holiday"),
    "SHT-02": ("no_access", 9, 12, "hall is scrubbed"),
    "CLT-02": ("preferred", -5, 40, "no guests"),
    "GIN-01": ("no_access", 27, 31, "wedding"),
}
"""Site → kind, first and last day as days from today, reason."""
