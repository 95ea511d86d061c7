"""The leak checker: walks every address as every kind of outsider and reports what they can see or touch.

It knows no page. Addresses come from the resolver, records and random words from planting.py, forms from the pages
themselves; so a page made tomorrow is covered tomorrow. test_leaks.py expects no finding, test_leak_mutants.py plants
faults and expects this very function to find each of them.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from django.core import mail
from django.core.cache import cache
from django.test import Client, TestCase
from django.urls import reverse

from company import jobs
from company.access import INTAKE
from company.models import Job
from tests.house import planting, reading
from tests.house.addresses import fillings, identities, is_refusal, snapshot, undone, writes
from tests.house.asked import reads_of_queries, views_reached
from tests.house.planting import Garden, Household
from tests.house.routes import Route, identity, routes

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"
METHODS = ("get", "head", "post", "put", "patch", "delete")

# Names under which a page might take another record in its query or body, whether or not it shows them.
GUESSES = (
    "q", "site", "customer", "receiver", "transmitter", "registration", "visit", "round", "report", "technician",
    "person", "user", "request", "fitting", "id", "pk", "uuid",
)  # fmt: skip


N_BEGINNING = 8
BEGINNING = re.compile(f"(?=({f'[{planting.CONSONANTS}][{planting.VOWELS}]' * (N_BEGINNING // 2)}))")
"""How every made-up word of planting.py begins."""

OUTSIDERS = ("own", "limited", "revoked", "anonymous")
"""Names of the viewers, see `viewers`."""


@dataclass(frozen=True)
class Finding:
    """One thing that an outsider can see, touch or notice."""

    route: str
    viewer: str
    what: str
    detail: str

    def __str__(self) -> str:
        return f"{self.viewer} at {self.route}: {self.what} ({self.detail})"


@dataclass
class Viewer:
    """An outsider, what is hidden from them, and which households are theirs."""

    key: str
    client: Client
    hidden: dict[str, str]
    houses: frozenset[str]
    user_pk: int | None = None
    audiences: frozenset[str] = frozenset({"portal", "public"})
    by_beginning: dict[str, dict[str, str]] = field(init=False)
    """First letters → the hidden words that begin with them → the fields that they stand in."""

    def __post_init__(self) -> None:
        self.by_beginning = {}
        for word, name in self.hidden.items():
            assert BEGINNING.match(word.lower()), f"{word!r} of {name} would never be found"
            self.by_beginning.setdefault(word[:N_BEGINNING].lower(), {})[word.lower()] = name

    def sees(self, text: str) -> str:
        """Name of a hidden field whose word stands in this text, or nothing."""
        text = text.lower()
        # Few places of a page look like the beginning of a made-up word; the words themselves are compared only there.
        for place in BEGINNING.finditer(text):
            for word, name in self.by_beginning.get(place.group(1), {}).items():
                if text.startswith(word, place.start()):
                    return name
        return ""


def viewers(garden: Garden) -> list[Viewer]:
    """The outsiders: a neighbour, a colleague limited to one site, somebody whose access has ended, nobody at all."""
    own, sister, foreign = garden.houses
    staff = own.staff_canaries | sister.staff_canaries | own.note_canaries | sister.note_canaries
    everything = own.canaries | sister.canaries | foreign.canaries
    return [
        _viewer(garden, "own", foreign.canaries | staff, {"own", "sister"}),
        _viewer(garden, "limited", foreign.canaries | sister.canaries | staff, {"own"}),
        _viewer(garden, "revoked", everything, set()),
        Viewer("anonymous", Client(), everything, frozenset(), audiences=frozenset({"public"})),
    ]


def _viewer(garden: Garden, key: str, hidden: dict[str, str], houses: set[str]) -> Viewer:
    client = Client()
    client.force_login(garden.people[key], backend=BACKEND)
    return Viewer(key, client, hidden, frozenset(houses), garden.people[key].pk)


# ------------------------------------------------------------------------------------------------ the checker


class Checker:
    """One run over all addresses (or those in `only`)."""

    def __init__(self, garden: Garden, only: Iterable[str] | None = None, who: Iterable[str] = OUTSIDERS) -> None:
        self.garden = garden
        self.who = frozenset(who)
        self.findings: list[Finding] = []
        wanted = None if only is None else set(only)
        self.routes = [route for route in routes() if wanted is None or route.name in wanted]
        self.read: dict[str, list[tuple[Route, str]]] = {}
        """Viewer → addresses that answered 200: proof that the walk met living pages."""

    def add(self, route: Route, viewer: Viewer, what: str, detail: str) -> None:
        self.findings.append(Finding(route.name or route.pattern, viewer.key, what, detail))

    def look(self, route: Route, viewer: Viewer, response: Any, detail: str, *, typed: Iterable[str] = ()) -> None:
        """Report a hidden word in a response, and a page that breaks. Codes that they typed themselves may come back."""
        text = reading.text_of(response)
        for house in self.garden.houses:
            if f"/{house.code}" in response.request["PATH_INFO"] or house.code in typed:
                text = text.replace(house.code, "")
        name = viewer.sees(text)
        if name:
            self.add(route, viewer, f"shows {name}", detail)
        if response.status_code >= 500:
            self.add(route, viewer, "breaks", f"{detail} → {response.status_code}")

    # -- first: the owner of the foreign records looks at everything, so that every cache is warm with their pages

    def warm(self) -> None:
        cache.clear()
        insider = _viewer(self.garden, "foreign", {}, {"foreign"})
        office = _viewer(self.garden, "office", {}, {"own", "sister", "foreign"})
        for route in self.routes:
            if not route.is_library:
                for values, _ in fillings(route, [self.garden.foreign]):
                    for client in (office.client, insider.client):
                        with undone():
                            client.get(route.url(values))

    # -- pages of an audience that the outsider does not belong to: the middleware answers before the view

    def knock(self, route: Route, viewer: Viewer) -> None:
        for house in (self.garden.foreign, self.garden.own):
            values = next(iter(fillings(route, [house])))[0]
            with views_reached() as reached:
                for method in ("get", "post"):
                    with undone():
                        response = getattr(viewer.client, method)(route.url(values))
                    if not is_refusal(response):
                        detail = f"{method.upper()} → {response.status_code}"
                        self.add(route, viewer, "answers another audience", detail)
                    self.look(route, viewer, response, f"{method.upper()} {route.pattern}")
            if not reached and INTAKE not in (route.audience or ()):
                # Turned away at the door by what the view declares: whose record was asked for, nobody has looked.
                return

    # -- addresses that are not yours

    def attack(self, route: Route, viewer: Viewer) -> None:
        for values, keys in fillings(route, self.garden.houses):
            if not keys or set(keys) <= viewer.houses:
                continue
            url = route.url(values)
            for method in METHODS:
                for extra in ({}, {"headers": {"HX-Request": "true"}}) if method in ("get", "post") else ({},):
                    with undone():
                        response = getattr(viewer.client, method)(url, **extra)
                    detail = f"{method.upper()} {route.pattern} with {'/'.join(keys)}"
                    if not is_refusal(response):
                        self.add(route, viewer, "answers an address of others", f"{detail} → {response.status_code}")
                    self.look(route, viewer, response, detail)
            self._same_as_nothing(route, viewer, values, keys)

    def _same_as_nothing(self, route: Route, viewer: Viewer, values: dict[str, Any], keys: tuple[str, ...]) -> None:
        """A record of others must answer exactly as one that does not exist."""
        nowhere = Household("nowhere", 987654321, planting.code_word(), 0, {}, uuid=uuid.uuid4())
        names = identities(route)
        swapped = dict(values)
        for name, key in zip(names, keys, strict=True):
            if key not in viewer.houses:
                swapped[name] = getattr(nowhere, identity(name))
        answers = []
        for filled in (values, swapped):
            url = route.url(filled)
            response = viewer.client.get(url)
            body = reading.settled(reading.body_of(response))
            location = response.headers.get("Location", "")
            for name in names:
                body = body.replace(str(filled[name]).encode(), b"*")
                location = location.replace(str(filled[name]), "*")
            answers.append((response.status_code, location, body))
        if answers[0] != answers[1]:
            self.add(
                route, viewer, "tells that a record of others exists", f"{answers[0][:2]} against {answers[1][:2]}"
            )

    # -- addresses that are yours: nothing of others on them, asked in any way

    def visit(self, route: Route, viewer: Viewer) -> None:
        for values, keys in fillings(route, self.garden.houses):
            if not set(keys) <= viewer.houses:
                continue
            url = route.url(values)
            for extra in ({}, {"headers": {"HX-Request": "true"}}):
                with undone():
                    response = viewer.client.get(url, **extra)
                self.look(route, viewer, response, f"GET {route.pattern}{' as a fragment' if extra else ''}")
            if response.status_code == 200 and not is_refusal(response):
                self.read.setdefault(viewer.key, []).append((route, url))
                self._ask(route, viewer, url, response)
            if not route.is_library:
                self._send(route, viewer, url, response)

    def hidden_houses(self, viewer: Viewer) -> list[Household]:
        return [house for house in self.garden.houses if house.key not in viewer.houses]

    def _ask(self, route: Route, viewer: Viewer, url: str, page: Any) -> None:
        """Put keys and beginnings of words of others into the query."""
        names = self._names_read(route, viewer, url, {*GUESSES, *reading.query_names(reading.body_of(page))})
        for house in self.hidden_houses(viewer):
            # Half a word: if the page completes it, it has found the record; echoing what was asked is no leak.
            labels = (
                "sites.Site.name",
                "devices.Transmitter.serial",
                "company.Customer.name",
                "devices.Registration.label",
            )
            halves = [word[:8] for word, name in house.canaries.items() if name in labels]
            for name in names:
                for value in (str(house.pk), str(house.uuid), *(halves if name in ("q", "search", "words") else ())):
                    with undone():
                        answer = viewer.client.get(url, {name: value})
                    self.look(route, viewer, answer, f"GET {route.pattern}?{name}=… of {house.key}")

    def _names_read(self, route: Route, viewer: Viewer, url: str, guesses: set[str]) -> list[str]:
        """Names that may change what this address answers: asked for a name that nobody uses, it has looked for them.

        It cannot tell any other name from that one, unless it takes the query as a whole: then every guess is asked.
        """
        unused = planting.word().lower()
        with undone(), reads_of_queries() as reads:
            self.look(route, viewer, viewer.client.get(url, {unused: "1"}), f"GET {route.pattern}?{unused}=1")
        names = reads.names | (guesses if reads.is_whole else set())
        return sorted(names - {"csrfmiddlewaretoken", "next", "page", unused})

    def _send(self, route: Route, viewer: Viewer, url: str, page: Any) -> None:
        """Send every form of the page with keys of others in each field, and a form of guessed names."""
        forms = []
        if page.status_code == 200 and "html" in page.headers.get("Content-Type", ""):
            forms = [form for form in reading.forms_of(reading.body_of(page)) if form.method == "post"]
        logout = reverse("account_logout")
        for house in self.hidden_houses(viewer):
            tries: list[tuple[str, dict[str, str]]] = []
            for form in forms:
                target = urlsplit(form.action).path or url
                if target == logout or not target.startswith("/"):
                    continue
                base = {name: value for name, value in form.fields.items() if name != "csrfmiddlewaretoken"}
                tries.append((target, base))
                for name in base:
                    tries += [(target, base | {name: value}) for value in (str(house.pk), str(house.uuid), house.code)]
            tries.append((url, dict.fromkeys(GUESSES, str(house.pk))))
            tries.append((url, dict.fromkeys(GUESSES, str(house.uuid))))
            for target, data in tries:
                self._post(route, viewer, target, data)

    def _post(self, route: Route, viewer: Viewer, url: str, data: dict[str, str]) -> None:
        detail = f"POST {route.pattern}"
        with undone():
            mail.outbox.clear()
            with writes() as written, TestCase.captureOnCommitCallbacks(execute=True):
                response = viewer.client.post(url, data)
            self.look(route, viewer, response, detail, typed=data.values())
            if is_refusal(response) or not (written or mail.outbox):
                return
            if Job.objects.filter(state="waiting").exists():
                jobs.run_ready(limit=5)
            self._compare(route, viewer, detail)
            location = response.headers.get("HX-Redirect") or response.headers.get("Location", "")
            if location.startswith("/"):
                self.look(route, viewer, viewer.client.get(location), f"{detail}, then {location}", typed=data.values())
            if response.status_code < 400:
                self.look(route, viewer, viewer.client.get(url), f"{detail}, then the page again", typed=data.values())
            made = Job.objects.filter(requested_by=viewer.user_pk).exclude(result_url="") if viewer.user_pk else ()
            for job in made:
                if job.result_url.startswith("/"):
                    self.look(route, viewer, viewer.client.get(job.result_url), f"{detail}, then its result")
            for message in mail.outbox:
                name = viewer.sees(f"{message.subject}\n{message.body}\n{message.message().as_string()}")
                if name and self._is_for(viewer, message):
                    self.add(route, viewer, f"mails {name}", detail)

    def _is_for(self, viewer: Viewer, message: Any) -> bool:
        """Mail to the firm or to the owner of the records may name them; mail to the outsider may not."""
        foreign = {f"p{house.pk}@example.org" for house in self.hidden_houses(viewer)}
        words = {word.lower() for house in self.hidden_houses(viewer) for word in house.canaries}
        receivers = {receiver.lower() for receiver in message.recipients()}
        return any(receiver not in foreign and receiver.split("@")[0] not in words for receiver in receivers)

    def _compare(self, route: Route, viewer: Viewer, detail: str) -> None:
        now = snapshot(self.garden.foreign)
        changed = sorted(label for label, digest in now.items() if digest != self.before[label])
        if changed:
            self.add(route, viewer, f"changes {', '.join(changed)} of others", detail)

    # -- what changes over there must not be noticed here

    def listen(self, viewer: Viewer) -> None:
        pages = self.read.get(viewer.key, [])
        with undone():
            first = [self._body(viewer, url) for _, url in pages]
            planting.grow(self.garden.foreign, by=2)
            if "sister" not in viewer.houses:
                planting.grow(self.garden.sister)
            for (route, _), before, after in zip(
                pages, first, [self._body(viewer, url) for _, url in pages], strict=True
            ):
                if before != after:
                    self.add(route, viewer, "changes when only others' records change", _difference(before, after))

    def _body(self, viewer: Viewer, url: str) -> bytes:
        cache.clear()
        return reading.settled(reading.body_of(viewer.client.get(url)))

    def run(self) -> list[Finding]:
        """Everything, for every outsider of `who`."""
        self.warm()
        outsiders = [viewer for viewer in viewers(self.garden) if viewer.key in self.who]
        self.before = snapshot(self.garden.foreign)
        for viewer in outsiders:
            for route in self.routes:
                if route.is_library:
                    if not route.parameters:
                        self.look(route, viewer, viewer.client.get(route.url({})), f"GET {route.pattern}")
                    continue
                if not viewer.audiences & (route.audience or frozenset()):
                    self.knock(route, viewer)
                    continue
                self.attack(route, viewer)
                self.visit(route, viewer)
            self.listen(viewer)
        return list(dict.fromkeys(self.findings))


def _difference(before: bytes, after: bytes) -> str:
    at = next(
        (n for n, pair in enumerate(zip(before, after, strict=False)) if pair[0] != pair[1]),
        min(len(before), len(after)),
    )
    return f"…{before[max(at - 30, 0) : at + 30]!r} became …{after[max(at - 30, 0) : at + 30]!r}"


def find_leaks(garden: Garden, only: Iterable[str] | None = None, who: Iterable[str] = OUTSIDERS) -> list[Finding]:
    """All findings over all addresses, or over the named routes; by every outsider, or those of these names."""
    return Checker(garden, only, who).run()
