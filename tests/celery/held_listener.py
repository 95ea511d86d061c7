"""The product's listener as a process of its own, which can be held still before or after the commit of a frame.

Use: `python -m tests.celery.held_listener build`, `… state`, or `… listen PORT`. A file named `hold` in DATA_DIR says where a
frame is held: `before` or `after` its commit; a file named `reached` tells that one has got there.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

import django

HOLD, REACHED = (Path(os.environ["DATA_DIR"]) / name for name in ("hold", "reached"))


def held_at(place: str) -> None:
    """Wait here as long as the file says so."""
    while HOLD.exists() and HOLD.read_text() == place:
        REACHED.write_text(place)
        time.sleep(0.02)


def listen(port: str) -> None:
    from django.core.management import call_command
    from django.db import transaction

    from devices.actions import panel_frames
    from devices.management.listening import writer

    take, take_batch = panel_frames.take_frame, panel_frames.take_batch

    def held_batch(**given: Any) -> Any:
        taken = take_batch(**given)
        assert transaction.get_connection().in_atomic_block
        held_at("before")
        return taken

    def held_frame(**given: Any) -> Any:
        verdict = take(**given)
        held_at("after")
        return verdict

    panel_frames.take_batch = held_batch  # type: ignore[assignment]
    writer.take_frame = held_frame
    call_command("listen", bind=f"127.0.0.1:{port}")


def build() -> None:
    from tests import factories
    from tests.devices.panels import make_account

    receiver = factories.make_receiver()
    factories.make_registration(receiver, 1)
    make_account(receiver)


def state() -> dict[str, Any]:
    from devices.models import CheckInDay, IntakeBatch, ListenerState, PanelAccount

    return {
        "batches": IntakeBatch.objects.count(),
        "activations": sum(day.activations for day in CheckInDay.objects.all()),
        "frames": PanelAccount.objects.get().n_frames,
        "stopped": [row.stopped_at is not None for row in ListenerState.objects.all()],
    }


if __name__ == "__main__":
    django.setup()
    if sys.argv[1] == "listen":
        listen(sys.argv[2])
    elif sys.argv[1] == "build":
        build()
        print("{}")
    else:
        print(json.dumps(state()))
