"""Every write of floor plans: pictures are drawn anew, and never erased, so that a change can be taken back."""

from __future__ import annotations

from datetime import datetime
from io import BytesIO

from django.db import transaction
from django.utils.translation import gettext as _
from PIL import Image, ImageOps, UnidentifiedImageError

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import ChangeRow, User
from sites.models import FloorPlan, Site

PLAN_MAX_BYTES = 8 * 1024 * 1024
PLAN_MAX_PIXELS = 40_000_000
PLAN_LEAST_SIDE_PX = 20
PLAN_LONGEST_SIDE_PX = 2400
PLAN_FACTS = ("name", "media_type", "width_px", "height_px", "walk_order", "removed_at")
STEP = 10


class NoPicture(Refused):
    """What was uploaded is no picture that a browser shows."""


class PlanNameTaken(Refused):
    """Two plans of one site with one name could not be told apart on the telephone."""


@transaction.atomic
def add_floor_plan(*, site: Site, name: str, content: bytes, by: User, at: datetime) -> FloorPlan:
    """Keep a picture of a floor, drawn anew, so that nothing hidden in the file is passed on.

    Raises
    ------
    NoPicture, PlanNameTaken
        Nothing is written.
    """
    name = _free_name(site, name)
    last = current_plans(site).order_by("-walk_order").values_list("walk_order", flat=True).first() or 0
    plan = draw(site=site, name=name, content=content, walk_order=last + STEP, at=at)
    log_plan("add_floor_plan", plan, by, at, after=plan_facts(plan))
    return plan


@transaction.atomic
def rename_floor_plan(*, plan: FloorPlan, name: str, by: User, at: datetime) -> ChangeRow | None:
    """Give a plan another name. Refused: PlanNameTaken. The same name again changes nothing and gives None."""
    before = plan_facts(plan)
    if plan.name == name.strip():
        return None
    plan.name = _free_name(plan.site, name, besides=plan)
    plan.save(update_fields=["name"])
    return log_plan("rename_floor_plan", plan, by, at, before=before, after=plan_facts(plan))


@transaction.atomic
def move_floor_plan(*, plan: FloorPlan, is_earlier: bool, by: User, at: datetime) -> ChangeRow | None:
    """Let two neighbours in the order of the plans change places. At the end of the row nothing changes: None."""
    rows = list(current_plans(plan.site).select_for_update().order_by("walk_order", "name", "pk"))
    place = next((n for n, row in enumerate(rows) if row.pk == plan.pk), None)
    to = None if place is None else place + (-1 if is_earlier else 1)
    if place is None or to is None or not 0 <= to < len(rows):
        return None
    before = [row.name for row in rows]
    rows[place], rows[to] = rows[to], rows[place]
    for number, row in enumerate(rows, start=1):
        if row.walk_order != number * STEP:
            FloorPlan.objects.filter(pk=row.pk).update(walk_order=number * STEP)
    return log_plan(
        "move_floor_plan", plan, by, at, before={"order": before}, after={"order": [row.name for row in rows]}
    )


@transaction.atomic
def remove_floor_plan(*, plan: FloorPlan, by: User, at: datetime) -> ChangeRow:
    """Take a plan out of use; picture and pins stay on record. Refused when it is out of use already."""
    if plan.removed_at:
        raise Refused(_("This plan was removed already."))
    plan.removed_at = at
    plan.save(update_fields=["removed_at"])
    return log_plan("remove_floorplan", plan, by, at, before=plan_facts(plan) | {"removed_at": None})


@transaction.atomic
def put_back_floor_plan(*, plan: FloorPlan, by: User, at: datetime) -> ChangeRow:
    """Use a removed plan again, with the pins it had. Refused: PlanNameTaken, or when it is in use."""
    if not plan.removed_at:
        raise Refused(_("This plan is in use."))
    _free_name(plan.site, plan.name, besides=plan)
    plan.removed_at = None
    plan.save(update_fields=["removed_at"])
    return log_plan("put_back_floor_plan", plan, by, at, after=plan_facts(plan))


def current_plans(site: Site):  # type: ignore[no-untyped-def]
    """Plans of a site that are in use."""
    return site.floor_plans.filter(removed_at=None).defer("picture")


def plan_facts(plan: FloorPlan) -> dict[str, object]:
    """What the change log keeps of a plan: everything but the picture."""
    return facts_of(plan, *PLAN_FACTS)


def log_plan(
    verb: str, plan: FloorPlan, by: User, at: datetime, *, before: dict | None = None, after: dict | None = None
) -> ChangeRow:
    """Write one change of a plan."""
    return record_change(
        by=by, at=at, verb=verb, subject=plan, customer_id=plan.customer_id, before=before, after=after
    )


def draw(*, site: Site, name: str, content: bytes, walk_order: int, at: datetime) -> FloorPlan:
    """Keep one picture as a new row; the caller logs it."""
    picture, media_type, size = clean_picture(content)
    return FloorPlan.objects.create(
        site=site, customer_id=site.customer_id, name=name, picture=picture, media_type=media_type,
        width_px=size[0], height_px=size[1], walk_order=walk_order, added_at=at,
    )  # fmt: skip


def _free_name(site: Site, name: str, besides: FloorPlan | None = None) -> str:
    name = name.strip()
    taken = current_plans(site).filter(name__iexact=name).exclude(pk=besides.pk if besides else None)
    if taken.exists():
        raise PlanNameTaken(_("This site has a plan “%(name)s” already. Choose another name.") % {"name": name})
    return name


def clean_picture(content: bytes) -> tuple[bytes, str, tuple[int, int]]:
    """Draw an uploaded picture anew: bytes, media type, width and height [px].

    Raises
    ------
    NoPicture
        With what is wrong and what to do: not a PNG, JPEG or WebP, damaged, too large or too small.
    """
    if len(content) > PLAN_MAX_BYTES:
        raise NoPicture(_("The picture is larger than 8 MB. Save it smaller and try again."))
    try:
        with Image.open(BytesIO(content), formats=("PNG", "JPEG", "WEBP")) as picture:
            # The size stands in the head of the file: looked at before anything is unpacked.
            if picture.width * picture.height > PLAN_MAX_PIXELS:
                raise NoPicture(_("The picture has more than 40 million pixels. Save it smaller and try again."))
            if min(picture.size) < PLAN_LEAST_SIDE_PX:
                raise NoPicture(_("The picture is smaller than 20 pixels. Choose the plan itself, not a thumbnail."))
            kind = "PNG" if picture.format == "PNG" else "JPEG"
            upright = _on_white(ImageOps.exif_transpose(picture))
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError) as broken:
        raise NoPicture(
            _("This is no PNG, JPEG or WebP picture, or the file is damaged. Save the plan as a picture and try again.")
        ) from broken
    upright.thumbnail((PLAN_LONGEST_SIDE_PX, PLAN_LONGEST_SIDE_PX))
    # A new picture takes the pixels only: comments, places and thumbnails of the file stay behind.
    drawn = Image.new("RGB", upright.size)
    drawn.paste(upright)
    out = BytesIO()
    drawn.save(out, kind, optimize=True)
    return out.getvalue(), f"image/{kind.lower()}", drawn.size


def _on_white(picture: Image.Image) -> Image.Image:
    """Lines on a see-through ground, as drawing programs save them, would become black on black."""
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        layer = picture.convert("RGBA")
        ground = Image.new("RGBA", layer.size, "white")
        ground.alpha_composite(layer)
        return ground.convert("RGB")
    return picture.convert("RGB")
