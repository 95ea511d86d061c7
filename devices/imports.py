"""From an uploaded workbook to a preview, and on to the records: reads files and records, judges by rules, writes by actions.

Two jobs: `check_upload` makes the preview and writes nothing else; `apply_upload` goes through the same steps again on
the records as they are then, and carries out the plan only if it is the one that was shown.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime, tzinfo
from io import BytesIO
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from company.actions import keep_upload
from company.errors import Refused
from company.jobs import Handle
from company.models import ChangeRow, Contact, Customer, Upload, User
from company.sheets import Workbook
from company.spreadsheets import BadFile, read_workbook, refuse_oversize, refuse_wrong_kind
from devices.actions import imports as actions
from devices.models import (
    BatteryType,
    Fitting,
    Output,
    Receiver,
    ReceiverType,
    Registration,
    Transmitter,
    TransmitterType,
)
from devices.models.registrations import RegistrationOutput
from devices.rules.import_facts import (
    BatteryTypeFacts,
    Catalogue,
    OnRecord,
    ReceiverOnRecord,
    ReceiverTypeFacts,
    Taken,
    TransmitterOnRecord,
    TransmitterTypeFacts,
)
from devices.rules.import_plan import plan_import
from devices.rules.import_records import Known, Plan, Snapshot
from devices.rules.slot_rows import DrivenOutput
from devices.rules.workbook_rows import CheckedWorkbook, check_workbook
from sites.models import Site
from sites.rules.site_rows import fold

KIND = "workbook"
PREVIEW_KIND = "workbook_preview"
STEPS = 8
TRIES = 3
SHOWN_PROBLEMS = 5_000
"""More problems than this are counted, not listed: nobody reads on, and the same slip stands in every row."""


@dataclass(frozen=True, slots=True)
class Result:
    """One reading of a workbook against the records."""

    checked: CheckedWorkbook
    plan: Plan


def pack_files(files: Sequence[tuple[str, bytes]]) -> tuple[str, bytes]:
    """Turn the uploaded files into one file to keep: several CSV files become a ZIP.

    Raises
    ------
    BadFile
        For what can be told at a glance: wrong kind, locked, too large.
    """
    if not files:
        raise BadFile("Choose a workbook first.")
    refuse_oversize(files[0][0], sum(len(body) for _, body in files))
    for name, body in files:
        refuse_wrong_kind(name, body, is_alone=len(files) == 1)
    if len(files) == 1:
        return files[0]
    target = BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in files:
            archive.writestr(f"{name.rpartition('/')[2].rpartition('.')[0]}.csv", body)
    return f"{len(files)} CSV files.zip", target.getvalue()


def check_upload(handle: Handle, upload: str, **unknown: Any) -> None:
    """Job: read a workbook, compare it with the records, keep the preview. Writes no record; may run again."""
    kept = Upload.objects.get(uuid=upload, kind=KIND)
    result = read_upload(handle, kept, timezone.now())
    handle.progress(7, STEPS, "Keeping the preview")
    with transaction.atomic():
        handle.finish(
            keep_preview(kept, result, person_of(kept)), url=reverse("devices:import_detail", args=[kept.uuid])
        )


def apply_upload(handle: Handle, upload: str, preview: str, by: int, **unknown: Any) -> None:
    """Job: carry out the plan that was shown, in one transaction; a plan that has changed since is shown anew instead."""
    kept = Upload.objects.get(uuid=upload, kind=KIND)
    person = User.objects.get(pk=by)
    url = reverse("devices:import_detail", args=[kept.uuid])
    for _ in range(TRIES):
        mark = actions.change_mark()
        result = read_upload(handle, kept, timezone.now())
        if digest_of(preview_of(result)) != preview or result.checked.faults:
            with transaction.atomic():
                handle.finish({**keep_preview(kept, result, person), "stale": True}, url=url)
            return
        handle.progress(6, STEPS, f"Preparing what {len(result.plan.fates)} rows change")
        book = actions.prepare_import(
            plan=result.plan, by=person, at=timezone.now(), reason=f"import of {kept.name}", batch=kept.uuid
        )
        handle.progress(7, STEPS, f"Writing {len(book.changes)} changes")
        # A change by somebody else between reading and writing: look again, never write on what is no longer so.
        with suppress(actions.RecordsMovedOn):
            actions.apply_import(
                book=book,
                plan=result.plan,
                mark=mark,
                finish=lambda counts: handle.finish({"applied": True, **counts}, url=url),
            )
            return
    raise actions.RecordsMovedOn(
        "The records kept changing while the workbook was applied. Nothing was written; apply it again."
    )


SETTLED_AT_ONCE = 20
"""Receivers whose due dates are worked out between two looks at the lease."""


def settle_import(handle: Handle, batch: str, receivers: list[int], **unknown: Any) -> None:
    """Job: after an import, or its taking back, rebuild sums and due dates, some receivers at a time. May run again."""
    rows = ChangeRow.objects.filter(batch=batch, subject_kind="fitting").values_list("subject_id", flat=True)
    units = list(Fitting.objects.filter(pk__in=rows).values_list("transmitter_id", flat=True).distinct())
    for start in range(0, len(receivers), SETTLED_AT_ONCE):
        handle.progress(start, len(receivers), f"Due dates of receiver {start + 1} of {len(receivers)}")
        actions.settle_receivers(
            receiver_ids=receivers[start : start + SETTLED_AT_ONCE], more_transmitters=() if start else units
        )


def read_upload(handle: Handle, kept: Upload, at: datetime) -> Result:
    """Read, check and plan, with progress; nothing is written."""
    handle.progress(0, STEPS, "Reading the file")
    workbook = read_workbook([(kept.name, bytes(kept.content))])
    handle.progress(2, STEPS, "Reading the records")
    return judge(workbook, at, handle)


def judge(workbook: Workbook, at: datetime, handle: Handle | None = None) -> Result:
    """Check a workbook against the catalogue and the records as they are now."""
    catalogue = load_catalogue_facts()
    snapshot, on_record = load_records()
    if handle:
        handle.progress(4, STEPS, "Checking every row")
    checked = check_workbook(
        workbook,
        catalogue=catalogue,
        on_record=on_record,
        today=timezone.localdate(at),
        time_zones=available_timezones(),
    )
    if handle:
        handle.progress(6, STEPS, "Comparing with the records")
    return Result(checked, plan_import(checked, snapshot, catalogue))


# --- the preview ------------------------------------------------------------------------------------------------------


def preview_of(result: Result) -> bytes:
    """The preview as it is kept: fates of all rows and problems, packed. The same result gives the same bytes."""
    listed = [*result.checked.faults[:SHOWN_PROBLEMS], *result.checked.remarks[:SHOWN_PROBLEMS]]
    body = {
        "fates": [[fate.sheet, fate.row, fate.what, fate.fate, fate.changes] for fate in result.plan.fates],
        "problems": [asdict(problem) for problem in listed],
        "n_faults": len(result.checked.faults),
        "n_remarks": len(result.checked.remarks),
    }
    return zlib.compress(json.dumps(body, ensure_ascii=False, separators=(",", ":")).encode(), 6)


def digest_of(packed: bytes) -> str:
    return hashlib.sha256(packed).hexdigest()


def keep_preview(kept: Upload, result: Result, by: User) -> dict[str, Any]:
    """Keep a preview beside its workbook and return what the job says of it."""
    packed = preview_of(result)
    keep_upload(kind=PREVIEW_KIND, name=str(kept.uuid), content=packed, by=by, at=timezone.now())
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for fate in result.plan.fates:
        counts[fate.sheet][fate.fate] += 1
    return {
        "preview": digest_of(packed),
        "counts": counts,
        "faults": len(result.checked.faults),
        "remarks": len(result.checked.remarks),
        "is_empty": result.plan.is_empty,
    }


def person_of(kept: Upload) -> User:
    """Who uploaded a workbook; every workbook has somebody, only older kinds of files may not."""
    if kept.by is None:
        raise Refused("Nobody is known to have uploaded this file.")
    return kept.by


def unpack(packed: bytes) -> dict[str, Any]:
    """The kept preview as fates and problems."""
    body: dict[str, Any] = json.loads(zlib.decompress(bytes(packed)))
    return body


# --- the records ------------------------------------------------------------------------------------------------------


def load_catalogue_facts() -> Catalogue:
    """The catalogue as the checks need it; retired types count, since they still hang on walls."""
    receivers = ReceiverType.objects.all()
    transmitters = TransmitterType.objects.select_related("battery_type")
    return Catalogue(
        {
            t.code: ReceiverTypeFacts(
                t.code, t.n_slots, t.n_outputs, tuple(t.windows_s), frozenset(t.behaviours),
                t.can_switch_supervision_off, t.momentary_min_s, t.momentary_max_s,
            )
            for t in receivers
        },
        {
            t.code: TransmitterTypeFacts(
                t.code, t.label, t.default_interval_s, t.default_window_s, t.default_duty, t.is_portable, t.n_inputs,
                t.battery_type.code if t.battery_type and t.power == "battery" else "", t.n_cells,
            )
            for t in transmitters
        },
        {
            t.code: BatteryTypeFacts(t.code, t.iec_code, t.ansi_code, tuple(t.aliases))
            for t in BatteryType.objects.all()
        },
    )  # fmt: skip


def load_records() -> tuple[Snapshot, OnRecord]:
    """The records by natural key, for the plan and for the checks."""
    snapshot = Snapshot()
    closed = _load_places(snapshot)
    zones = {code: ZoneInfo(site.facts["time_zone"]) for code, site in snapshot.sites.items()}
    receivers = _load_receivers(snapshot)
    zone_of = _load_slots(snapshot, receivers, zones)
    retired = _load_transmitters(snapshot, zone_of)
    return snapshot, _on_record(snapshot, closed, retired)


CUSTOMER_FIELDS = ("name", "language", "paper", "inspections_per_year", "response_hours")
SITE_FIELDS = (
    "name", "kind", "address", "postcode", "town", "latitude", "longitude", "time_zone", "person_to_meet", "phone",
)  # fmt: skip
RECEIVER_FIELDS = (
    "n_slots", "label", "area", "serial", "evidence", "supply_v", "fed_from", "cable_m", "cable_gauge", "measured_v",
    "installed_on", "standby_fitted_on",
)  # fmt: skip
OUTPUT_FIELDS = ("kind", "drives", "terminals", "contact", "rest", "eol_part")
SLOT_FIELDS = (
    "input_number", "is_shared", "label", "area", "duty", "is_portable", "supervision", "window_s", "interval_s", "contact",
    "registered_at", "register_again_since", "note",
)  # fmt: skip
FITTING_FIELDS = ("n_cells", "lot", "made_on", "removed_why", "removed_v")


def _load_places(snapshot: Snapshot) -> set[tuple[str, str]]:
    closed: set[tuple[str, str]] = set()
    codes = {}
    for pk, code, closed_at, *facts in Customer.objects.values_list("pk", "code", "closed_at", *CUSTOMER_FIELDS):
        codes[pk] = fold(code)
        snapshot.customers[fold(code)] = Known(pk, dict(zip(CUSTOMER_FIELDS, facts, strict=True)))
        if closed_at:
            closed.add(("customer", fold(code)))
    for person in Contact.objects.order_by("pk").values("pk", "customer_id", "name", "email", "phone"):
        snapshot.contacts.setdefault(codes[person["customer_id"]], []).append(Known(person["pk"], person))
    rows = Site.objects.values_list("pk", "code", "closed_at", "customer_id", *SITE_FIELDS)
    for pk, code, closed_at, customer_id, *facts in rows:
        named = dict(zip(SITE_FIELDS, facts, strict=True))
        snapshot.sites[fold(code)] = Known(pk, {**named, "customer": codes[customer_id]})
        if closed_at:
            closed.add(("site", fold(code)))
    return closed


def _load_receivers(snapshot: Snapshot) -> dict[int, tuple[str, str]]:
    """Receivers that hang there and their outputs; gives the place of each by its key."""
    places = {}
    rows = Receiver.objects.open().values_list("pk", "site__code", "type__code", *RECEIVER_FIELDS)
    for pk, site, type_code, *facts in rows:
        named = dict(zip(RECEIVER_FIELDS, facts, strict=True))
        places[pk] = (fold(site), named["label"])
        snapshot.receivers[places[pk]] = Known(pk, {**named, "type": type_code or ""})
    for pk, receiver, number, *facts in Output.objects.values_list("pk", "receiver_id", "number", *OUTPUT_FIELDS):
        if receiver in places:
            snapshot.outputs[places[receiver], number] = Known(pk, dict(zip(OUTPUT_FIELDS, facts, strict=True)))
    return places


def _load_slots(
    snapshot: Snapshot, places: dict[int, tuple[str, str]], zones: dict[str, ZoneInfo]
) -> dict[str, tzinfo]:
    """Open registrations with what they drive; gives the time zone in which each transmitter stands."""
    driven: dict[int, list[DrivenOutput]] = defaultdict(list)
    rows = RegistrationOutput.objects.filter(registration__removed_at=None).order_by("output__number")
    for pk, number, behaviour, seconds in rows.values_list("registration_id", "output__number", "behaviour", "seconds"):
        driven[pk].append(DrivenOutput(number, "" if behaviour == "unknown" else behaviour, seconds))
    zone_of: dict[str, tzinfo] = {}
    names = ("pk", "receiver_id", "slot", "transmitter__serial", *SLOT_FIELDS)
    for pk, receiver, slot, serial, *facts in Registration.objects.open().order_by("pk").values_list(*names):
        if receiver not in places:
            continue
        named: dict[str, Any] = dict(zip(SLOT_FIELDS, facts, strict=True))
        zone = zones[places[receiver][0]]
        named |= {"serial": serial or "", "outputs": tuple(driven[pk])}
        named["registered_on"] = named["registered_at"].astimezone(zone).date()
        snapshot.slots[places[receiver], slot] = Known(pk, named)
        if serial:
            zone_of.setdefault(serial, zone)
    return zone_of


def _load_transmitters(snapshot: Snapshot, zone_of: dict[str, tzinfo]) -> set[str]:
    retired = set()
    rows = Transmitter.objects.values_list("pk", "serial", "type__code", "customer__code", "retired_at")
    for pk, serial, type_code, customer, retired_at in rows:
        snapshot.transmitters[serial] = Known(pk, {"type": type_code or "", "customer": fold(customer)})
        if retired_at:
            retired.add(serial)
    home = ZoneInfo(settings.TIME_ZONE)
    names = (
        "pk",
        "transmitter__serial",
        "battery_type__code",
        "fitted_at",
        "entered_at",
        "removed_at",
        *FITTING_FIELDS,
    )
    for pk, serial, battery, fitted, entered, removed, *facts in _fittings(names):
        zone = zone_of.get(serial, home)
        named = dict(zip(FITTING_FIELDS, facts, strict=True)) | {
            "battery": battery or "",
            "fitted_on": fitted.astimezone(zone).date() if fitted else None,
            "entered_on": entered.astimezone(zone).date(),
            "removed_on": removed.astimezone(zone).date() if removed else None,
            "fitted_at": fitted,
        }
        snapshot.fittings.setdefault(serial, []).append(Known(pk, named))
    return retired


def _fittings(names: Sequence[str]) -> Iterator[Any]:
    return Fitting.objects.order_by("transmitter_id", "fitted_at", "pk").values_list(*names).iterator(chunk_size=5000)


def _on_record(snapshot: Snapshot, closed: set[tuple[str, str]], retired: set[str]) -> OnRecord:
    outputs: dict[tuple[str, str], dict[int, str]] = defaultdict(dict)
    for (place, number), output in snapshot.outputs.items():
        outputs[place][number] = output.facts["kind"]
    slots: dict[tuple[str, str], dict[int, Taken]] = defaultdict(dict)
    for (place, slot), row in snapshot.slots.items():
        slots[place][slot] = Taken(row.facts["serial"], row.facts["input_number"], row.facts["is_shared"])
    return OnRecord(
        customers=frozenset(snapshot.customers),
        sites={code: site.facts["customer"] for code, site in snapshot.sites.items()},
        receivers={
            place: ReceiverOnRecord(known.facts["type"], known.facts["n_slots"], outputs[place], slots[place])
            for place, known in snapshot.receivers.items()
        },
        transmitters={
            serial: TransmitterOnRecord(
                known.facts["customer"],
                known.facts["type"],
                tuple((c.facts["fitted_on"], c.facts["removed_on"]) for c in snapshot.fittings.get(serial, ())),
            )
            for serial, known in snapshot.transmitters.items()
        },
        closed=frozenset(closed),
        retired=frozenset(retired),
    )
