"""A fleet in a database of its own, for tests that start real workers. Run as `python -m tests.celery.fleet VERB …`.

Not a fixture: the workers are other processes, so nothing here may live in a test's transaction. Every verb prints JSON.
"""

from __future__ import annotations

import hashlib
import json
import sys
from datetime import date, timedelta
from typing import Any

N_RECEIVERS = 300
SLOTS_A_RECEIVER = 20
N_ENDED = 6000


def build(day: str) -> dict[str, Any]:
    """Make the fleet, publish its dates once, then change the policy so that the next run moves every date."""
    from company import jobs
    from company.actions import ensure_policies
    from company.models import RiskPolicy
    from devices.models import Fitting, Receiver, Registration, Transmitter
    from maintenance.actions.due import start_nightly
    from tests import factories

    customers = [factories.make_customer(code=f"K{n}") for n in range(2)]
    sites = [factories.make_site(customers[n % 2], code=f"F{n}") for n in range(20)]
    kind, cells = factories.transmitter_type(), factories.battery_type()
    receivers = Receiver.objects.bulk_create(
        Receiver(
            site=sites[n % 20], customer=sites[n % 20].customer, label=f"R{n:04}", n_slots=64,
            type=factories.receiver_type() if n == 0 else None,
        )
        for n in range(N_RECEIVERS)
    )  # fmt: skip
    places = [(receiver, slot) for receiver in receivers for slot in range(1, SLOTS_A_RECEIVER + 1)]
    transmitters = Transmitter.objects.bulk_create(
        Transmitter(customer_id=receiver.customer_id, type=kind, serial=f"SK-{receiver.label}-{slot}")
        for receiver, slot in places
    )
    since = factories.NOW - timedelta(days=400)
    Registration.objects.bulk_create(
        Registration(
            customer_id=receiver.customer_id, site_id=receiver.site_id, receiver=receiver, slot=slot,
            transmitter=transmitter, label=f"Room {slot}", supervision="on", window_s=14400, interval_s=3600,
            duty=("life_safety", "security", "convenience")[n % 3], registered_at=since,
        )
        for n, ((receiver, slot), transmitter) in enumerate(zip(places, transmitters, strict=True))
    )  # fmt: skip
    Fitting.objects.bulk_create(
        Fitting(
            customer_id=transmitter.customer_id, transmitter=transmitter, battery_type=cells,
            fitted_at=since - timedelta(days=n % 200), entered_at=since - timedelta(days=n % 200),
        )
        for n, transmitter in enumerate(transmitters)
    )  # fmt: skip
    # Cells that came out before, so that the night has something to learn.
    Fitting.objects.bulk_create(
        Fitting(
            customer_id=transmitter.customer_id, transmitter=transmitter, battery_type=cells,
            fitted_at=since - timedelta(days=1600 + 7 * (n % 90)), entered_at=since - timedelta(days=1600 + 7 * (n % 90)),
            removed_at=since - timedelta(days=n % 200, minutes=1), lot="" if n % 3 else f"{n % 9}A",
            removed_why=("low_battery", "preventive", "dead")[n % 3],
            last_alive_at=since - timedelta(days=n % 200 + 5),
        )
        for n, transmitter in enumerate(transmitters[:N_ENDED])
    )  # fmt: skip
    ensure_policies()
    start_nightly(day=date.fromisoformat(day) - timedelta(days=60))
    jobs.run_ready()
    # Every cell is now due by its time in service, so every published date moves in the next run.
    RiskPolicy.objects.update(calendar_cap_days=200)
    return state()


def undisturbed(day: str) -> dict[str, Any]:
    """Run the night of that day here and now, in this process alone."""
    from company import jobs
    from maintenance.actions.due import start_nightly

    start_nightly(day=date.fromisoformat(day))
    jobs.run_ready()
    return state()


def state() -> dict[str, Any]:
    """What stands in the database, without keys and times of writing: equal for two runs that did the same."""
    from company.models import Job
    from maintenance.models import BatteryFit, DueChange, DueItem, RefreshRun, StratumFit

    items = DueItem.objects.order_by("kind", "transmitter__serial", "receiver__label", "is_closed").values_list(
        "kind", "transmitter__serial", "receiver__label", "registration__slot", "duty", "harm", "due_on", "reason",
        "opinions", "flags", "exposure", "exposure_limit", "figures", "model_version", "as_of", "is_closed", "signature",
        "n_ends", "lot_factor", "chance_ahead",
    )  # fmt: skip
    changes = DueChange.objects.order_by("due_item__transmitter__serial", "to_on").values_list(
        "due_item__transmitter__serial", "from_on", "to_on", "from_reason", "to_reason", "run__business_day"
    )
    return {
        "items": len(items),
        "changes": len(changes),
        # With sorted keys: PostgreSQL keeps the keys of a JSON value in an order of its own.
        "digest": hashlib.sha256(
            json.dumps([list(items), list(changes)], sort_keys=True, default=str).encode()
        ).hexdigest(),
        "runs": [
            {"day": run.business_day.isoformat(), "state": run.state, "items": run.n_items, "changed": run.n_changed,
             "chunks": run.n_chunks, "closed": run.closed_at is not None}
            for run in RefreshRun.objects.order_by("business_day")
        ],
        # What an interrupted try has left is taken away by the next: one fit a run, the newest in use.
        "fits": [
            {"run": fit.run.business_day.isoformat() if fit.run else None, "current": fit.is_current,
             "batteries": fit.n_batteries, "ends": fit.n_ends, "prior": fit.prior, "lots": fit.lots.count(),
             "strata": list(fit.strata.order_by("number").values_list("n_ends", "u_1", "z", "limits"))}
            for fit in BatteryFit.objects.order_by("as_of", "pk").select_related("run")
        ],
        "posteriors": StratumFit.objects.exclude(posterior=None).count(),
        "jobs": [
            {"key": job.key, "state": job.state, "attempts": job.attempts, "error": job.error[-300:],
             "result": job.result}
            # Earlier predictions, findings and links are looked at beside the night, and no date waits for them.
            for job in Job.objects.exclude(key__regex="^(backtest|findings|links|checkins):").order_by("key")
        ],
    }  # fmt: skip


def main() -> None:
    import django

    django.setup()
    verb, *arguments = sys.argv[1:]
    answer = {"build": build, "undisturbed": undisturbed, "state": state}[verb](*arguments)
    print(json.dumps(answer))


if __name__ == "__main__":
    main()
