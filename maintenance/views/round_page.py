"""What the page of one round shows: stops on their line, warnings, what to load. Reads only."""

from __future__ import annotations

from typing import Any

from company.models import User
from devices.rules.slot_map import due_words, urgency
from maintenance.models import DueItem, Round, Visit
from maintenance.querysets.days import (
    CELLS_PATHS,
    cells_to_fit,
    clock,
    day_plan,
    shift_of,
    span,
    things_by_site,
    until_of,
    warnings_of,
)
from maintenance.rules.rounds.packing import is_chosen, packing_list, piece_words, why_stop

TO_COME = ("planned", "open")


def due_by_site(user: User, site_ids: list[int]) -> dict[int, list[DueItem]]:
    """Everything in service with a date, per site: life safety first, then by date."""
    rows = DueItem.objects.visible_to(user).open().filter(site_id__in=site_ids)
    rows = rows.select_related("receiver", "registration", *CELLS_PATHS).order_by("harm", "due_on", "pk")
    by_site: dict[int, list[DueItem]] = {}
    for item in rows:
        by_site.setdefault(item.site_id, []).append(item)
    return by_site


def other_rounds(user: User, site_ids: list[int], *, but: Round | None = None) -> dict[int, list[Visit]]:
    """Visits to come at these sites in other rounds: the same work must not be planned twice unseen."""
    rows = (
        Visit.objects.visible_to(user).to_come().filter(site_id__in=site_ids, round__state__in=["draft", "published"])
    )
    if but is not None:
        rows = rows.exclude(round=but)
    by_site: dict[int, list[Visit]] = {}
    for visit in rows.select_related("round", "round__technician").order_by("planned_on", "pk"):
        by_site.setdefault(visit.site_id, []).append(visit)
    return by_site


def chosen_rows(visit: Visit, items: list[DueItem]) -> list[dict[str, Any]]:
    """Due items that are changed on a visit, with what goes in. A visit that is over changes nothing any more."""
    if visit.state not in TO_COME:
        return []
    until, day = until_of(visit), visit.planned_on
    rows = []
    for item in items:
        (thing,) = things_by_site([item])[item.site_id]
        if is_chosen(thing, until):
            cells, n_cells = cells_to_fit(item)
            rows.append(
                {
                    "item": item, "thing": thing, "cells": cells, "n_cells": n_cells,
                    "state": urgency(item.due_on, day), "words": due_words(item.due_on, day),
                    "words_of_piece": piece_words(thing.kind, thing.name),
                }
            )  # fmt: skip
    return rows


def board_of(user: User, round: Round) -> dict[str, Any]:
    """Everything on the page of a round that was read with `for_plan`."""
    visits = round.stops
    plan = day_plan(round, visits)
    of_day, of_stop = warnings_of(round, visits, plan)
    site_ids = [visit.site_id for visit in visits]
    due, others = due_by_site(user, site_ids), other_rounds(user, site_ids, but=round)
    stops: list[dict[str, Any]] = []
    things = []
    for place, (visit, call) in enumerate(zip(visits, plan.calls, strict=True)):
        is_over = visit.state not in TO_COME
        items = [] if is_over else due.get(visit.site_id, [])
        rows = chosen_rows(visit, items)
        all_things = things_by_site(items).get(visit.site_id, [])
        things += [row["thing"] for row in rows]
        stops.append(
            {
                "visit": visit, "call": call, "arrives": clock(call.arrives_min), "begins": clock(call.begins_min),
                "leaves": clock(call.leaves_min), "warnings": [] if is_over else of_stop.get(visit.pk, []), "rows": rows,
                # Worked out anew, so that a date that has moved since the planning shows.
                "whys": why_stop(all_things, day=visit.planned_on, until=until_of(visit)), "until": until_of(visit),
                "others": [] if is_over else others.get(visit.site_id, []), "is_first": place == 0, "is_last": place == len(visits) - 1,
            }
        )  # fmt: skip
    shift = shift_of(round.technician, round.day)
    return {
        "stops": stops, "plan": plan, "has_start": shift.start is not None, "warnings": of_day, "ends": clock(plan.ends_min), "drive": span(plan.drive_min),
        "shift": f"{clock(shift.begins_min)}–{clock(shift.ends_min)}" if shift.begins_min is not None and shift.ends_min is not None else "",
        "lines": packing_list(things), "n_changes": len(things), "is_guess": any(c.drive.is_guess for c in plan.calls[1:]),
        "n_warnings": len(of_day) + sum(len(stop["warnings"]) + len(stop["others"]) for stop in stops),
    }  # fmt: skip
