"""Gateways of a firm, played: they post check-ins to the intake address as time goes by, and things happen on the way.

    python -m tests.tools.gateway --base http://127.0.0.1:8000      # the demo firm from its watermark to now, then live
    python -m tests.tools.gateway --base … --story                  # a low battery, a silence, a deaf receiver, and then well again
    python -m tests.tools.gateway --base … --flood 10 --hours 6     # ten times the normal rate, doubled, shuffled, cut off

What lies between the watermark on record and now is caught up at once, a quarter hour at a time; from then on every
receiver posts once a minute, until Ctrl+C or the end of `--hours` or of the story. A story begins twelve minutes before
now where so much is still to be caught up, and is played at four times real time until it is live; it says what happens as
it happens and takes some five to fifteen minutes. It may be broken off, and started again or twice at once.

It needs the same DATA_DIR or DATABASE_URL as the server: it reads there which transmitters stand where, and makes one source
for each customer, which later runs use again with a new token. Everything else goes through the intake address, as a real
gateway would.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import secrets
import socket
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from queue import Empty, Queue
from typing import Any
from urllib.parse import urlsplit

from devices.rules.intake_rows import BACK_AT_MOST
from tests.tools.gateway_firm import heard_on_record, sent_in, stations_of, tokens_of
from tests.tools.gateway_posts import POST_EVERY, Post, Station, Story, posts_of
from tests.tools.gateway_story import story_of, teller

TIMEOUT_S = 30.0
LIVE_EVERY = timedelta(minutes=1)
STORY_BEFORE = timedelta(minutes=12)
"""A story begins so long ago where that is still to be caught up, so that nobody waits for its first half."""
STORY_SPEED = 4.0


@dataclass(slots=True)
class Counts:
    """What was sent and how it was answered."""

    n_posts: int = 0
    n_rows: int = 0
    n_repeats: int = 0
    n_retries: int = 0
    n_cut: int = 0
    answers: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    lock: Any = field(default_factory=threading.Lock)


class Sender:
    """Hands posts to the address and does not give up: what is refused for now or lost on the way is sent again."""

    def __init__(self, base: str, tokens: dict[int, str], counts: Counts, *, give_up_s: float = 600.0) -> None:
        self.parts = urlsplit(base)
        self.tokens = tokens
        self.counts = counts
        self.give_up_s = give_up_s

    def once(self, post: Post, *, cut: bool = False) -> tuple[int, float]:
        """Send once; gives the status (0: no answer) and how long to wait [s]. `cut` hangs up before the answer comes."""
        connection = http.client.HTTPConnection(self.parts.hostname or "", self.parts.port or 80, timeout=TIMEOUT_S)
        try:
            connection.request(
                "POST", "/api/v1/checkins", body=post.body(),
                headers={
                    "Authorization": f"Bearer {self.tokens[post.station.customer]}", "Content-Type": "application/json",
                },
            )  # fmt: skip
            if cut:
                connection.sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
                return 0, 0.0
            answer = connection.getresponse()
            text = answer.read()
            if answer.status == 200 and json.loads(text).get("repeated"):
                with self.counts.lock:
                    self.counts.n_repeats += 1
            return answer.status, float(answer.getheader("Retry-After") or 0.0)
        except (OSError, http.client.HTTPException):
            return 0, 0.2
        finally:
            connection.close()

    def send(self, post: Post, *, cut: bool = False) -> None:
        """Send until it is taken.

        Raises
        ------
        RuntimeError
            If it is refused for good, or nobody takes it for too long.
        """
        ends = time.monotonic() + self.give_up_s
        if cut:
            self.once(post, cut=True)
            with self.counts.lock:
                self.counts.n_cut += 1
        while True:
            status, wait_s = self.once(post)
            with self.counts.lock:
                self.counts.answers[status] += 1
            if status in (200, 201):
                break
            if status not in (0, 429, 502, 503, 504) or time.monotonic() > ends:
                raise RuntimeError(f"{post.batch_id} was answered {status}.")
            with self.counts.lock:
                self.counts.n_retries += 1
            time.sleep(min(max(wait_s, 0.1), 10.0))
        with self.counts.lock:
            self.counts.n_posts += 1
            self.counts.n_rows += len(post.rows)


def play(
    sender: Sender, stations: Sequence[Station], story: Story, *, begin: datetime, until: datetime | None, speed: float,
    step: timedelta = POST_EVERY, run: str = "", reached: Callable[[datetime], None] = lambda moment: None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC), pause: Callable[[float], None] = time.sleep,
) -> datetime:  # fmt: skip
    """Send what lies in the past at once or at `speed` times real time, then go on live until `until` (None: for ever).

    Each post of the past holds `step`, each live one `LIVE_EVERY`; none is sent before its end has come. `reached` is told
    of every moment up to which all receivers have posted; the last of them is given back.
    """
    moment = begin
    while until is None or moment < until:
        end = moment + (step if moment + step <= now() else min(step, LIVE_EVERY))
        end = end if until is None else min(end, until)
        while (ahead_s := (end - now()).total_seconds()) > 0:
            pause(min(ahead_s, 5.0))
        for post in posts_of(stations, moment, end, story, run):
            sender.send(post)
        if speed > 0:
            pause((end - moment).total_seconds() / speed)
        moment = end
        reached(moment)
    return moment


def flood(sender: Sender, posts: Sequence[Post], *, threads: int, rate_s: float, seed: int = 1) -> list[str]:
    """Send posts shuffled from several threads at `rate_s` posts a second: a fifth cut off, a fifth sent twice.

    Returns
    -------
    list of str
        What could not be delivered; empty when everything was.
    """
    chance = random.Random(seed)
    work = [(post, chance.random() < 0.2) for post in posts]
    work += [(post, False) for post in chance.sample(list(posts), len(posts) // 5)]
    chance.shuffle(work)
    queue: Queue[tuple[Post, bool]] = Queue()
    failed: list[str] = []
    begun = time.monotonic()
    for item in work:
        queue.put(item)
    n_started = [0]
    lock = threading.Lock()

    def carry() -> None:
        while True:
            try:
                post, cut = queue.get_nowait()
            except Empty:
                return
            with lock:
                n_started[0] += 1
                due = begun + n_started[0] / rate_s
            time.sleep(max(0.0, due - time.monotonic()))
            try:
                sender.send(post, cut=cut)
            except RuntimeError as error:
                failed.append(str(error))

    carriers = [threading.Thread(target=carry) for _ in range(threads)]
    for carrier in carriers:
        carrier.start()
    for carrier in carriers:
        carrier.join()
    return failed


def flood_until(begin: datetime, hours: float, now: datetime) -> datetime:
    """End of a flood: after so many hours, but never past now, for what has not happened yet is rightly refused.

    Raises
    ------
    ValueError
        If there is not even room for one post, or if it would begin before the days that the address still takes.
    """
    until = min(begin + timedelta(hours=hours), now)
    if until - begin < POST_EVERY:
        raise ValueError(
            f"Everything is on record up to {begin:%Y-%m-%d %H:%M} UTC: there is nothing to flood with. "
            "Wait a quarter of an hour, or stop the gateways for some hours first."
        )
    if begin < now - BACK_AT_MOST:
        raise ValueError(f"The address takes nothing older than {BACK_AT_MOST.days} days. Give a later --from.")
    return until


def _flooded(options: argparse.Namespace, sender: Sender, stations: list[Station], begin: datetime) -> int:
    try:
        until = flood_until(begin, options.hours, datetime.now(UTC))
    except ValueError as why:
        print(why, file=sys.stderr)
        return 2
    if until < begin + timedelta(hours=options.hours):
        room_h = (until - begin).total_seconds() / 3600
        print(f"From {begin:%Y-%m-%d %H:%M} UTC to now there is room for {room_h:.2f} hours: the flood is of these.")
    before_heard, before_acts = heard_on_record([u.serial for s in stations for u in s.units], begin)
    posts = list(posts_of(stations, begin, until, Story(), secrets.token_hex(3)))
    normal_s = len(stations) / POST_EVERY.total_seconds()
    rate_s = max(options.flood * normal_s, options.least_rate)
    print(f"{len(posts)} posts of {len(stations)} receivers at {rate_s:.2f} a second (normal: {normal_s:.3f}).")
    failed = flood(sender, posts, threads=options.threads, rate_s=rate_s)
    heard, acts = sent_in(posts)
    got_heard, got_acts = heard_on_record([u.serial for s in stations for u in s.units], begin)
    lost = heard - got_heard
    # Quarter hours that were on record before the flood came already counted their activations once.
    wrong = {s: (n, got_acts[s] - before_acts[s]) for s, n in acts.items() if got_acts[s] - before_acts[s] != n}
    counts = sender.counts
    print(
        json.dumps(
            {
                "posts": counts.n_posts, "rows": counts.n_rows, "cut": counts.n_cut, "repeats": counts.n_repeats,
                "retries": counts.n_retries, "answers": counts.answers, "quarter_hours_sent": len(heard),
                "quarter_hours_lost": len(lost), "known_before": len(before_heard & heard),
                "activations_wrong": len(wrong), "undelivered": failed[:5],
            }
        )
    )  # fmt: skip
    return 1 if lost or failed or wrong else 0


def _options() -> argparse.Namespace:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--base", default="http://127.0.0.1:8000")
    words.add_argument("--from", dest="begin", help="ISO moment; without it the latest watermark on record")
    words.add_argument(
        "--hours", type=float,
        help="stop after so many hours of event time; without it, never; a flood: 6, or as many as there are up to now",
    )  # fmt: skip
    words.add_argument("--speed", type=float, default=0.0, help="times real time for what lies in the past; 0: at once")
    words.add_argument("--story", action="store_true")
    words.add_argument("--flood", type=float, default=0.0, help="times the normal rate of posts")
    words.add_argument("--least-rate", type=float, default=20.0, help="posts a second that a flood has at least")
    words.add_argument("--threads", type=int, default=8)
    return words.parse_args()


def _begin(options: argparse.Namespace, stations: Sequence[Station]) -> datetime:
    """The moment asked for, or up to which the receivers' sources have delivered."""
    from devices.models import Receiver

    if options.begin:
        asked = datetime.fromisoformat(options.begin)
        return asked if asked.tzinfo else asked.replace(tzinfo=UTC)
    marks = Receiver.objects.filter(code__in=[s.code for s in stations]).exclude(heard_until=None)
    latest = marks.order_by("-heard_until").values_list("heard_until", flat=True).first()
    return min(latest or datetime.now(UTC) - timedelta(hours=6), datetime.now(UTC))


