"""Write the description of the intake address anew: `python -m tests.tools.openapi`. Look at the difference before you commit it."""

from __future__ import annotations

import json
import os
from pathlib import Path

KEPT = Path(__file__).parents[1] / "golden" / "openapi.json"


def as_text() -> str:
    """The description as it is kept: sorted by nothing, so that it reads in the order of the code."""
    from devices.api.intake import description

    return json.dumps(description(), indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()
    KEPT.write_text(as_text(), encoding="utf-8")
    print(f"{KEPT.name} written. Look at what differs: senders rely on it.")


if __name__ == "__main__":
    main()
