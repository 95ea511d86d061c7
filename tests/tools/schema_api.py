"""Hold the intake address to its own description with drawn requests: `python -m tests.tools.schema_api --examples 200`.

Every check of the library runs but two: a batch that fits the description may still be refused (a receiver that is not
ours, a clock a year ahead), and rows that do not fit it are taken as a batch on purpose, each with its own refusal.
"""

from __future__ import annotations

import argparse
import sys
from typing import Any

from tests.tools.intake_world import intake_world


def checks() -> list[Any]:
    """Every check of the library that holds here."""
    from schemathesis.checks import CHECKS

    left_out = {"positive_data_acceptance", "negative_data_rejection"}
    return [check for check in CHECKS.get_all() if check.__name__ not in left_out]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=200)
    asked = parser.parse_args()
    with intake_world() as world:
        import hypothesis
        import schemathesis

        from company.wsgi import application
        from devices.api import limits

        # Drawn tokens are unknown ones; that too many of them are put off with 429 is tried elsewhere.
        limits.UNKNOWN_A_MINUTE = sys.maxsize
        schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", application)
        settings = hypothesis.settings(
            max_examples=asked.examples, deadline=None, derandomize=True, database=None,
            suppress_health_check=list(hypothesis.HealthCheck),
        )  # fmt: skip
        broken = 0
        for result in schema.get_all_operations():
            operation = result.ok()
            broken += _hold(operation, settings, world["tokens"]["site"])
        sys.exit(bool(broken))


def _hold(operation: Any, settings: Any, token: str) -> int:
    """Draw requests for one address, those that fit its description and those that do not; 1 where a check fails."""
    from collections import Counter

    import hypothesis
    from schemathesis.generation import GenerationMode

    seen: Counter[int] = Counter()

    def ask(case: Any) -> None:
        response = case.call_and_validate(headers={"Authorization": f"Bearer {token}"}, checks=checks())
        seen[response.status_code] += 1

    for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
        try:
            strategy = operation.as_strategy(generation_mode=mode)
            hypothesis.settings(settings)(hypothesis.given(case=strategy)(ask))()
        except hypothesis.errors.Unsatisfiable:
            continue
        except Exception as error:
            print(f"{operation.label}, {mode.name.lower()}: {error}")
            return 1
    print(f"{operation.label}: {dict(sorted(seen.items()))}")
    return 0


if __name__ == "__main__":
    main()
