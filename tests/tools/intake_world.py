"""A throw-away database with two customers, for tools that try the intake address from outside the test run."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any


@contextmanager
def intake_world() -> Iterator[dict[str, Any]]:
    """Own and foreign receiver, site and serials, tokens of a whole customer, of a site, a former and a retired one."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    import django

    django.setup()
    import logging

    from django.test.utils import setup_databases, setup_test_environment, teardown_databases, teardown_test_environment

    logging.disable(logging.WARNING)
    setup_test_environment(debug=False)
    made = setup_databases(verbosity=0, interactive=False)
    try:
        yield _filled()
    finally:
        teardown_databases(made, verbosity=0)
        teardown_test_environment()


def _filled() -> dict[str, Any]:
    from devices.actions import sources
    from devices.models import IntakeSource
    from tests import factories

    now = datetime.now(UTC)
    manager = factories.make_manager()
    own, other = factories.make_customer(name="Harbour Trust"), factories.make_customer(name="Lighthouse Trust")
    receivers = [factories.make_receiver(factories.make_site(one)) for one in (own, other)]
    serials = [factories.make_registration(one, slot).transmitter.serial for one in receivers for slot in (1, 2, 3)]

    def token(name: str, **over: Any) -> tuple[Any, str]:
        source = IntakeSource.objects.create(name=name, customer=own, per_minute=1_000_000, **over)
        return source, sources.make_token(source=source, by=manager, at=now)

    _whole, whole = token("whole")
    one_site, site = token("site", site=receivers[0].site)
    former_source, former = token("former")
    sources.make_token(source=former_source, hours=2, by=manager, at=now)
    retired_source, retired = token("retired")
    sources.retire_source(source=retired_source, by=manager, at=now, reason="gone")
    return {
        "now": now, "tokens": {"whole": whole, "site": site, "former": former, "retired": retired}, "manager": manager,
        "receivers": [row.code for row in receivers] + [row.label for row in receivers],
        "sites": [row.site.code for row in receivers], "serials": serials, "source": one_site,
    }  # fmt: skip
