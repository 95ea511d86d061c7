"""Take an import back while nothing else has touched what it wrote: all of it, in one short transaction, or nothing.

What the import made is deleted: nothing happened to it, so no history is lost; what it changed gets its values of before,
and what it ended goes on. Every change row of the import stays in the log and gets a row that says it was taken back.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.apps import apps
from django.db import connection, models, transaction
from django.utils.translation import gettext as _

from company import jobs
from company.bulk import Statement, alteration, insertion, removal
from company.errors import Refused
from company.models import ChangeRow, Contact, Customer, Job, Upload, User
from company.undo import CUSTOMER_NAME, TAKE_BACK
from devices.actions.import_book import chunks
from devices.actions.import_undo_areas import areas_that_stay
from devices.actions.import_undo_since import SHOWN, changes_since, of_import, say_change
from devices.actions.imports import RecordsMovedOn, change_mark, settle_key
from devices.actions.ledger import lock_all
from devices.models import (
    Away,
    BatteryType,
    Fitting,
    FittingEnd,
    Output,
    Receiver,
    ReceiverType,
    Registration,
    RegistrationOutput,
    Transmitter,
    TransmitterType,
)
from devices.rules.slot_life import never_stood
from sites.models import Area, Site

MODELS: dict[str, type[models.Model]] = {
    "customer": Customer, "contact": Contact, "site": Site, "receiver": Receiver, "output": Output,
    "transmitter": Transmitter, "registration": Registration, "fitting": Fitting, "area": Area,
}  # fmt: skip
# Worked out from the records, so not somebody's doing: they go with what they were worked out from.
DERIVED = (
    "maintenance.DueChange", "maintenance.DueItem", "maintenance.FindingRecord", "devices.FittingTotals", "devices.FittingEnd",
)  # fmt: skip


class NothingToTakeBack(Refused):
    """The file was not applied, or was taken back already."""


class TouchedSince(Refused):
    """Something else rests on what the import wrote; `lines` say what."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines
        shown = " ".join(f"{line}." for line in lines[:SHOWN])
        super().__init__(
            _(
                "Its records were used or changed since. %(shown)s Take those back first, or correct the records by "
                "hand."
            )
            % {"shown": shown}
        )


@dataclass(slots=True)
class TakingBack:
    """Everything that will be written, and the receivers to settle afterwards."""

    statements: list[Statement] = field(default_factory=list)
    receiver_ids: list[int] = field(default_factory=list)
    locked_receiver_ids: set[int] = field(default_factory=set)
    locked_unit_ids: set[int] = field(default_factory=set)
    n_rows: int = 0
    n_removed: int = 0


@transaction.atomic
def ask_to_take_back(*, upload: Upload, by: User, at: datetime) -> Job:
    """Ask for an import to be taken back; asking again after a refusal tries again.

    Raises
    ------
    NothingToTakeBack, TouchedSince
        As far as the log tells at once; the job looks closer.
    """
    _refuse_early(upload)
    return jobs.enqueue(
        handler="devices.imports.undo_import",
        key=f"{undo_prefix(upload)}{at.isoformat()}",
        title=(_("Taking back the import of %(upload)s") % {"upload": upload.name})[:200],
        args={"upload": str(upload.uuid), "by": by.pk},
        by=by,
    )


def undo_prefix(upload: Upload) -> str:
    return f"workbook-undo:{upload.uuid}:"


def _refuse_early(upload: Upload) -> None:
    if not of_import(upload).exists():
        raise NothingToTakeBack(_("This workbook has not been applied, so there is nothing to take back."))
    if ChangeRow.objects.filter(batch=upload.uuid).exclude(undoes=None).exists():
        raise NothingToTakeBack(_("This import, or a part of it, was taken back already."))
    if later := changes_since(upload):
        raise TouchedSince([say_change(row) for row in later])


def prepare_taking_back(*, upload: Upload, by: User, at: datetime) -> TakingBack:
    """Work out what taking an import back writes. Writes nothing itself.

    Raises
    ------
    NothingToTakeBack, TouchedSince
        The latter also where a visit, a paper, a fault or another record rests on something that the import made.
    """
    _refuse_early(upload)
    return _TakeBack(list(of_import(upload).order_by("pk")), by, at).prepared()


