"""How cells ended: one statement a removal, corrections as new statements, taken back with the change that made them."""

from datetime import date, timedelta

import pytest

from company.models import ChangeRow
from devices.actions.batteries import NotMadeThen, fit_battery, remove_battery
from devices.actions.fitting_corrections import NothingChanged, StaleEnd, StillInService, correct_end, take_back_fitting
from devices.actions.fitting_ends import NotAnEnd
from devices.actions.ledger import ReasonMissing
from devices.models import CheckInDay, Fitting, FittingEnd
from tests.factories import NOW, battery_type, make_fitting, make_registration, make_transmitter, make_user

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(days=3)
SIGNAL = NOW - timedelta(days=9)
ALIVE = NOW - timedelta(days=30)


@pytest.fixture
def office():
    return make_user("office")


def ended(office, **end):
    """Cells that came out just now, in a slot."""
    registration = make_registration()
    old = make_fitting(registration.transmitter, first_low_at=end.pop("first_low_at", None))
    facts = {"removed_why": "low_battery", "removed_v": 2.4} | end
    new = fit_battery(transmitter=registration.transmitter, battery_type=battery_type(), by=office, at=NOW, **facts)
    old.refresh_from_db()
    return registration, old, new


def test_taking_cells_out_states_how_they_ended(office):
    _, old, _ = ended(
        office, removed_v_under_load=True, low_seen_at=SIGNAL, last_alive_at=ALIVE, end_note="green salt at the spring"
    )
    end = FittingEnd.objects.get()
    assert (end.fitting, end.why, end.volts, end.is_under_load) == (old, "low_battery", 2.4, True)
    assert (end.low_seen_at, end.last_alive_at, end.note) == (SIGNAL, ALIVE, "green salt at the spring")
    assert (end.recorded_at, end.by, end.corrects) == (NOW, office, None)
    assert (old.removed_v_under_load, old.first_low_at, old.last_alive_at) == (True, SIGNAL, ALIVE)


def test_the_signal_that_the_records_know_belongs_to_the_end(office):
    _, old, _ = ended(office, first_low_at=SIGNAL)
    assert FittingEnd.objects.get().low_seen_at == SIGNAL
    assert old.first_low_at == SIGNAL


def test_cells_that_are_the_first_ones_end_nothing(office):
    fit_battery(transmitter=make_transmitter(), battery_type=battery_type(), by=office, at=NOW)
    assert not FittingEnd.objects.exists()


def test_cells_taken_out_for_good_have_an_end_too(office):
    transmitter = make_transmitter()
    fitting = make_fitting(transmitter)
    remove_battery(
        transmitter=transmitter, by=office, at=NOW, removed_why="dead", removed_v=1.1, removed_v_under_load=True,
        last_alive_at=ALIVE,
    )  # fmt: skip
    end = FittingEnd.objects.get()
    assert (end.fitting, end.why, end.volts, end.is_under_load, end.last_alive_at) == (
        fitting,
        "dead",
        1.1,
        True,
        ALIVE,
    )


@pytest.mark.parametrize(
    ("end", "words"),
    [
        ({"removed_v": -0.1}, "0 V or more"),
        ({"removed_v": float("nan")}, "0 V or more"),
        ({"removed_v": 28.7}, "at most about 4.2 V"),
        ({"removed_v": None, "removed_v_under_load": True}, "Give the volts"),
        ({"last_alive_at": NOW + timedelta(hours=1)}, "cannot lie in the future"),
        ({"last_alive_at": NOW - timedelta(days=401)}, "before these cells were fitted"),
        ({"low_seen_at": NOW - timedelta(days=401)}, "before these cells were fitted"),
        ({"removed_why": "eaten"}, "Choose one"),
        ({"removed_why": "preventive", "low_seen_at": SIGNAL}, "choose low-battery signal"),
    ],
)
def test_an_end_that_cannot_be_is_refused_and_the_cells_stay(office, end, words):
    with pytest.raises(NotAnEnd, match=words):
        ended(office, **end)
    assert not FittingEnd.objects.exists()
    assert Fitting.objects.get().removed_at is None


