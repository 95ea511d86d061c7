"""What hangs in which kind of building: purposes of receivers, the transmitters of each, outputs in words, labels."""

from __future__ import annotations

PURPOSES = {
    "care": ("call", "fire", "call", "watch", "call", "fire", "call"),
    "home": ("call", "fire", "watch", "call"),
    "school": ("watch", "fire", "aid", "watch", "plant"),
    "public": ("fire", "watch", "aid"),
    "office": ("fire", "watch", "aid"),
    "plant": ("plant", "watch", "fire", "plant", "plant"),
}
"""Profile → purpose of the first, second … receiver. A site with one receiver has a "mixed" one (plants: "plant")."""

SHARES = {"call": 5.0, "fire": 4.0, "watch": 3.5, "plant": 4.0, "aid": 1.2, "mixed": 5.0}

TRANSMITTERS = {
    "call": (
        ("pull-cord", 30), ("wall-button", 24), ("pendant-long", 24), ("pendant-short", 14), ("pendant-portable", 6),
        ("repeater-mains", 2),
    ),
    "fire": (("smoke-short", 58), ("smoke-sealed", 26), ("wall-button", 16)),
    "watch": (
        ("door-contact-long", 40), ("door-contact-short", 16), ("motion", 28), ("motion-wide", 10), ("contact-input", 6),
    ),
    "plant": (
        ("temperature", 30), ("temperature-cold", 20), ("contact-input", 24), ("contact-input-two", 10),
        ("water-sensor", 16),
    ),
    "aid": (("pull-cord", 60), ("wall-button", 40)),
    "mixed": (
        ("smoke-sealed", 26), ("door-contact-long", 30), ("motion", 18), ("pull-cord", 10), ("wall-button", 16),
    ),
}  # fmt: skip

RECEIVER_TYPES = {
    "call": ("receiver-8", "receiver-32", "receiver-64"),
    "fire": ("receiver-16", "receiver-64"),
    "watch": ("receiver-8", "receiver-12", "receiver-32", "receiver-64"),
    "plant": ("receiver-4", "receiver-8", "receiver-12", "receiver-32"),
    "aid": ("receiver-4", "receiver-8"),
    "mixed": ("receiver-32", "receiver-64"),
}
"""Purpose → types that can do it, smallest first."""

PURPOSE_WORDS = {
    "call": "calls", "fire": "fire link", "watch": "doors and rooms", "plant": "plant", "aid": "help calls",
    "mixed": "whole house",
}  # fmt: skip

OUTPUTS = {
    "call": (
        ("call lamp and sounder, staff room", "latching", "staff on duty, at the lamp panel"),
        ("paging system, input 1", "momentary", ""),
    ),
    "fire": (
        ("fire panel, zone of the ground floor", "latching", "person in charge, at the fire panel"),
        ("fire panel, zone of the upper floors", "latching", "person in charge, at the fire panel"),
    ),
    "watch": (
        ("intruder panel, zone 1: doors", "follower", ""),
        ("intruder panel, zone 2: rooms", "follower", ""),
    ),
    "plant": (
        ("plant alarm, building controller", "follower", ""),
        ("telephone dialler, channel 2", "follower", ""),
    ),
    "aid": (("lamp above the door and desk sounder", "latching", "reception, key beside the door"),),
    "mixed": (
        ("fire panel, one zone", "latching", "person in charge, at the fire panel"),
        ("intruder panel, one zone", "follower", ""),
        ("help lamp in the hall", "latching", "whoever has the hall key"),
    ),
}  # fmt: skip
"""Purpose → outputs as (drives, behaviour, who clears it)."""

FAULT_OUTPUT = {
    "call": "fault lamp, staff room", "fire": "fire panel, fault input", "watch": "intruder panel, trouble zone",
    "plant": "building controller, fault point", "aid": "fault lamp, reception", "mixed": "fault lamp in the porch",
}  # fmt: skip

OUTPUT_OF_KIND = {
    "call": {"wall_button": 1, "pendant": 1, "pull_cord": 1, "repeater": 0},
    "watch": {"motion": 2},
    "plant": {"temperature": 1, "contact": 2, "other": 2},
    "mixed": {"smoke": 1, "door_contact": 2, "motion": 2, "pull_cord": 3, "wall_button": 3},
}
"""Purpose → kind of transmitter → output that it drives; 1 where nothing is said, 0 = none (a repeater drives nothing)."""

FLOORS = {
    "care": ("Ground floor", "First floor", "Second floor"),
    "home": ("Ground floor", "First floor"),
    "school": ("Main building", "East wing", "Gymnasium"),
    "public": ("Ground floor", "Upper floor"),
    "office": ("Ground floor", "Upper floor", "Cellar"),
    "plant": ("Hall", "Plant room", "Yard"),
}

DOORS = (
    "front door", "back door", "kitchen door", "garden door", "fire exit west", "fire exit east", "boiler room door",
    "store door", "loading door", "cellar door", "side gate", "roof hatch", "linen room door", "office door",
)  # fmt: skip
ROOMS = (
    "hall", "corridor", "office", "day room", "kitchen", "stair", "landing", "store", "boiler room", "linen room",
    "cloakroom", "workshop", "reading room", "lift lobby", "lounge", "staff room", "laundry", "archive",
)  # fmt: skip
COLD = ("cold store", "freezer", "milk tank", "ice bunker", "chiller", "medicine fridge", "bait store")
WET = ("sump", "boiler tray", "cellar floor", "wash room floor", "pump pit")
PLANT_ROOMS = ("pump", "compressor", "fan", "generator", "boiler", "tank", "hoist", "door motor")
SPOTS = {
    "pendant": ("Flat", "Room"), "pull_cord": ("bathroom of", "toilet of"), "wall_button": ("bedside of", "lounge of"),
}  # fmt: skip
