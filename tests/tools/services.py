"""A throw-away PostgreSQL and Redis for tests: `python -m tests.tools.services run -- pytest -q`.

The command gets DATABASE_URL and REDIS_URL. Both servers listen on free ports of the loopback only, want a random
password, keep their files in one temporary folder and end with the command, whichever way it ends. PostgreSQL refuses
to run as root, so under root it runs as another account. Nothing is downloaded: a missing program is an error.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.tools.servers import (
    FOLDER_PREFIX,
    FOR_MEASURING,
    FOR_TESTS,
    KINDS,
    STOP_S,
    Account,
    Server,
    ServiceError,
    account,
    start_postgresql,
    start_redis,
    work_folder,
)

# ---------------------------------------------------------------------------------------------- together


@dataclass
class Services:
    """What runs now."""

    folder: Path
    servers: list[Server] = field(default_factory=list)

    @property
    def environment(self) -> dict[str, str]:
        """DATABASE_URL and REDIS_URL of what runs."""
        names = {"postgresql": "DATABASE_URL", "redis": "REDIS_URL"}
        return {names[server.name]: server.url for server in self.servers}

    def note_down(self) -> None:
        """Leave our process ids in the folder, so that a later start can clear up after a crash."""
        facts = {"owner": os.getpid(), "servers": [server.process.pid for server in self.servers]}
        (self.folder / "running.json").write_text(json.dumps(facts))

    def stop(self) -> None:
        """End the servers and remove their files. An impatient second Ctrl+C waits until that is done."""
        held = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM, signal.SIGHUP})
        try:
            for server in reversed(self.servers):
                server.stop()
            shutil.rmtree(self.folder, ignore_errors=True)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, held)


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _belongs_to(pid: int, folder: Path) -> bool:
    """Whether this process really works in that folder: process ids are used again."""
    try:
        command = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace")
        place = os.readlink(f"/proc/{pid}/cwd")
    except OSError:
        return False
    return str(folder) in command or place == str(folder) or place.startswith(f"{folder}/")


def clear_leftovers() -> int:
    """End servers whose starter has died and remove their folders. Touches only folders and processes of this tool."""
    cleared = 0
    ours = {os.geteuid(), account().uid}
    for parent in dict.fromkeys([tempfile.gettempdir(), "/tmp", "/var/tmp", "/dev/shm"]):
        for folder in Path(parent).glob(f"{FOLDER_PREFIX}*"):
            try:
                facts = json.loads((folder / "running.json").read_text())
                if folder.is_symlink() or folder.stat().st_uid not in ours or _is_alive(int(facts["owner"])):
                    continue
                pids = [int(pid) for pid in facts["servers"]]
            except (OSError, ValueError, KeyError, TypeError):
                continue
            for pid in pids:
                if _is_alive(pid) and _belongs_to(pid, folder):
                    with contextlib.suppress(OSError):
                        os.kill(pid, signal.SIGINT)
                    end = time.monotonic() + STOP_S
                    while _is_alive(pid) and time.monotonic() < end:
                        time.sleep(0.1)
            shutil.rmtree(folder, ignore_errors=True)
            cleared += 1
    return cleared


@contextlib.contextmanager
def services(*kinds: str, is_durable: bool = False) -> Iterator[Services]:
    """Run the named services ("postgresql", "redis"; both without a name) for the length of a with-block.

    With `is_durable` PostgreSQL keeps what it promised through a crash, as a firm's own would: that is what times are
    measured against. Start it from the main thread: the servers end with the thread that started them.
    """
    unknown = set(kinds) - set(KINDS)
    if unknown:
        raise ValueError(f"Unknown services: {sorted(unknown)}")
    clear_leftovers()
    who = account()
    running = Services(work_folder(who))
    settings = FOR_MEASURING if is_durable else FOR_TESTS
    starters: dict[str, Callable[[Path, Account], Server]] = {
        "postgresql": functools.partial(start_postgresql, settings=settings), "redis": start_redis,
    }  # fmt: skip
    try:
        for kind in kinds or KINDS:
            running.servers.append(starters[kind](running.folder, who))
            running.note_down()
        yield running
    finally:
        running.stop()


# ---------------------------------------------------------------------------------------------- command line


class Stopped(Exception):
    """A signal asked us to end."""


def _raise_stopped(number: int, frame: Any) -> None:
    raise Stopped(number)


def run_command(command: list[str], environment: dict[str, str]) -> int:
    """Run the command with these variables and return its exit code (128 + n after signal n).

    Ctrl+C reaches the command by itself: it is in our group. We only wait for it, and end it if it does not go.
    A TERM or HUP to us is handed on.
    """
    child = subprocess.Popen(command, env=os.environ | environment)
    asked = 0
    while True:
        try:
            code = child.wait()
            return code if code >= 0 else 128 - code
        except KeyboardInterrupt:
            asked += 1
            if asked > 1:
                child.terminate() if asked == 2 else child.kill()
        except Stopped as stop:
            asked += 1
            child.send_signal(stop.args[0] if asked == 1 else signal.SIGKILL)


def main(arguments: list[str] | None = None) -> int:
    """Entry point."""
    parser = argparse.ArgumentParser(prog="python -m tests.tools.services", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--only", choices=KINDS, action="append", help="Start only this one (may be given twice).")
    verbs = parser.add_subparsers(dest="verb", required=True)
    runner = verbs.add_parser("run", help="Run a command with the services and end them with it.")
    runner.add_argument("command", nargs=argparse.REMAINDER, metavar="-- command …")
    verbs.add_parser("serve", help="Print the addresses and keep running until Ctrl+C.")
    verbs.add_parser("clear", help="End what a killed run has left behind.")
    options = parser.parse_args(arguments)
    if options.verb == "clear":
        print(f"{clear_leftovers()} cleared.")
        return 0
    command = [*getattr(options, "command", [])]
    if command[:1] == ["--"]:
        command = command[1:]
    if options.verb == "run" and not command:
        parser.error("Name the command after --.")
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _raise_stopped)
    try:
        with services(*(options.only or ())) as running:
            if options.verb == "run":
                return run_command(command, running.environment)
            for name, value in running.environment.items():
                print(f"{name}={value}", flush=True)
            while True:
                signal.pause()
    except ServiceError as error:
        print(error, file=sys.stderr)
        return 69
    except FileNotFoundError as error:
        print(error, file=sys.stderr)
        return 127
    except (KeyboardInterrupt, Stopped):
        return 130


if __name__ == "__main__":
    sys.exit(main())