def test_a_correction_is_a_new_statement_that_points_at_the_old_one(office):
    registration, old, new = ended(office)
    registration.receiver.refresh_from_db()
    version = registration.receiver.version
    end = correct_end(
        fitting=old, why="dead", volts=1.9, is_under_load=True, last_alive_at=ALIVE, note="no lamp", by=office, at=LATER,
        reason="the technician rang",
    )  # fmt: skip
    first = FittingEnd.objects.get(corrects=None)
    assert (end.corrects, first.why, first.volts) == (first, "low_battery", 2.4)
    assert list(FittingEnd.objects.in_force().filter(fitting=old)) == [end]
    old.refresh_from_db()
    assert (old.removed_at, old.removed_why, old.removed_v, old.removed_v_under_load) == (NOW, "dead", 1.9, True)
    assert (old.last_alive_at, old.first_low_at) == (ALIVE, None)
    new.refresh_from_db()
    assert new.removed_at is None
    registration.receiver.refresh_from_db()
    assert registration.receiver.version == version + 1
    change = ChangeRow.objects.get(verb="correct_end")
    assert (change.before["why"], change.after["why"], change.reason) == ("low_battery", "dead", "the technician rang")
    third = correct_end(fitting=old, why="leaked", by=office, at=LATER, reason="white crust")
    assert third.corrects == end


def test_a_correction_keeps_the_signal_that_the_records_knew(office):
    _, old, _ = ended(office, first_low_at=SIGNAL)
    correct_end(fitting=old, why="low_battery", volts=2.2, by=office, at=LATER, reason="misread")
    old.refresh_from_db()
    assert old.first_low_at == SIGNAL
    correct_end(fitting=old, why="low_battery", volts=2.2, low_seen_at=ALIVE, by=office, at=LATER, reason="lamp seen")
    old.refresh_from_db()
    assert old.first_low_at == ALIVE


def test_corrections_that_make_no_sense_are_refused(office):
    _, old, new = ended(office)
    facts = {"by": office, "at": LATER}
    with pytest.raises(StillInService, match="in service"):
        correct_end(fitting=new, why="dead", reason="x", **facts)
    with pytest.raises(NothingChanged, match="already"):
        correct_end(fitting=old, why="low_battery", volts=2.4, reason="x", **facts)
    with pytest.raises(ReasonMissing):
        correct_end(fitting=old, why="dead", reason=" ", **facts)
    with pytest.raises(NotAnEnd, match="after the cells came out"):
        correct_end(fitting=old, why="dead", last_alive_at=NOW + timedelta(days=1), reason="x", **facts)
    with pytest.raises(NotAnEnd, match="in the future"):
        correct_end(fitting=old, why="dead", last_alive_at=LATER + timedelta(days=1), reason="x", **facts)
    assert FittingEnd.objects.count() == 1


def test_an_end_from_before_statements_were_kept_can_be_corrected(office):
    old = make_fitting(make_transmitter(), removed_at=NOW, removed_why="unknown", removed_v=2.0)
    end = correct_end(fitting=old, why="dead", volts=2.0, by=office, at=LATER, reason="found the paper")
    assert (end.corrects.why, end.corrects.volts, end.corrects.by, end.why) == ("unknown", 2.0, None, "dead")


def test_a_change_taken_back_takes_its_end_back_and_keeps_the_record(office):
    registration, old, new = ended(office, low_seen_at=SIGNAL, last_alive_at=ALIVE, removed_v_under_load=True)
    assert take_back_fitting(fitting=new, by=office, at=LATER, reason="wrong slot") == old
    old.refresh_from_db()
    assert (old.removed_at, old.removed_why, old.removed_v, old.removed_v_under_load) == (None, "", None, False)
    assert (old.first_low_at, old.last_alive_at) == (None, None)
    assert not FittingEnd.objects.in_force().exists()
    assert FittingEnd.objects.get().taken_back_at == LATER
    fit_battery(
        transmitter=registration.transmitter, battery_type=battery_type(), by=office, at=LATER, removed_why="leaked"
    )
    again = FittingEnd.objects.in_force().get()
    assert (again.why, again.low_seen_at, again.corrects.why) == ("leaked", None, "low_battery")


