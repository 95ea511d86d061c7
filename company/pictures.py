"""Pictures of the letterhead: drawn anew, small, without anything that hid in the file."""

from __future__ import annotations

from io import BytesIO

from django.utils.translation import gettext
from PIL import Image, ImageOps, UnidentifiedImageError

from company.errors import Refused

MAX_BYTES = 4_000_000
MAX_PIXELS = 20_000_000
WIDEST_PX, HIGHEST_PX = 640, 240
MOST_KEPT_BYTES = 90_000
"""The picture travels in every issued paper, so it is kept small."""


class NoLogo(Refused):
    """What was uploaded is no picture for a letterhead."""


def clean_logo(content: bytes) -> tuple[bytes, str]:
    """Draw an uploaded PNG or JPEG anew for the letterhead; its bytes and media type. Refused: NoLogo."""
    if len(content) > MAX_BYTES:
        raise NoLogo(gettext("The picture is larger than 4 MB. Save it smaller and try again."))
    try:
        with Image.open(BytesIO(content), formats=("PNG", "JPEG")) as picture:
            # The size stands in the head of the file: looked at before anything is unpacked.
            if picture.width * picture.height > MAX_PIXELS:
                raise NoLogo(gettext("The picture has more than 20 million pixels. Save it smaller and try again."))
            upright = ImageOps.exif_transpose(picture).convert("RGBA")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError) as broken:
        raise NoLogo(
            gettext("This is no PNG or JPEG picture, or the file is damaged. Drawings (SVG) are not taken.")
        ) from broken
    upright.thumbnail((WIDEST_PX, HIGHEST_PX))
    # White paper behind it: transparency is not allowed in every kind of PDF that is kept for years.
    drawn = Image.new("RGB", upright.size, "white")
    drawn.paste(upright, mask=upright.getchannel("A"))
    out = BytesIO()
    drawn.save(out, "PNG", optimize=True)
    if len(out.getvalue()) <= MOST_KEPT_BYTES:
        return out.getvalue(), "image/png"
    out = BytesIO()
    drawn.save(out, "JPEG", quality=85, optimize=True)
    return out.getvalue(), "image/jpeg"
