"""A serial that another receiver bears already is refused, however it is spelt."""

from __future__ import annotations

from django.utils.translation import gettext as _

from company.errors import Refused
from devices.models import Receiver


class SerialTaken(Refused):
    """Another receiver that hangs somewhere bears this serial."""


def refuse_taken_serial(serial: str, *, besides: int | None = None) -> None:
    """Refuse the serial of another receiver that hangs somewhere; none at all is taken, and so is one of a unit taken down.

    Raises
    ------
    SerialTaken
        Says which receiver it is.
    """
    if not serial.strip():
        return
    others = Receiver.objects.open().looking_like(serial.strip()).exclude(pk=besides)
    other = others.select_related("site").order_by("pk").first()
    if other is not None:
        raise SerialTaken(
            _(
                "%(serial)s is the serial number of %(receiver)s. Check both; where both really bear this number, add "
                "something that tells them apart, or leave it empty."
            )
            % {"serial": other.serial, "receiver": other}
        )
