"""Throw requests at the intake address that nobody would send: `python -m tests.tools.fuzz_api --n 20000`.

Every answer must be one that the description lists, in its shape, within seconds; 5xx is only the documented 503. In the
end the ledger must hold exactly what was answered 200, and the office's pages must show whatever got in.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from collections import Counter
from datetime import timedelta
from typing import Any

from tests.tools.intake_world import intake_world

SLOW_CPU_S, HANG_S = 5.0, 120.0
"""Seconds of the processor that one answer may take, and seconds by the wall clock, which hang on what else the machine does."""
STATUSES = {200, 400, 401, 403, 404, 405, 409, 413, 415, 422, 429, 503}
ODD: list[Any] = [
    None, True, False, 0, -1, 1, 17, 2**31, 2**63, 10**40, -0.0, 1e308, float("nan"), float("inf"), "", " ", "x", "x" * 10_000,
    "\x00", "\ud800", "\u202e", "é" * 40, "'; --", "${jndi}", "%s%n", "../../x", [], {}, [[]], {"": ""}, ["x"] * 50,
    "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59", "2026-02-30T00:00:00Z", "1e3", "０１", "check_in",
]  # fmt: skip
KINDS = [
    "check_in",
    "check-in",
    "low_battery",
    "tamper",
    "activation",
    "power_fault",
    "link_test",
    "unregistered",
    "missing",
]


class Fuzzer:
    """One run with one seed."""

    def __init__(self, world: dict[str, Any], seed: int) -> None:
        from django.test import Client

        self.world, self.dice = world, random.Random(seed)
        self.client = Client(raise_request_exception=False)
        self.counts: Counter[int] = Counter()
        self.faults: list[str] = []
        self.taken: set[tuple[str, str]] = set()
        self.sent: list[bytes] = []
        self.slowest_s = 0.0

    # -- bodies

    def row(self) -> dict[str, Any]:
        dice = self.dice
        at = self.world["now"] + timedelta(seconds=dice.randint(-6_000_000, 100_000))
        row: dict[str, Any] = {
            "serial": dice.choice([*self.world["serials"], f"N-{dice.randint(1, 400)}"]), "kind": dice.choice(KINDS),
            "time": at.isoformat(),
        }  # fmt: skip
        if dice.random() < 0.3:
            row |= {"margin_db": dice.uniform(-25, 130), "battery_v": dice.uniform(-1, 22), "note": "x"}
        if dice.random() < 0.2:
            row |= {"receiver": dice.choice(self.world["receivers"]), "slot": dice.randint(0, 70)}
        if dice.random() < 0.1:
            row |= {dice.choice(["rssi", "temperature_c", "recieved", "\x00", "x" * 300]): dice.choice(ODD)}
        return row

    def body(self) -> Any:
        dice = self.dice
        body: dict[str, Any] = {
            "batch": f"b-{dice.randint(1, 4000)}", "rows": [self.row() for _ in range(dice.choice([1, 1, 2, 3, 9]))]
        }  # fmt: skip
        if dice.random() < 0.7:
            body["receiver"] = dice.choice(self.world["receivers"])
        if dice.random() < 0.3:
            body["site"] = dice.choice(self.world["sites"])
        if dice.random() < 0.2:
            body["until"] = (self.world["now"] + timedelta(seconds=dice.randint(-90_000, 90_000))).isoformat()
        return body

    def bend(self, value: Any) -> Any:
        """The same, with something odd somewhere in it."""
        dice = self.dice
        if isinstance(value, dict) and value and dice.random() < 0.8:
            key = dice.choice(list(value))
            how = dice.random()
            bent = dict(value)
            if how < 0.15:
                del bent[key]
            elif how < 0.25:
                bent[dice.choice(["x", "", "__class__", "batch\x00", key.upper()])] = dice.choice(ODD)
            else:
                bent[key] = self.bend(value[key])
            return bent
        if isinstance(value, list) and value and dice.random() < 0.8:
            bent_list = list(value)
            at = dice.randrange(len(bent_list))
            bent_list[at] = self.bend(bent_list[at])
            return bent_list * dice.choice([1, 1, 1, 1, 40])
        if isinstance(value, str) and dice.random() < 0.4:
            at = dice.randrange(len(value) + 1)
            return value[:at] + dice.choice(["\x00", " ", "é", "\ud800", "0", "", "-"]) + value[at + 1 :]
        return dice.choice(ODD)

    def bytes_of(self) -> bytes:
        dice = self.dice
        if self.sent and dice.random() < 0.08:
            return dice.choice(self.sent)
        body: Any = self.body()
        for _ in range(dice.choice([0, 0, 1, 1, 2, 4])):
            body = self.bend(body)
        data = json.dumps(body).encode()
        if dice.random() < 0.05:
            # A name that stands twice, in the batch or in one of its rows.
            at = dice.choice([n for n, byte in enumerate(data) if byte == 0x7B] or [0])
            name = dice.choice(["batch", "rows", "kind", "serial", "\x00", "x"])
            data = data[: at + 1] + json.dumps({name: dice.choice(ODD)}).encode()[1:-1] + b"," + data[at + 1 :]
        how = dice.random()
        if how < 0.06:
            at = dice.randrange(len(data) + 1)
            data = data[:at] + dice.randbytes(dice.randint(0, 5)) + data[at + dice.randint(0, 5) :]
        elif how < 0.08:
            data = data[: dice.randrange(len(data) + 1)]
        elif how < 0.09:
            data = dice.choice([b"", b"[" * 50_000, b'{"a":' * 5_000, dice.randbytes(200), b"\xef\xbb\xbf" + data])
        return data

    # -- heads

    def token(self) -> str:
        dice, tokens = self.dice, self.world["tokens"]
        how = dice.random()
        if how < 0.85:
            return str(tokens[dice.choice(["whole", "whole", "site", "former"])])
        if how < 0.9:
            return str(tokens["retired"])
        token = tokens["whole"]
        at = dice.randrange(len(token))
        return str(
            dice.choice(
                [token[:at], token + "x", token[:at] + "é" + token[at + 1 :], token.upper(), "", "\x00", "x" * 9000]
            )
        )

    def head(self) -> dict[str, Any]:
        dice = self.dice
        head: dict[str, Any] = {
            "HTTP_AUTHORIZATION": f"Bearer {self.token()}", "REMOTE_ADDR": f"192.0.2.{dice.randint(1, 254)}"
        }  # fmt: skip
        if dice.random() < 0.06:
            head["HTTP_AUTHORIZATION"] = dice.choice(
                ["", "Bearer", "Basic x", "bearer  " + self.token(), "Bearer\t" + self.token()]
            )
        if dice.random() < 0.06:
            name = dice.choice(
                ["CONTENT_LENGTH", "HTTP_CONTENT_ENCODING", "HTTP_TRANSFER_ENCODING", "HTTP_HOST", "HTTP_COOKIE", "HTTP_ACCEPT",
                 "HTTP_HX_REQUEST", "HTTP_X_FORWARDED_PROTO", "HTTP_X_HTTP_METHOD_OVERRIDE", "HTTP_RANGE", "HTTP_ACCEPT_LANGUAGE"]
            )  # fmt: skip
            head[name] = dice.choice(
                [
                    "",
                    "0",
                    "-1",
                    "1e3",
                    "99999999999999999999",
                    "gzip",
                    "chunked",
                    "x" * 5000,
                    "é",
                    "sessionid=1",
                    "true",
                ]
            )
        return head

    def ask(self) -> Any:
        dice = self.dice
        kind = dice.choice(
            ["application/json"] * 30
            + ["text/plain", "", "application/json;charset=x", "multipart/form-data", "x" * 999]
        )
        how = dice.random()
        if how < 0.9:
            data = self.bytes_of()
            answer = self.client.generic("POST", "/api/v1/checkins", data, content_type=kind, **self.head())
            if answer.status_code == 200 and len(self.sent) < 3000:
                self.sent.append(data)
            return answer
        path = dice.choice(
            ["/api/v1/source", f"/api/v1/batches/b-{dice.randint(1, 4000)}", "/api/v1/batches/%00", "/api/v1/batches/%F0%28", "/api/v1/batches/" + "x" * 3000,
             "/api", "/api/", "/api/receivers/", "/api/v1", "/api/v1/batches/..%2f..%2fx", "/api/v1/", "/api/v1/checkins/", "/api/v1/checkins?x=%00", "/api/v1/nothing", "/api/v1/openapi.json"]
        )  # fmt: skip
        method = dice.choice(["GET"] * 6 + ["POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS", "TRACE", "PROPFIND"])
        return self.client.generic(
            method, path, self.bytes_of() if method not in ("GET", "HEAD") else b"", content_type=kind, **self.head()
        )

    def note(self, answer: Any) -> None:
        """What was taken, to be compared with the ledger."""
        told = answer.json()
        if told["rows"] != told["taken"] + len(told["refused"]) + len(told["set_aside"]):
            self.faults.append(f"rows do not add up: {answer.content[:300]!r}")
        if {one["row"] for one in told["left_out"]} & {one["row"] for one in told["refused"]}:
            self.faults.append(f"a row both refused and taken without a value: {answer.content[:300]!r}")
        if not told["repeated"]:
            self.taken.add((str(answer.wsgi_request.source.pk), told["batch"]))

    def check(self, answer: Any, cpu_s: float, wall_s: float) -> None:
        """An answer that the description lists, in its shape."""
        request = answer.wsgi_request
        where = f"{request.method} {request.path_info[:80]}"
        self.counts[answer.status_code] += 1
        self.slowest_s = max(self.slowest_s, cpu_s)
        kind = answer.headers.get("Content-Type", "")
        if answer.status_code not in STATUSES or (answer.status_code >= 500 and answer.status_code != 503):
            self.faults.append(f"{where}: {answer.status_code} {answer.content[:200]!r}")
        elif not kind.startswith("application/json" if answer.status_code == 200 else "application/problem+json"):
            self.faults.append(f"{where}: {answer.status_code} as {kind}")
        elif answer.content and request.method != "HEAD":
            json.loads(answer.content)
        if answer.cookies or "Location" in answer.headers:
            self.faults.append(f"{where}: a cookie or a redirect")
        if answer.status_code == 200 and request.path_info == "/api/v1/checkins":
            self.note(answer)
        if cpu_s > SLOW_CPU_S or wall_s > HANG_S:
            self.faults.append(f"{where}: took {cpu_s:.1f} s of the processor, {wall_s:.1f} s in all")

    def run(self, n: int) -> None:
        for step in range(n):
            begun, begun_cpu = time.monotonic(), time.process_time()
            answer = self.ask()
            self.check(answer, time.process_time() - begun_cpu, time.monotonic() - begun)
            if step % 2000 == 1999:
                print(f"{step + 1} asked, {len(self.faults)} faults, {dict(sorted(self.counts.items()))}", flush=True)

    def look_at_what_got_in(self) -> None:
        """The ledger holds what was answered, and every page shows it."""
        from devices.models import IntakeBatch, SetAside

        kept = {(str(source), batch) for source, batch in IntakeBatch.objects.values_list("source_id", "batch_id")}
        if kept != self.taken:
            self.faults.append(f"ledger and answers differ: {sorted(kept ^ self.taken)[:5]}")
        self.client.force_login(self.world["manager"], backend="allauth.account.auth_backends.AuthenticationBackend")
        paths = ["/check-ins/sources/", "/check-ins/batches/", "/check-ins/set-aside/", "/check-ins/set-aside/?page=3"]
        paths += [
            f"/check-ins/batches/{pk}/"
            for pk in IntakeBatch.objects.order_by("-n_refused").values_list("pk", flat=True)[:40]
        ]
        paths += [
            f"/check-ins/set-aside/{pk}/" for pk in SetAside.objects.order_by("?").values_list("pk", flat=True)[:40]
        ]
        for path in paths:
            if (status := self.client.get(path).status_code) != 200:
                self.faults.append(f"GET {path}: {status}")
        print(
            f"{len(kept)} batches in the ledger, {SetAside.objects.count()} events set aside, {len(paths)} pages looked at"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with intake_world() as world:
        fuzzer = Fuzzer(world, asked.seed)
        begun = time.monotonic()
        fuzzer.run(asked.n)
        fuzzer.look_at_what_got_in()
        print(
            f"{asked.n} asked in {time.monotonic() - begun:.0f} s, slowest {fuzzer.slowest_s:.2f} s of the processor, {dict(sorted(fuzzer.counts.items()))}"
        )
        for fault in fuzzer.faults[:20]:
            print(f"FAULT {fault}")
        sys.exit(bool(fuzzer.faults))


if __name__ == "__main__":
    main()
