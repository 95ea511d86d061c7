"""Invented people of the demo firm and its accounts. The passwords are printed by the command and open nothing else."""

from __future__ import annotations

from dataclasses import dataclass

FIRM = {
    "name": "Skarrow Signal Works",
    "address": "3 Ropewalk Lane\nSkarrow Harbour\nIsle of Skarrow",
    "phone": "01632 960100",
    "email": "office@skarrow-signal.example",
}


@dataclass(frozen=True, slots=True)
class Account:
    """A person who can sign in. Portal people name their customer, and sites where they may see only those."""

    email: str
    name: str
    audience: str
    password: str
    phone: str
    what: str
    is_manager: bool = False
    customer: str = ""
    sites: tuple[str, ...] = ()


ACCOUNTS = (
    Account(
        "manager@skarrow-signal.example", "Ingrid Okafor", "office", "lantern-ropewalk-7", "01632 960101",
        "manager: office, and also people, policy, prices", is_manager=True,
    ),
    Account(
        "office@skarrow-signal.example", "Mateusz Reyes", "office", "harbour-ledger-12", "01632 960102",
        "office: what is due, rounds, reports",
    ),
    Account(
        "aino@skarrow-signal.example", "Aino Fairweather", "technician", "ladder-and-lamp-3", "01632 960111",
        "technician with a round today",
    ),
    Account(
        "tomas@skarrow-signal.example", "Tomás Lindqvist", "technician", "gannet-on-a-roof-5", "01632 960112",
        "technician with a round next week",
    ),
    Account(
        "priya@skarrow-signal.example", "Priya Haldane", "technician", "tide-table-and-tape-8", "01632 960113",
        "technician",
    ),
    Account(
        "matron@fellview.example", "Marguerite Adeyemi", "portal", "fellview-window-4", "01632 960201",
        "customer: Fellview Care, all its homes", customer="FVC",
    ),
    Account(
        "wharf@harbour-trust.example", "Ola Trevanion", "portal", "bollard-and-buoy-6", "01632 960202",
        "customer: Skarrow Harbour Trust", customer="SHT",
    ),
    Account(
        "hostel@skarrow-schools.example", "Benedikt Nwosu", "portal", "slate-and-chalk-9", "01632 960203",
        "customer: Skarrow Schools Board, the boarding house only", customer="SSB", sites=("SSB-03",),
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class TechnicianFacts:
    """Where a technician starts, ends and when they work."""

    email: str
    start_place: str
    start: tuple[float, float]
    end_place: str
    end: tuple[float, float] | None
    skills: str
    begins: str
    ends: str
    weekdays: tuple[int, ...]


TECHNICIANS = (
    TechnicianFacts(
        "aino@skarrow-signal.example", "Workshop, Ropewalk Lane", (60.2040, -11.9020), "", None,
        "ladders, mains, fire detectors", "08:00", "16:30", (0, 1, 2, 3, 4),
    ),
    TechnicianFacts(
        "tomas@skarrow-signal.example", "Home, Tarnwick", (60.2620, -11.7900), "", None,
        "ladders, rope access", "07:30", "16:00", (0, 1, 2, 3, 4),
    ),
    TechnicianFacts(
        "priya@skarrow-signal.example", "Home, Sandrift", (60.1570, -12.0560), "Workshop, Ropewalk Lane",
        (60.2040, -11.9020), "mains, call systems", "09:00", "17:00", (1, 2, 3, 4, 5),
    ),
)  # fmt: skip

FIRST_NAMES = (
    "Abena", "Alasdair", "Amara", "Anneke", "Bjørn", "Catriona", "Chidi", "Dilys", "Eirik", "Elif", "Farah", "Gwen",
    "Hamish", "Hanae", "Ines", "Isak", "Jasmin", "Kwame", "Leena", "Magnus", "Mairi", "Nadia", "Oisín", "Pilar",
    "Ravi", "Rhona", "Sanna", "Tadeusz", "Una", "Wei", "Yusuf", "Zofia",
)  # fmt: skip
LAST_NAMES = (
    "Adomako", "Barclay", "Castellan", "Drever", "Eriksen", "Fontaine", "Gunn", "Halcro", "Ibsen", "Jarosz", "Kerr",
    "Lamont", "Mbeki", "Nakata", "Osei", "Petrov", "Quayle", "Rendall", "Sato", "Tulloch", "Usman", "Vass", "Wylie",
    "Yilmaz", "Zielinska",
)  # fmt: skip
