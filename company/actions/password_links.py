"""A link for somebody who has forgotten their password, where no mail server can send it."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions.log import record_change
from company.errors import Refused
from company.models import User


@transaction.atomic
def hand_out_link(*, person: User, by: User, at: datetime, has_mail: bool) -> User:
    """Note that a manager is shown a link with which this person sets a new password; the caller makes the link.

    Password and second factor stay as they are until the person uses it. Refused where a mail server is set
    (`has_mail`: the person asks for the link without anybody else seeing it), for somebody locked out, for somebody who
    has never signed in (they are invited), and for oneself.
    """
    person = User.objects.select_for_update().get(pk=person.pk)
    if has_mail:
        raise Refused(
            _("%(person)s has signed in before. “Forgotten password” on the sign-in page mails them a link.")
            % {"person": person.name}
        )
    if not person.is_active:
        raise Refused(_("%(person)s may not sign in. Let them in again first.") % {"person": person.name})
    if not person.last_login:
        raise Refused(_("%(person)s has never signed in. Invite them again.") % {"person": person.name})
    if person.pk == by.pk:
        raise Refused(_("Change your own password on your own page."))
    record_change(by=by, at=at, verb="hand_out_link", subject=person, after={"email": person.email})
    return person
