"""Codes of the demo firm with the log of who was shown them, a letterhead with a picture, somebody invited."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from io import BytesIO

from PIL import Image, ImageDraw

from company.actions import ensure_firm
from company.models import User
from company.pictures import clean_logo
from company.sealed import seal
from maintenance.management.demo.clock import at
from maintenance.management.demo.people import ACCOUNTS
from maintenance.models import Visit
from sites.models import AccessNote, AccessNoteShown, MonitoringCentre, Site

FOOT_LINE = "Skarrow Signal Works, registered on the Isle of Skarrow, no. 0000 (invented)"
INVITED = "noor@skarrow-signal.example"
# Invented, and they open nothing: kind, title, text.
NOTES = (
    (AccessNote.Kind.DOOR, "Back door", "0000 and the bell (demo, opens nothing)"),
    (AccessNote.Kind.KEY_SAFE, "Key safe at the gate", "1111, left of the meter (demo, opens nothing)"),
    (AccessNote.Kind.ALARM, "Alarm panel in the hall", "2222 within 30 s (demo, opens nothing)"),
)
N_SITES = 6
RECENT_DAYS = 240


def load_access(today: date, sites: Mapping[str, Site], users: Mapping[str, User]) -> int:
    """Hang notes at the first sites, with showings over the last weeks; how many notes."""
    office = users[ACCOUNTS[1].email]
    notes: list[AccessNote] = []
    for number, code in enumerate(sorted(sites)[:N_SITES]):
        kind, title, text = NOTES[number % len(NOTES)]
        notes.append(_note(sites[code], kind, title, text, office, at(today - timedelta(days=400 + number), 9)))
    centre = MonitoringCentre.objects.order_by("pk").first()
    if centre:
        passphrase = _note(
            centre.site, AccessNote.Kind.PASSPHRASE, "Passphrase", "Lantern (demo, opens nothing)", office,
            at(today - timedelta(days=90), 11),
        )  # fmt: skip
        passphrase.centre = centre
        notes.append(passphrase)
    AccessNote.objects.bulk_create(notes)
    AccessNoteShown.objects.bulk_create(_showings(notes, office, today))
    _letterhead()
    User.objects.create(
        email=INVITED, name="Noor Halvorsen", audience=User.Audience.OFFICE, phone="01632 960114", password="!",
        invited_at=at(today - timedelta(days=2), 15),
    )  # fmt: skip
    return len(notes)


def _showings(notes: list[AccessNote], office: User, today: date) -> list[AccessNoteShown]:
    """Each visit of the last months opened the notes of its site; the office looked once in a while."""
    rows = [
        AccessNoteShown(note=note, to=office, at=at(today - timedelta(days=5 + 9 * number), 10, number))
        for number, note in enumerate(notes)
    ]
    made = Visit.objects.filter(state=Visit.State.FINISHED, planned_on__gte=today - timedelta(days=RECENT_DAYS))
    for note in notes:
        for visit in made.filter(site_id=note.site_id).order_by("pk").prefetch_related("crew"):
            who = next(iter(visit.crew.all()), None)
            if who and visit.arrived_at:
                rows.append(AccessNoteShown(note=note, to_id=who.user_id, at=visit.arrived_at, visit_id=visit.pk))
    return rows


def _note(site: Site, kind: str, title: str, text: str, by: User, when: datetime) -> AccessNote:
    return AccessNote(
        site=site,
        customer_id=site.customer_id,
        kind=kind,
        title=title,
        cipher=seal(text),
        changed_at=when,
        changed_by=by,
    )


def _letterhead() -> None:
    """Three slots in a row, drawn here, so that no picture of anybody is needed."""
    picture = Image.new("RGB", (360, 120), "white")
    pen = ImageDraw.Draw(picture)
    for slot in range(3):
        left = 6 + 118 * slot
        pen.rectangle((left, 12, left + 100, 108), outline="#10293a", width=6)
        pen.rectangle((left + 18, 78 - 22 * slot, left + 82, 92), fill="#f2c318" if slot == 2 else "#10293a")
    out = BytesIO()
    picture.save(out, "PNG")
    firm = ensure_firm()
    firm.logo, firm.logo_media_type = clean_logo(out.getvalue())
    firm.paper_note = FOOT_LINE
    firm.save(update_fields=["logo", "logo_media_type", "paper_note"])