def test_the_log_of_check_ins_says_when_found_dead_cells_fell_silent(office):
    registration = make_registration()
    transmitter = registration.transmitter
    old = make_fitting(transmitter, fitted_at=NOW - timedelta(days=400))
    for days, heard in ((500, 24), (41, 24), (40, 9), (39, 0)):
        CheckInDay.objects.create(
            transmitter_id=transmitter.pk, customer_id=transmitter.customer_id, day=(NOW - timedelta(days=days)).date(),
            heard=heard, expected=24, last_heard_s=8 * 3600,
        )  # fmt: skip
    fit_battery(transmitter=transmitter, battery_type=battery_type(), by=office, at=NOW, removed_why="dead")
    old.refresh_from_db()
    silent_since = (NOW - timedelta(days=40)).replace(hour=8, minute=0)
    assert old.last_alive_at == FittingEnd.objects.get().last_alive_at == silent_since


def test_what_a_person_says_of_the_last_sign_of_life_stands_against_the_log(office):
    transmitter = make_registration().transmitter
    old = make_fitting(transmitter, fitted_at=NOW - timedelta(days=400))
    CheckInDay.objects.create(
        transmitter_id=transmitter.pk, customer_id=transmitter.customer_id, day=NOW.date(), heard=3
    )
    fit_battery(
        transmitter=transmitter, battery_type=battery_type(), by=office, at=NOW, removed_why="dead", last_alive_at=ALIVE
    )
    old.refresh_from_db()
    assert old.last_alive_at == ALIVE


@pytest.mark.parametrize(
    ("made_on", "words"),
    [
        (NOW.date() + timedelta(days=2), "cannot have been fitted on"),
        (date(NOW.year - 20, NOW.month, NOW.day) - timedelta(days=1), "more than 20 years"),
        (date(1999, 12, 31), "before 2000"),
        (date(1, 1, 1), "before 2000"),
    ],
)
def test_cells_that_cannot_have_been_made_then_are_refused_and_the_old_ones_stay(office, made_on, words):
    with pytest.raises(NotMadeThen, match=words):
        ended(office, made_on=made_on)
    assert not FittingEnd.objects.exists()
    assert Fitting.objects.get().removed_at is None


def test_cells_may_be_made_on_the_day_itself_and_up_to_twenty_years_before(office):
    for made_on in (NOW.date(), date(NOW.year - 20, NOW.month, NOW.day)):
        assert ended(office, made_on=made_on)[2].made_on == made_on


def test_a_planned_change_may_follow_a_signal_on_record_but_not_one_that_is_told(office):
    _, old, _ = ended(office, first_low_at=SIGNAL, removed_why="preventive")
    assert FittingEnd.objects.get().low_seen_at == SIGNAL
    facts = {"fitting": old, "why": "preventive", "by": office, "at": LATER, "reason": "x"}
    assert correct_end(volts=2.5, low_seen_at=SIGNAL, **facts).volts == 2.5
    with pytest.raises(NotAnEnd, match="choose low-battery signal"):
        correct_end(low_seen_at=ALIVE, **facts)


def test_a_correction_from_an_older_statement_writes_nothing(office):
    _, old, _ = ended(office)
    first = FittingEnd.objects.get()
    facts = {"fitting": old, "by": office, "at": LATER, "reason": "x"}
    with pytest.raises(StaleEnd, match="Open it again"):
        correct_end(why="dead", seen_end=0, **facts)
    second = correct_end(why="dead", seen_end=first.pk, **facts)
    with pytest.raises(StaleEnd):
        correct_end(why="leaked", seen_end=first.pk, **facts)
    assert FittingEnd.objects.order_by("-pk").first() == second