def _played(options: argparse.Namespace, sender: Sender, stations: list[Station], begin: datetime) -> int:
    """Catch up, then live: with the story, or for ever."""
    run, say = secrets.token_hex(3), lambda words: print(words, flush=True)
    until = begin + timedelta(hours=options.hours) if options.hours else None
    say(f"{len(stations)} receivers from {begin:%Y-%m-%d %H:%M} UTC. Ctrl+C ends it.")
    if options.story:
        start = begin if options.begin else max(begin, datetime.now(UTC) - STORY_BEFORE)
        told = story_of(stations, start)
        if told is None:
            print("No receiver has three supervised transmitters: there is no story to tell.", file=sys.stderr)
            return 2
        if start > begin:
            say(f"Catching up to {start:%H:%M} UTC, where the story begins.")
            play(sender, stations, Story(), begin=begin, until=start, speed=options.speed, run=run)
        until = min(until, told.until) if until else told.until
        play(
            sender, stations, told.story, begin=start, until=until, speed=options.speed or STORY_SPEED, step=LIVE_EVERY,
            run=run, reached=teller(told.lines, say),
        )  # fmt: skip
        say(f"{until:%H:%M} UTC  The story is over.")
        return 0
    play(sender, stations, Story(), begin=begin, until=until, speed=options.speed, run=run)
    return 0


def main() -> int:
    """Play as the options say."""
    options = _options()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "company.settings")
    import django

    django.setup()
    stations = stations_of()
    if not stations:
        print("No receiver hands over every check-in: nothing to play.", file=sys.stderr)
        return 2
    begin = _begin(options, stations)
    sender = Sender(options.base, tokens_of(stations), Counts(), give_up_s=600.0 if options.flood else 60.0)
    if options.flood:
        options.hours = options.hours or 6.0
        return _flooded(options, sender, stations, begin)
    try:
        code = _played(options, sender, stations, begin)
    except KeyboardInterrupt:
        # Whoever watches it ends it so; what was sent stays.
        code = 0
    except RuntimeError as failure:
        print(f"{failure} Does the server run at {options.base}, on the same database?", file=sys.stderr)
        code = 1
    print(json.dumps({"posts": sender.counts.n_posts, "rows": sender.counts.n_rows, "answers": sender.counts.answers}))
    return code


if __name__ == "__main__":
    sys.exit(main())