@transaction.atomic
def take_back_import(
    *,
    prepared: TakingBack,
    upload: Upload,
    mark: tuple[int, int],
    by: User,
    at: datetime,
    finish: Callable[[dict[str, Any]], None],
) -> None:
    """Write what was prepared, or nothing; `mark` and `finish` as for `apply_import`.

    Raises
    ------
    RecordsMovedOn
        If a record was changed since it was prepared.
    """
    lock_all({*prepared.receiver_ids, *prepared.locked_receiver_ids}, prepared.locked_unit_ids)
    if change_mark() != mark:
        raise RecordsMovedOn(_("The records were changed while the import was being taken back. Nothing was written."))
    for statement in prepared.statements:
        statement.run()
    if prepared.receiver_ids:
        jobs.enqueue(
            handler="devices.imports.settle_import",
            key=settle_key(upload.uuid, "undo"),
            title=(_("Due dates after taking back the import of %(upload)s") % {"upload": upload.name})[:200],
            args={"batch": str(upload.uuid), "receivers": prepared.receiver_ids},
            by=by,
        )
    finish({"rows": prepared.n_rows, "removed": prepared.n_removed})


def _areas_of(sites: list[int]) -> Iterable[int]:
    return Area.objects.filter(site__in=sites).values_list("pk", flat=True)


def _forget(names: Mapping[int, str]) -> Statement:
    """The log keeps its rows; a column cannot name a customer that is gone, so the row's facts do."""
    table = ChangeRow._meta.db_table
    said = (
        "jsonb_set(coalesce(after, '{}'::jsonb), '{" + CUSTOMER_NAME + "}', to_jsonb(%s::text))"
        if connection.vendor == "postgresql"
        else f"json_set(coalesce(after, '{{}}'), '$.{CUSTOMER_NAME}', %s)"
    )
    return Statement(
        f'UPDATE "{table}" SET customer_id = NULL, after = {said} WHERE customer_id = %s',
        [(name, key) for key, name in sorted(names.items())],
    )


