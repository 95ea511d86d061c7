"""The leak checker for technicians: rounds and visits of other technicians, and access notes without having asked."""

from __future__ import annotations

from collections.abc import Iterable

from tests.house.addresses import fillings, is_refusal, undone
from tests.house.leaks import METHODS, Checker, Finding, Viewer, _viewer
from tests.house.planting import Garden
from tests.house.routes import Route


def technician_viewer(garden: Garden) -> Viewer:
    """A technician reads every site, but no access note unasked, and none at all of visits that are not theirs."""
    notes = garden.own.note_canaries | garden.sister.note_canaries | garden.foreign.note_canaries
    return _viewer(garden, "technician", dict(notes), {"own", "sister", "foreign"})


def find_technician_leaks(garden: Garden, only: Iterable[str] | None = None) -> list[Finding]:
    """Rounds and visits of other technicians under /tech/ and /rounds/, and access notes without having asked."""
    checker = Checker(garden, only)
    viewer = technician_viewer(garden)
    for route in checker.routes:
        if route.is_library:
            continue
        for values, keys in fillings(route, garden.houses):
            url = route.url(values)
            theirs = _is_round_or_visit(route) and "foreign" in keys
            for method in METHODS if theirs else ("get",):
                with undone():
                    response = getattr(viewer.client, method)(url)
                detail = f"{method.upper()} {route.pattern} with {'/'.join(keys)}"
                checker.look(route, viewer, response, detail)
                if theirs and not is_refusal(response):
                    checker.add(
                        route,
                        viewer,
                        "answers a round or visit of another technician",
                        f"{detail} → {response.status_code}",
                    )
            if "foreign" in keys:
                with undone():
                    # Asking for a note of a visit that is somebody else's.
                    checker.look(
                        route, viewer, viewer.client.post(url, {}), f"POST {route.pattern} with {'/'.join(keys)}"
                    )
    return list(dict.fromkeys(checker.findings))


def _is_round_or_visit(route: Route) -> bool:
    place = f"/{route.pattern}"
    return place.startswith(("/rounds/", "/tech/visits/", "/tech/rounds/")) or (
        "/tech/" in place and "visit" in route.name
    )
