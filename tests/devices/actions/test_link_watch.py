"""Links judged night by night: each closed day once, late or lagging sources, absences, moves; rebuilt from nothing the same."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import pytest
from django.db import transaction

from devices.actions import link_watch
from devices.actions.link_watch import OvertakenJudge, judge_links, rebuild_links
from devices.models import Away, CheckInDay, LinkDay, LinkWatch, OutageDay, Receiver
from devices.rules.presence import mask_of_quarters
from tests.factories import NOW, TODAY, make_receiver, make_registration

pytestmark = pytest.mark.django_db
N_DAYS = 60
FIRST = TODAY - timedelta(days=N_DAYS)


def midnight(day: date) -> datetime:
    return datetime.combine(day, time(), UTC)


def receiver(n: int = 5, **over: Any) -> Receiver:
    """A receiver of which every check-in reaches us, with n transmitters registered on the first day."""
    fields = {"evidence": "every", "heard_until": NOW, "days_closed_until": TODAY}
    made = make_receiver(**(fields | over))
    for slot in range(1, n + 1):
        make_registration(made, slot, registered_at=midnight(FIRST - timedelta(days=1)))
    return made


def units(of: Receiver) -> list[int]:
    return list(of.registrations.order_by("slot").values_list("transmitter_id", flat=True))


def put(unit: int, day: date, heard: int, expected: int = 24, customer: int = 1) -> None:
    CheckInDay.objects.create(transmitter_id=unit, day=day, customer_id=customer, heard=heard, expected=expected)


def lived(
    of: Receiver, *, weak: int | None = None, falls: int = 30, to: float = 0.75, seed: int = 1, skip: Any = ()
) -> None:
    """Days of all its transmitters with .97 getting through; one of them less from some day on."""
    rng = np.random.default_rng(seed)
    rows = []
    for place, unit in enumerate(units(of)):
        for n in range(N_DAYS):
            share = 0.97 * (to if place == weak and n >= falls else 1.0)
            heard = int(rng.binomial(24, share))
            if (place, n) not in skip:
                rows.append(
                    CheckInDay(
                        transmitter_id=unit, day=FIRST + timedelta(days=n), customer_id=of.customer_id, heard=heard,
                        expected=24,
                    )
                )  # fmt: skip
    CheckInDay.objects.bulk_create(rows)


def states() -> list[tuple[Any, ...]]:
    names = ("transmitter_id", "registration_id", "judged_on", "onset_on", "amber_since", "red_since")
    sums = ("score", "base_heard", "base_expected", "share_before", "share_now")
    rows = LinkWatch.objects.order_by("transmitter_id").values_list(*names, *sums)
    return [(*row[: len(names)], *(None if x is None else round(x, 9) for x in row[len(names) :])) for row in rows]


def outcome() -> tuple[Any, ...]:
    days = [(day, round(z2, 9), n) for day, z2, n in LinkDay.objects.order_by("day").values_list("day", "sum_z2", "n")]
    outages = list(OutageDay.objects.order_by("receiver", "day").values_list("receiver_id", "day"))
    return states(), days, outages


def test_a_link_that_fell_is_found_and_its_onset_dated() -> None:
    one = receiver()
    lived(one, weak=2)
    done = judge_links(at=NOW)
    assert done.n_days == N_DAYS
    assert done.changed == {one.pk}
    weak = LinkWatch.objects.get(amber_since__isnull=False)
    assert weak.transmitter_id == units(one)[2]
    assert abs((weak.onset_on - (FIRST + timedelta(days=29))).days) <= 2
    assert timedelta(0) < weak.amber_since - weak.onset_on < timedelta(days=15)
    assert weak.red_since is not None
    assert weak.share_before == pytest.approx(0.96, abs=0.03)
    assert weak.share_now == pytest.approx(0.73, abs=0.08)


def test_night_by_night_comes_to_the_same_as_all_at_once_and_as_rebuilt() -> None:
    one = receiver()
    lived(one, weak=0, skip={(1, n) for n in range(20, 26)})
    for n in range(1, N_DAYS + 1):
        judge_links(at=NOW, until=FIRST + timedelta(days=n))
    nightly = outcome()
    assert rebuild_links(at=NOW).n_days == N_DAYS
    assert outcome() == nightly
    assert LinkWatch.objects.filter(amber_since__isnull=False).count() == 1


def test_a_second_run_writes_nothing_and_reads_no_day() -> None:
    lived(receiver())
    judge_links(at=NOW)
    before = outcome()
    again = judge_links(at=NOW)
    assert (again.n_days, again.n_judged) == (0, 0)
    assert outcome() == before


def test_only_closed_days_are_judged_and_a_lagging_receiver_is_caught_up_with() -> None:
    one, late = receiver(), receiver(days_closed_until=TODAY - timedelta(days=10))
    lived(one)
    lived(late, weak=1, seed=2)
    judge_links(at=NOW)
    assert set(LinkWatch.objects.filter(transmitter__in=units(late)).values_list("judged_on", flat=True)) == {
        TODAY - timedelta(days=11)
    }
    Receiver.objects.filter(pk=late.pk).update(days_closed_until=TODAY)
    assert judge_links(at=NOW).n_days == 10
    behind = outcome()
    rebuild_links(at=NOW)
    # φ of a day counts those who came late only from when they came: everything else is the same.
    assert behind[2] == outcome()[2]
    assert [row[:3] for row in behind[0]] == [row[:3] for row in outcome()[0]]
    assert behind[1] == outcome()[1]


def test_where_days_were_never_closed_the_watermark_counts() -> None:
    one = receiver(days_closed_until=None, heard_until=midnight(TODAY - timedelta(days=3)) + timedelta(hours=5))
    silent = receiver(days_closed_until=None, heard_until=None)
    lived(one)
    lived(silent)
    judge_links(at=NOW)
    assert set(LinkWatch.objects.values_list("judged_on", flat=True)) == {TODAY - timedelta(days=4)}
    assert LinkWatch.objects.count() == 5


def test_a_receiver_of_which_only_faults_reach_us_is_left_alone() -> None:
    lived(receiver(evidence="exceptions"))
    assert judge_links(at=NOW).n_days == 0
    assert not LinkWatch.objects.exists()


def test_a_day_without_the_whole_receiver_is_kept_as_an_outage_and_blames_nobody() -> None:
    one = receiver()
    lived(one, skip={(place, n) for place in range(5) for n in (40, 41)})
    for place in units(one):
        put(place, FIRST + timedelta(days=40), 0)
        put(place, FIRST + timedelta(days=41), 9)
    assert judge_links(at=NOW).n_outages == 2
    assert list(OutageDay.objects.order_by("day").values_list("receiver_id", "customer_id", "day")) == [
        (one.pk, one.customer_id, FIRST + timedelta(days=n)) for n in (40, 41)
    ]
    assert OutageDay.objects.get(day=FIRST + timedelta(days=40)).median == 0.0
    assert not LinkWatch.objects.filter(amber_since__isnull=False).exists()
    # Nothing of these days was learnt as usual either.
    assert min(LinkWatch.objects.values_list("share_before", flat=True)) > 0.94


def test_what_was_away_is_neither_judged_nor_learnt_nor_asked_for_again() -> None:
    one = receiver()
    lived(one, weak=0, falls=30, to=0.0)
    registration = one.registrations.get(slot=1)
    Away.objects.create(
        customer=one.customer, site=one.site, registration=registration, from_on=FIRST + timedelta(days=30), reason="stay",
        agreed_with="ward",
    )  # fmt: skip
    judge_links(at=NOW)
    state = LinkWatch.objects.get(transmitter=registration.transmitter)
    assert state.amber_since is None
    assert state.judged_on == TODAY - timedelta(days=1)
    assert judge_links(at=NOW).n_days == 0


def carried_off(of: Receiver) -> int:
    """A unit of which every day comes from 09:00 to 17:00 only, for the last month."""
    lived(of)
    unit = units(of)[0]
    office_hours = mask_of_quarters(range(36, 68, 4))
    rows = CheckInDay.objects.filter(transmitter_id=unit, day__gte=FIRST + timedelta(days=30))
    rows.update(heard=8, presence=office_hours)
    CheckInDay.objects.filter(transmitter_id=unit, day__in=[TODAY - timedelta(days=n) for n in (2, 9, 10)]).update(
        heard=0, presence=None
    )
    return unit


def test_hours_and_days_out_of_what_leaves_the_site_are_no_weak_link() -> None:
    one = receiver()
    unit = carried_off(one)
    judge_links(at=NOW)
    assert LinkWatch.objects.get(transmitter=unit).amber_since is not None, "of what stays on the site it is one"
    one.registrations.filter(transmitter=unit).update(is_portable=True)
    rebuild_links(at=NOW)
    state = LinkWatch.objects.get(transmitter=unit)
    assert state.amber_since is None
    assert state.share_now == pytest.approx(1.0, abs=0.01)


def test_losses_between_two_check_ins_of_what_leaves_the_site_are_a_weak_link() -> None:
    one = receiver()
    unit = carried_off(one)
    one.registrations.filter(transmitter=unit).update(is_portable=True)
    every_other = mask_of_quarters(range(36, 68, 8))
    CheckInDay.objects.filter(transmitter_id=unit, heard=8).update(heard=4, presence=every_other)
    judge_links(at=NOW)
    assert LinkWatch.objects.get(amber_since__isnull=False).transmitter_id == unit


def test_at_another_receiver_a_transmitter_begins_anew() -> None:
    one, other = receiver(), receiver(n=3)
    lived(one, weak=0)
    lived(other)
    judge_links(at=NOW, until=TODAY - timedelta(days=5))
    unit = units(one)[0]
    assert LinkWatch.objects.get(transmitter=unit).amber_since is not None
    moved = midnight(TODAY - timedelta(days=4)) - timedelta(hours=3)
    one.registrations.filter(slot=1).update(removed_at=moved)
    new = make_registration(other, 9, transmitter=one.registrations.get(slot=1).transmitter, registered_at=moved)
    CheckInDay.objects.filter(transmitter_id=unit, day__gte=TODAY - timedelta(days=4)).update(heard=24)
    done = judge_links(at=NOW)
    state = LinkWatch.objects.get(transmitter=unit)
    assert state.registration_id == new.pk
    assert state.amber_since is None
    assert state.base_expected == 0.0
    assert state.onset_on >= TODAY - timedelta(days=5)
    assert done.n_days == 5


def test_changed_settings_of_the_same_slot_forget_nothing() -> None:
    one = receiver()
    lived(one, weak=0)
    judge_links(at=NOW, until=TODAY - timedelta(days=5))
    moved = midnight(TODAY - timedelta(days=4)) - timedelta(hours=3)
    old = one.registrations.get(slot=1)
    one.registrations.filter(slot=1).update(removed_at=moved)
    new = make_registration(one, 1, transmitter=old.transmitter, registered_at=moved, window_s=86400)
    since = LinkWatch.objects.get(transmitter=old.transmitter).amber_since
    judge_links(at=NOW)
    state = LinkWatch.objects.get(transmitter=old.transmitter)
    assert (state.registration_id, state.amber_since) == (new.pk, since)


def test_counts_that_come_after_their_day_was_judged_are_only_learnt() -> None:
    one = receiver()
    lived(one, skip={(0, 50)})
    put(units(one)[0], FIRST + timedelta(days=50), 2)
    judge_links(at=NOW, until=FIRST + timedelta(days=53))
    score = LinkWatch.objects.get(transmitter=units(one)[0]).score
    CheckInDay.objects.filter(transmitter_id=units(one)[0], day=FIRST + timedelta(days=50)).update(heard=24)
    judge_links(at=NOW, until=FIRST + timedelta(days=53))
    assert LinkWatch.objects.get(transmitter=units(one)[0]).score == score > 0
    judge_links(at=NOW)
    late = LinkWatch.objects.get(transmitter=units(one)[0])
    rebuild_links(at=NOW)
    assert LinkWatch.objects.get(transmitter=units(one)[0]).base_heard == pytest.approx(late.base_heard)


def test_two_that_judge_at_once_write_each_day_once(monkeypatch: pytest.MonkeyPatch) -> None:
    lived(receiver())
    inner = link_watch._write

    def late(*args: Any) -> None:
        monkeypatch.setattr(link_watch, "_write", inner)
        judge_links(at=NOW)
        inner(*args)

    monkeypatch.setattr(link_watch, "_write", late)
    with pytest.raises(OvertakenJudge), transaction.atomic():
        judge_links(at=NOW)
    assert not LinkDay.objects.exists()
    judge_links(at=NOW)
    assert set(LinkDay.objects.values_list("n", flat=True)) == {5}


def test_a_fence_that_has_fallen_stops_the_write() -> None:
    lived(receiver())

    def fallen(done: int, total: int) -> None:
        raise RuntimeError(f"{done} of {total}")

    with pytest.raises(RuntimeError, match="14 of 60"):
        judge_links(at=NOW, fence=fallen)
    assert not LinkWatch.objects.exists()


def test_no_receiver_at_all_is_no_mistake() -> None:
    assert judge_links(at=NOW).n_days == 0
