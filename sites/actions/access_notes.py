"""Every write of access notes. Their text is in no change row, paper, export, log line or search: it exists sealed only."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import record_change
from company.actions.resealing import BATCH, Resealed, reseal_all
from company.errors import Refused
from company.models import User
from company.sealed import reseal, seal, unseal
from sites.models import AccessNote, AccessNoteShown, MonitoringCentre, Site


class NoteGone(Refused):
    """The note was removed: its code no longer exists anywhere."""


class NoteChangedSince(Refused):
    """Two people writing one code anew at once must not undo each other unseen."""


class TitleTaken(Refused):
    """Two notes of one name at one site: nobody could tell which code opens the door."""


def _facts(note: AccessNote) -> dict[str, str]:
    return {"title": note.title, "kind": note.kind, "centre": note.centre.name if note.centre else ""}


@transaction.atomic
def save_access_note(
    *,
    site: Site,
    title: str,
    text: str,
    by: User,
    at: datetime,
    kind: str = AccessNote.Kind.OTHER,
    centre: MonitoringCentre | None = None,
    note: AccessNote | None = None,
    seen: str | None = None,
) -> AccessNote:
    """Keep a code or passphrase sealed; the change log gets everything but the code.

    `seen` is `AccessNote.changed_at` (ISO) of the note that was written anew; None leaves the question out. Refused: a
    note that was removed (NoteGone) or changed since (NoteChangedSince), a title that another note of the site has
    (TitleTaken), a monitoring centre of another site.
    """
    before = None
    if note:
        note = AccessNote.objects.select_for_update().get(pk=note.pk)
        if note.removed_at:
            raise NoteGone(_("This note was removed. Write a new one."))
        if seen is not None and seen != note.changed_at.isoformat():
            raise NoteChangedSince(
                _(
                    "Somebody wrote this note anew after you opened the page, so nothing was saved. Look at it, then choose."
                )
            )
        before = _facts(note)
    title = title.strip()
    others = AccessNote.objects.filter(site=site, title__iexact=title, removed_at=None)
    if others.exclude(pk=note.pk if note else None).exists():
        raise TitleTaken(
            _("This site has a note “%(title)s” already. Write that one anew, or choose another title.")
            % {"title": title}
        )
    if centre and centre.site_id != site.pk:
        raise Refused(_("This monitoring centre watches another site. Choose one of this site, or none."))
    verb = "change_access_note" if note else "add_access_note"
    note = note or AccessNote(site=site, customer_id=site.customer_id)
    note.title, note.kind, note.centre, note.cipher = title, kind, centre, seal(text)
    note.changed_at, note.changed_by = at, by
    note.save()
    record_change(
        by=by, at=at, verb=verb, subject=note, customer_id=note.customer_id, before=before, after=_facts(note)
    )
    return note


@transaction.atomic
def show_access_note(*, note: AccessNote, to: User, at: datetime, visit_id: int | None = None) -> str:
    """Open an access note for one person, and write down that they saw it.

    The caller has made sure that they need it: the office, or a technician for a visit of theirs. Raises
    `company.sealed.SealBroken` if its key is not installed, and NoteGone for a removed note; then nothing is written
    down as shown.
    """
    # Locked and read afresh: what was removed or written anew meanwhile must not be shown as it was.
    note = AccessNote.objects.select_for_update().get(pk=note.pk)
    if note.removed_at:
        raise NoteGone(_("This note was removed: the code is no longer kept."))
    text = unseal(bytes(note.cipher))
    AccessNoteShown.objects.create(note=note, to=to, at=at, visit_id=visit_id)
    return text


@transaction.atomic
def remove_access_note(*, note: AccessNote, by: User, at: datetime) -> AccessNote:
    """Forget a code for good. The row stays without it, since the log of showings hangs on it. Refused: NoteGone."""
    note = AccessNote.objects.select_for_update().get(pk=note.pk)
    if note.removed_at:
        raise NoteGone(_("This note is removed already."))
    note.cipher, note.removed_at = b"", at
    note.save(update_fields=["cipher", "removed_at"])
    record_change(
        by=by, at=at, verb="remove_access_note", subject=note, customer_id=note.customer_id,
        before=_facts(note) | {"n_shown": note.shown.count()},
    )  # fmt: skip
    return note


def reseal_access_notes(*, by: User | None, at: datetime, batch: int = BATCH) -> Resealed:
    """Seal every note with the newest key, as `reseal_all` does."""
    return reseal_all(
        rows=AccessNote.objects.filter(removed_at=None), seal_row=_seal, verb="reseal_access_notes", counted="n_notes",
        by=by, at=at, batch=batch,
    )  # fmt: skip


def _seal(note: AccessNote) -> bool:
    cipher = reseal(bytes(note.cipher))
    if cipher is None:
        return False
    note.cipher = cipher
    note.save(update_fields=["cipher"])
    return True
