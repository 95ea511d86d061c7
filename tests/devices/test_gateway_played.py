"""The played gateways tell one and the same story, however it is cut into posts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tests.tools.gateway import Counts, Sender, flood, play
from tests.tools.gateway_firm import sent_in
from tests.tools.gateway_posts import Post, Station, Story, Unit, posts_of, rows_of

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


def test_playing_stops_at_its_end_and_never_sends_what_has_not_happened_yet() -> None:
    sender, clock = _Deaf(), [BEGIN + timedelta(hours=1)]
    sender.once = lambda post, cut=False: (sender.taken.append(post), (200, 0.0))[1]  # type: ignore[method-assign]

    def pause(seconds: float) -> None:
        assert all(post.until <= clock[0] for post in sender.taken)
        clock[0] += timedelta(seconds=max(seconds, 1.0))

    play(
        sender, [STATION], Story(), begin=BEGIN, until=BEGIN + timedelta(hours=2), speed=900.0,
        now=lambda: clock[0], pause=pause,
    )  # fmt: skip
    assert sender.taken[-1].until == BEGIN + timedelta(hours=2)
    assert len(sender.taken) == 8