class _TakeBack:
    """Goes through the change rows of one import."""

    def __init__(self, rows: list[ChangeRow], by: User, at: datetime) -> None:
        self.rows, self.by, self.at = rows, by, at
        self.imported_at = rows[0].at
        self.new: dict[type[models.Model], set[int]] = defaultdict(set)
        self.sets: dict[tuple[type[models.Model], tuple[str, ...]], list[tuple[int, tuple[Any, ...]]]] = {}
        self.touched: list[str] = []
        self.staying: set[int] = set()
        self.names: dict[int, str] = {}
        self.types = {
            Receiver: dict(ReceiverType.objects.values_list("code", "pk")),
            Transmitter: dict(TransmitterType.objects.values_list("code", "pk")),
            Fitting: dict(BatteryType.objects.values_list("code", "pk")),
        }

    def prepared(self) -> TakingBack:
        for row in self.rows:
            self._row(row)
        self._refuse_ended()
        self._add_slips()
        self._keep_areas()
        self._add_dependents()
        self.names = dict(Customer.objects.filter(pk__in=self.new[Customer]).values_list("pk", "name"))
        self._refuse_used()
        if self.touched:
            raise TouchedSince(self.touched)
        rows = [row for row in self.rows if not (row.subject_kind == "area" and row.subject_id in self.staying)]
        done = TakingBack(n_rows=len(rows), n_removed=sum(len(self.new[model]) for model in MODELS.values()))
        done.receiver_ids = self._receivers()
        done.locked_unit_ids, done.locked_receiver_ids = self._to_lock()
        done.statements = [*self._removals(), *self._restorals(), *self._ends()]
        raised = f'UPDATE "{Receiver._meta.db_table}" SET version = version + 1 WHERE id = %s'
        done.statements.append(Statement(raised, [(pk,) for pk in done.receiver_ids]))
        done.statements.append(insertion(ChangeRow, [self._said(row) for row in rows]))
        return done

    def _said(self, row: ChangeRow) -> ChangeRow:
        name = self.names.get(row.customer_id or 0)
        after = (row.before or {}) | {CUSTOMER_NAME: name} if name is not None else row.before
        # What the import had begun in a slot is gone; that it was taken back is told of what goes on there.
        goes_on = (row.before or {}).get("registration") if row.verb == "change_slot" else None
        return ChangeRow(
            at=self.at, by=self.by, customer_id=row.customer_id if name is None else None, verb=TAKE_BACK,
            subject_kind=row.subject_kind, subject_id=goes_on or row.subject_id, subject_text=row.subject_text, before=row.after,
            after=after, reason=row.reason, batch=row.batch, undoes=row,
        )  # fmt: skip

    def _keep_areas(self) -> None:
        """An area goes with the import that made it, unless it is in use or a person has worked on it since."""
        with_site = {pk for some in chunks(sorted(self.new[Site])) for pk in _areas_of(some)}
        former: dict[Any, dict[int, str]] = {Registration: {}, Receiver: {}}
        for (model, names), rows in self.sets.items():
            if model in former and "area" in names:
                former[model].update((pk, values[names.index("area")]) for pk, values in rows)
        self.staying = areas_that_stay(
            self.new[Area] - with_site, batch=self.rows[0].batch, going=self.new, former=former
        )
        self.new[Area] -= self.staying

    def _row(self, row: ChangeRow) -> None:
        model, before = MODELS[row.subject_kind], row.before
        if row.verb == "change_slot" and before and "registration" in before:
            self.new[Registration].add(row.subject_id)
            self._set(Registration, before["registration"], {"removed_at": None, "removed_why": ""})
            for pk in before.get("away", []):
                self._set(Away, pk, {"ended_on": None})
        elif row.verb == "fit_battery":
            self.new[Fitting].add(row.subject_id)
            if before:
                self._set(Fitting, before["fitting"], {"removed_at": None, "removed_why": ""})
        elif row.verb == "correct_fitting" and before:
            names = ("n_cells", "fitted_at", "removed_at", "removed_why", "removed_v", "lot", "made_on")
            self._set(Fitting, row.subject_id, {n: before[n] for n in names} | {"battery_type": before["battery"]})
        elif before:
            self._set(model, row.subject_id, dict(before))
        else:
            self.new[model].add(row.subject_id)

    def _set(self, model: type[models.Model], pk: int, values: dict[str, Any]) -> None:
        values.pop("receiver", None)
        values.pop("version", None)
        for name in ("type", "battery_type"):
            if name in values and model in self.types:
                values[name] = self.types[model].get(values[name] or "")
        names = tuple(sorted(values))
        fields: list[Any] = [model._meta.get_field(name) for name in names]
        found = tuple(
            values[n] if f.is_relation else f.to_python(values[n]) for n, f in zip(names, fields, strict=True)
        )
        self.sets.setdefault((model, names), []).append((pk, found))

    def _refuse_ended(self) -> None:
        """A registration that has ended since is part of the ledger; it can neither vanish nor change its words."""
        worded = {
            pk for (m, n), rows in self.sets.items() if m is Registration and "removed_at" not in n for pk, _ in rows
        }
        ended = Registration.objects.exclude(removed_at=None)
        for some in chunks(sorted(self.new[Registration] | worded)):
            self.touched += [_("%(row)s has ended since") % {"row": row} for row in ended.filter(pk__in=some)[:SHOWN]]

    def _add_slips(self) -> None:
        """What was begun on these records and taken back on its day never stood, so it goes with them."""
        found = {pk for model in (Transmitter, Receiver, Registration) for pk in self._slips(model, self.new[model])}
        while found:
            self.new[Registration] |= found
            found = self._slips(Registration, found)

    def _slips(self, model: type[models.Model], keys: Iterable[int]) -> set[int]:
        """Registrations that never stood, of these transmitters or receivers, or in place of these registrations."""
        name = {Transmitter: "transmitter", Receiver: "receiver", Registration: "replaces"}[model]
        found: set[int] = set()
        for some in chunks(sorted(keys)):
            ended = Registration.objects.filter(**{f"{name}__in": some}).exclude(removed_at=None)
            spans = ended.values_list("pk", "registered_at", "removed_at")
            found |= {pk for pk, begun, over in spans if never_stood(begun, over)}
        return found - self.new[Registration]

    def _add_dependents(self) -> None:
        """Find what the import made without a change row of its own."""
        self._of(Output, "receiver_id", self.new[Receiver])
        self._of(Area, "site_id", self.new[Site])
        self._of(RegistrationOutput, "registration_id", self.new[Registration])
        self._of(Away, "registration_id", self.new[Registration])

    def _of(self, model: Any, path: str, keys: Iterable[int]) -> None:
        for some in chunks(sorted(keys)):
            self.new[model].update(model.objects.filter(**{f"{path}__in": some}).values_list("pk", flat=True))

    def _refuse_used(self) -> None:
        """Look at every table that can point at what the import made, and at what is worked out from it."""
        for some in chunks(sorted(self.new[Output])):
            by_hand = ChangeRow.objects.filter(subject_kind="output", subject_id__in=some, undoes=None, undone_by=None)
            self.touched += [
                say_change(r) for r in by_hand.exclude(batch=self.rows[0].batch).select_related("by")[:SHOWN]
            ]
        for model in [*[m for m in self.new if m._meta.label not in DERIVED], *map(apps.get_model, reversed(DERIVED))]:
            for relation in model._meta.get_fields(include_hidden=True):
                if relation.auto_created and not relation.concrete and relation.one_to_many | relation.one_to_one:
                    other: Any = relation.related_model
                    for some in chunks(sorted(self.new[model])):
                        self._pointing(other, relation.field.name, some)

    def _pointing(self, other: Any, name: str, keys: list[int]) -> None:
        if other is ChangeRow or len(self.touched) >= SHOWN:
            return
        rows = other._base_manager.filter(**{f"{name}__in": keys})
        if other._meta.label in DERIVED:
            if other is FittingEnd:
                later = rows.exclude(recorded_at=self.imported_at).filter(taken_back_at=None)
                self.touched += [
                    _("%(fitting)s: its end was recorded") % {"fitting": end.fitting} for end in later[:SHOWN]
                ]
            self.new[other].update(rows.values_list("pk", flat=True))
            return
        known = self.new.get(other, set())
        foreign = [pk for pk in rows.values_list("pk", flat=True) if pk not in known][: SHOWN - len(self.touched)]
        words = f"{other._meta.verbose_name}".capitalize()
        self.touched += [
            _("%(words)s “%(row)s” rests on it") % {"words": words, "row": row}
            for row in other._base_manager.filter(pk__in=foreign)
        ]

    def _receivers(self) -> list[int]:
        found = {row.after["receiver"] for row in self.rows if row.after and isinstance(row.after.get("receiver"), int)}
        return sorted(found - self.new[Receiver])

    def _to_lock(self) -> tuple[set[int], set[int]]:
        """Transmitters whose place or cells are written of, and the receivers in which they ever stood."""

        def written(model: type[models.Model]) -> set[int]:
            altered = {pk for (other, _), rows in self.sets.items() if other is model for pk, _ in rows}
            return altered | set(self.new[model])

        units = written(Transmitter)
        for model in (Registration, Fitting):
            for some in chunks(sorted(written(model))):
                found = model._base_manager.filter(pk__in=some, transmitter__isnull=False)
                units |= set(found.values_list("transmitter_id", flat=True))
        receivers: set[int] = set()
        for some in chunks(sorted(units)):
            stood = Registration.objects.filter(transmitter__in=some)
            receivers |= set(stood.values_list("receiver_id", flat=True))
        return units, receivers

    def _removals(self) -> list[Statement]:
        order: list[type[models.Model]] = [
            *map(apps.get_model, DERIVED), Away, RegistrationOutput, Registration, Fitting, Transmitter, Output, Receiver, Area, Site, Contact,
        ]  # fmt: skip
        statements = [removal(model, sorted(self.new[model])) for model in order if self.new[model]]
        if self.new[Customer]:
            statements += [_forget(self.names), removal(Customer, sorted(self.names))]
        return statements

    def _restorals(self) -> list[Statement]:
        return [alteration(model, names, rows) for (model, names), rows in self.sets.items()]

    def _ends(self) -> list[Statement]:
        """Statements about ends that the import made vanish, those it took back hold again."""
        kept = [pk for (model, _), rows in self.sets.items() if model is Fitting for pk, _ in rows]
        made: list[int] = []
        back: list[int] = []
        for some in chunks(sorted(kept)):
            of_these = FittingEnd.objects.filter(fitting_id__in=some)
            made += of_these.filter(recorded_at=self.imported_at).values_list("pk", flat=True)
            back += of_these.filter(taken_back_at=self.imported_at).values_list("pk", flat=True)
        return [removal(FittingEnd, made), alteration(FittingEnd, ("taken_back_at",), [(pk, (None,)) for pk in back])]
