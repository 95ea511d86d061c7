"""The played gateways tell one and the same story, however it is cut into posts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from devices.actions.sources import source_of
from devices.models import IntakeSource
from devices.rules import outage, silence
from tests.factories import make_customer, make_manager
from tests.tools.gateway import Counts, Sender, flood, flood_until, play
from tests.tools.gateway_firm import sent_in, tokens_of
from tests.tools.gateway_posts import Post, Station, Story, Unit, posts_of, rows_of
from tests.tools.gateway_story import Told, story_of, teller

BEGIN = datetime(2026, 3, 3, 6, 0, tzinfo=UTC)
UNITS = tuple(Unit(f"SK-{n:05}", 900 + 300 * n, 37 * n, 20, acts_per_day=40.0) for n in range(5))
STATION = Station("HARBOUR234", 1, UNITS)


def _rows(posts: list[Post]) -> list[tuple[str, str, str]]:
    return sorted((row["time"], row["serial"], row["kind"]) for post in posts for row in post.rows)


def test_a_day_in_quarter_hours_says_the_same_as_the_day_in_one_piece() -> None:
    until = BEGIN + timedelta(days=1)
    cut = _rows(list(posts_of([STATION], BEGIN, until, Story())))
    whole = sorted(
        (row["time"], row["serial"], row["kind"]) for unit in UNITS for row in rows_of(unit, BEGIN, until, Story())
    )
    assert [row for row in cut if row[2] == "check_in"] == [row for row in whole if row[2] == "check_in"]
    # An activation that would fall past the end of its span is not told at all: it belongs to no other span.
    assert {row for row in cut if row[2] == "activation"} <= {row for row in whole if row[2] == "activation"}
    assert len(cut) > 300


def test_a_silent_transmitter_sends_nothing_and_comes_back() -> None:
    gone, back = BEGIN + timedelta(hours=2), BEGIN + timedelta(hours=5)
    rows = list(rows_of(UNITS[0], BEGIN, BEGIN + timedelta(hours=8), Story(silent={UNITS[0].serial: (gone, back)})))
    at = [datetime.fromisoformat(row["time"]) for row in rows]
    assert not [moment for moment in at if gone <= moment < back]
    assert min(at) < gone
    assert max(at) > back


def test_a_deaf_receiver_posts_without_rows_and_one_that_is_down_posts_nothing() -> None:
    span = (BEGIN + timedelta(hours=1), BEGIN + timedelta(hours=2))
    until = BEGIN + timedelta(hours=3)
    deaf = list(posts_of([STATION], BEGIN, until, Story(deaf={STATION.code: span})))
    assert len(deaf) == 12
    assert sum(not post.rows for post in deaf) == 4
    assert len(list(posts_of([STATION], BEGIN, until, Story(down={STATION.code: span})))) == 8


def test_a_low_battery_is_told_with_every_check_in_from_then_on() -> None:
    since = BEGIN + timedelta(hours=1)
    rows = list(rows_of(UNITS[1], BEGIN, BEGIN + timedelta(hours=4), Story(low={UNITS[1].serial: since})))
    low = {row["kind"] for row in rows if datetime.fromisoformat(row["time"]) >= since and row["kind"] != "activation"}
    assert low == {"low_battery"}


class _Deaf(Sender):
    """Takes every third post at once, the others only when they come again."""

    def __init__(self) -> None:
        super().__init__("http://127.0.0.1:1", {1: "token"}, Counts())
        self.seen: dict[str, int] = {}
        self.taken: list[Post] = []

    def once(self, post: Post, *, cut: bool = False) -> tuple[int, float]:
        n = self.seen[post.batch_id] = self.seen.get(post.batch_id, 0) + 1
        if cut or n % 3:
            return 503, 0.0
        with self.counts.lock:
            self.taken.append(post)
        return 200, 0.0


def test_a_flood_goes_on_until_every_post_is_taken() -> None:
    posts = list(posts_of([STATION], BEGIN, BEGIN + timedelta(hours=2), Story()))
    sender = _Deaf()
    assert flood(sender, posts, threads=4, rate_s=10_000) == []
    assert {post.batch_id for post in sender.taken} == {post.batch_id for post in posts}
    assert sender.counts.n_cut > 0
    assert sent_in(sender.taken)[0] == sent_in(posts)[0]


def test_a_flood_ends_after_its_hours_but_never_past_now() -> None:
    assert flood_until(BEGIN, 6, BEGIN + timedelta(hours=9)) == BEGIN + timedelta(hours=6)
    now = BEGIN + timedelta(hours=2, minutes=7)
    until = flood_until(BEGIN, 6, now)
    posts = list(posts_of([STATION], BEGIN, until, Story()))
    assert until == max(post.until for post in posts) == now
    assert max(row["time"] for post in posts for row in post.rows) <= now.isoformat()


@pytest.mark.parametrize(
    ("passed", "says"),
    [
        (timedelta(minutes=14), "there is nothing to flood with"),
        (timedelta(days=-1), "there is nothing to flood with"),
        (timedelta(days=61), "nothing older than 60 days"),
    ],
)
def test_a_flood_of_what_the_address_would_refuse_is_not_begun(passed: timedelta, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        flood_until(BEGIN, 6, BEGIN + passed)


class _Willing(_Deaf):
    """Takes everything at once."""

    def once(self, post: Post, *, cut: bool = False) -> tuple[int, float]:
        self.taken.append(post)
        return 200, 0.0


class _Clock:
    """A clock on the wall that stands still but while somebody waits; it may tell that they wait for ever."""

    def __init__(self, at: datetime) -> None:
        self.at, self.pauses = at, [0.0]

    def now(self) -> datetime:
        return self.at

    def pause(self, seconds: float) -> None:
        self.pauses.append(seconds)
        self.at += timedelta(seconds=seconds)


def test_playing_stops_at_its_end_and_never_sends_what_has_not_happened_yet() -> None:
    sender, clock = _Willing(), _Clock(BEGIN + timedelta(hours=1))

    def pause(seconds: float) -> None:
        assert all(post.until <= clock.at for post in sender.taken)
        clock.pause(seconds)

    play(
        sender, [STATION], Story(), begin=BEGIN, until=BEGIN + timedelta(hours=2), speed=900.0, now=clock.now, pause=pause
    )  # fmt: skip
    assert sender.taken[-1].until == BEGIN + timedelta(hours=2)
    assert len(sender.taken) > 8


def test_playing_live_posts_once_a_minute_and_waits_in_between() -> None:
    sender, clock = _Willing(), _Clock(BEGIN + timedelta(hours=6, seconds=7))
    play(
        sender, [STATION], Story(), begin=BEGIN, until=BEGIN + timedelta(hours=6, minutes=30), speed=0.0,
        now=clock.now, pause=clock.pause,
    )  # fmt: skip
    # 24 quarter hours at once, then a minute a post: never a torrent of posts that hold nothing.
    assert len(sender.taken) == 24 + 30
    assert sum(clock.pauses) >= 29 * 60
    assert len({post.batch_id for post in sender.taken}) == 54


def test_two_runs_at_once_use_no_batch_id_twice() -> None:
    until = BEGIN + timedelta(hours=1)
    runs = [list(posts_of([STATION], BEGIN, until, Story(), run)) for run in ("a1b2c3", "d4e5f6")]
    assert len({post.batch_id for posts in runs for post in posts}) == 8
    close = [Post(STATION, BEGIN, BEGIN + timedelta(microseconds=n), (), "a1b2c3") for n in (1, 2)]
    assert close[0].batch_id != close[1].batch_id
    assert all(len(post.batch_id) <= 80 for posts in runs for post in posts)


FIRE = Station("FIRELINK", 1, tuple(Unit(f"SK-2{n:04}", 60, 7 * n, 20, window_s=180) for n in range(6)))
CALLS = Station("CALLS", 1, tuple(Unit(f"SK-3{n:04}", 900, 9 * n, 20, window_s=7200) for n in range(6)))
FEW = Station("FEW", 2, tuple(Unit(f"SK-4{n:04}", 60, 9 * n, 20, window_s=180) for n in range(2)))


def _judged(told: Told, station: Station, mark: datetime) -> tuple[set[str], bool]:
    """Who is silent at a moment by the rule that the product goes by, and whether the receiver hears nothing."""
    units = []
    for pk, unit in enumerate(station.units):
        rows = [
            row
            for post in posts_of([station], BEGIN - timedelta(hours=3), mark, told.story)
            for row in post.rows
            if row["serial"] == unit.serial
        ]
        heard = datetime.fromisoformat(rows[-1]["time"])
        units.append(silence.Unit(pk, pk, unit.window_s, unit.interval_s, BEGIN - timedelta(hours=3), heard_at=heard))
    silent = {station.units[unit.transmitter_pk].serial for unit in units if unit.out_at < mark}
    return silent, outage.outage_of(units, mark) is not None


def test_the_story_is_told_within_minutes_by_the_shortest_windows_and_ends_well() -> None:
    told = story_of([CALLS, FIRE, FEW], BEGIN)
    assert told is not None
    assert list(told.story.deaf) == ["FIRELINK"]
    assert told.until - BEGIN < timedelta(minutes=20)
    (silent,) = told.story.silent
    (low,) = told.story.low
    assert silent != low
    back = told.story.deaf["FIRELINK"][1]
    assert back is not None
    before = back - timedelta(seconds=1)
    home = next(station for station in (CALLS, FEW) if silent in {unit.serial for unit in station.units})
    assert _judged(told, FIRE, before)[1]
    assert silent in _judged(told, home, before)[0]
    assert _judged(told, FIRE, told.until) == (set(), False)
    assert silent not in _judged(told, home, told.until)[0]


def test_the_story_says_each_thing_once_and_when_it_happens() -> None:
    told = story_of([CALLS, FIRE], BEGIN)
    assert told is not None
    said: list[str] = []
    reached = teller(told.lines, said.append)
    reached(BEGIN)
    assert said == []
    reached(BEGIN + timedelta(minutes=2))
    reached(BEGIN + timedelta(minutes=2))
    assert [line[:5] for line in said] == ["06:01", "06:02"]
    reached(told.until)
    assert len(said) == 4


def test_where_no_receiver_can_fall_deaf_there_is_no_story() -> None:
    assert story_of([FEW, STATION], BEGIN) is None


@pytest.mark.django_db
def test_playing_again_uses_the_source_that_was_made_and_both_tokens_go_on() -> None:
    customer = make_customer()
    make_manager()
    station = Station("HARBOUR234", customer.pk, UNITS)
    first, second = (tokens_of([station])[customer.pk] for _ in range(2))
    source = IntakeSource.objects.get(customer=customer)
    assert first != second
    assert [source_of(token, datetime.now(UTC)) for token in (first, second)] == [source, source]
    # Nobody is told of a lost link when the playing is over.
    assert source.late_after_s is None
