"""Fills an empty database with a large fleet by INSERT … SELECT, for the benchmark of the night's run."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.apps import apps
from django.db import connection, models

A_RECEIVER, A_SITE = 32, 200
"""Transmitters per receiver and per site."""


@dataclass(frozen=True)
class Fleet:
    """Size of the fleet; half of the strata have counted activations."""

    n_batteries: int
    n_strata: int
    n_days: int
    today: date


def fill(fleet: Fleet) -> None:
    """Make everything; plain numbers, no randomness, so that two fills are alike."""
    _catalogue(fleet)
    n, n_sites, n_receivers = fleet.n_batteries, -(-fleet.n_batteries // A_SITE), -(-fleet.n_batteries // A_RECEIVER)
    insert("company.Customer", 10, id="i", code="'C' || i", name="'Customer ' || i")
    insert(
        "sites.Site", n_sites, id="i", customer_id="1 + i % 10", code="'S' || i", name="'Site ' || i",
        time_zone="CASE i % 3 WHEN 0 THEN 'Europe/London' WHEN 1 THEN 'Europe/Helsinki' ELSE 'America/New_York' END",
    )  # fmt: skip
    site = f"(1 + (i - 1) * {A_RECEIVER} / {A_SITE})"
    insert(
        "devices.Receiver", n_receivers, id="i", customer_id=f"1 + {site} % 10", site_id=site, code="'R' || i",
        type_id="1", n_slots="64", label="'R' || i", evidence="'every'", created_at=ago("900"),
    )  # fmt: skip
    site, receiver = f"(1 + (i - 1) / {A_SITE})", f"(1 + (i - 1) / {A_RECEIVER})"
    customer = f"1 + (1 + ({receiver} - 1) * {A_RECEIVER} / {A_SITE}) % 10"
    site = f"(1 + ({receiver} - 1) * {A_RECEIVER} / {A_SITE})"
    n_types = fleet.n_strata // 2
    insert(
        "devices.Transmitter", n, id="i", customer_id=customer, type_id=f"1 + i % {n_types}", serial="'SK-' || i",
        created_at=ago("900"),
    )  # fmt: skip
    insert(
        "devices.Registration", n, id="i", customer_id=customer, site_id=site, receiver_id=receiver,
        slot=f"1 + (i - 1) % {A_RECEIVER}", transmitter_id="i", label="'Room ' || i", supervision="'on'", window_s="14400",
        interval_s="3600", registered_at=ago("2500"),
        duty="CASE i % 3 WHEN 0 THEN 'life_safety' WHEN 1 THEN 'security' ELSE 'convenience' END",
    )  # fmt: skip
    age = "(30 + (i % 9973) * 7919 % 540)"
    lived = "(600 + (i % 9967) * 7907 % 500)"
    insert(
        "devices.Fitting", n, id="i", customer_id=customer, transmitter_id="i", battery_type_id="1", n_cells="1",
        fitted_at=ago(age), entered_at=ago(age), lot=f"CASE WHEN i % 2 = 0 THEN 'L' || (i % {n_types}) || '-' || (i / {n_types * 50}) ELSE '' END",
    )  # fmt: skip
    # Three of ten had cells before, and these had ended in one way or another.
    insert(
        "devices.Fitting", n * 3 // 10, id=f"i + {n}", customer_id=customer, transmitter_id="i", battery_type_id="1",
        n_cells="1", fitted_at=ago(f"({age} + {lived})"), entered_at=ago(f"({age} + {lived})"), removed_at=ago(age),
        removed_why="CASE WHEN i % 5 < 2 THEN 'low_battery' WHEN i % 5 = 2 THEN 'dead' ELSE 'preventive' END",
        first_low_at=f"CASE WHEN i % 5 < 2 THEN {ago(f'({age} + 9)')} ELSE NULL END",
        last_alive_at=f"CASE WHEN i % 5 = 2 THEN {ago(f'({age} + 1)')} ELSE NULL END",
    )  # fmt: skip
    _totals(fleet, customer, age, lived)
    if fleet.n_days:
        _rollups(fleet)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def _catalogue(fleet: Fleet) -> None:
    """Types of our own instead of the shipped ones, so that there are as many kinds as asked for."""
    for name in ("TransmitterType", "BatteryType", "ReceiverType"):
        apps.get_model("devices", name)._default_manager.all().delete()
    insert(
        "devices.BatteryType", 1, id="i", code="'cell'", label="'cell'", origin="'own'", iec_code="'X'",
        chemistry="'lithium_manganese'", nominal_v="3", capacity_mah="1500", self_discharge_per_year="0.0125",
        shelf_life_years="10", share_0c="0.9", share_m10c="0.8", share_m20c="0.65", share_m40c="0.35",
    )  # fmt: skip
    insert(
        "devices.TransmitterType", fleet.n_strata // 2, id="i", code="'t' || i", label="'t' || i", origin="'own'",
        kind="'pendant'", battery_type_id="1", usable_share="0.85", sleep_ua="40 + i % 7", checkin_uas="36000",
        activation_uah="5", typical_activations_per_day="1 + i % 3",
    )  # fmt: skip
    insert(
        "devices.ReceiverType", 1, id="i", code="'r'", label="'r'", origin="'own'", n_slots="64", n_outputs="4",
        supply_v_nominal="12", supply_v_min="10", supply_ma="250", default_window_s="14400",
        default_behaviour="'follower'", has_standby_battery="true", standby_life_years="4",
    )  # fmt: skip


def _totals(fleet: Fleet, customer: str, age: str, lived: str) -> None:
    """One setting-period per set of cells, counted in half of the kinds."""
    n, n_types = fleet.n_batteries, fleet.n_strata // 2
    counted = f"((i / {n_types}) % 2)"
    for first, count, begun, days in (
        (0, n, age, age), (n, n * 3 // 10, f"({age} + {lived})", lived)
    ):  # fmt: skip
        insert(
            "devices.FittingTotals", count, id=f"i + {first}", customer_id=customer, fitting_id=f"i + {first}",
            from_on=day_ago(begun), interval_s="3600", days_measured=f"{counted} * {days}",
            activations=f"{counted} * {days} * (1 + i % 3)", checkins=f"24 * {days}",
        )  # fmt: skip


def _rollups(fleet: Fleet) -> None:
    """Days of check-ins, month by month as they come in."""
    first = fleet.today - timedelta(days=fleet.n_days)
    with connection.cursor() as cursor:
        if connection.vendor != "postgresql":
            return
        for start in range(0, fleet.n_days, 30):
            count = min(30, fleet.n_days - start)
            begin = first + timedelta(days=start)
            cursor.execute(
                "INSERT INTO devices_checkinday (transmitter_id, day, customer_id, heard, expected, activations, "
                f"loss_runs, flags) SELECT i, DATE '{begin}' + d, 1 + i % 10, 24, 24, (i + d) % 4, 0, 0 "
                f"FROM generate_series(1, {fleet.n_batteries}) AS t (i), generate_series(0, {count - 1}) AS g (d)"
            )


def ago(days: str) -> str:
    """Moment so many days before now."""
    if connection.vendor == "postgresql":
        return f"(date_trunc('second', now()) - {days} * interval '1 day')"
    return f"datetime('now', '-' || {days} || ' days')"


def day_ago(days: str) -> str:
    """Date so many days before today."""
    return (
        f"(current_date - {days}::int)"
        if connection.vendor == "postgresql"
        else f"date('now', '-' || {days} || ' days')"
    )


def insert(model_name: str, n: int, /, **columns: str) -> None:
    """Make n rows, i = 1 … n; columns that are not named get the model's default."""
    model: Any = apps.get_model(model_name)
    values = dict(columns)
    for field in model._meta.concrete_fields:
        if field.column not in values and not field.null and not field.primary_key:
            values[field.column] = _literal(field)
    series = f"generate_series(1, {n}) AS n (i)"
    if connection.vendor != "postgresql":
        series = (
            f"(WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {n}) SELECT i FROM n) AS n"
        )
    if n:
        names = ", ".join(f'"{column}"' for column in values)
        with connection.cursor() as cursor:
            cursor.execute(
                f'INSERT INTO "{model._meta.db_table}" ({names}) SELECT {", ".join(values.values())} FROM {series}'
            )
            if connection.vendor == "postgresql" and model._meta.pk.get_internal_type() != "AutoField":
                cursor.execute(
                    f"SELECT setval(pg_get_serial_sequence('{model._meta.db_table}', 'id'), "
                    f"(SELECT max(id) FROM {model._meta.db_table}))"
                )


def _literal(field: Any) -> str:
    default = field.get_default()
    if isinstance(field, models.UUIDField):
        return "gen_random_uuid()" if connection.vendor == "postgresql" else "lower(hex(randomblob(16)))"
    if isinstance(field, models.DateTimeField):
        return ago("1")
    if isinstance(field, models.JSONField):
        return "'[]'" if isinstance(default, list) else "'{}'"
    if isinstance(default, bool):
        return "true" if default else "false"
    if isinstance(default, int | float):
        return str(default)
    return "'" + str("" if default is None else default).replace("'", "''") + "'"
