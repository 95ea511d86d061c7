"""Whoever sets the program up finds every variable of the mail server where they look for it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.conf import settings

ROOT = Path(settings.BASE_DIR)
VARIABLES = sorted(
    set(re.findall(r'env\.\w+\("(EMAIL_\w+|DEFAULT_FROM_EMAIL)"', (ROOT / "company/settings.py").read_text()))
)


def test_the_variables_are_found_in_the_settings() -> None:
    assert {"EMAIL_HOST", "EMAIL_USE_TLS", "DEFAULT_FROM_EMAIL"} <= set(VARIABLES)


@pytest.mark.parametrize("paper", ["README.md", "docker-compose.yml"])
@pytest.mark.parametrize("name", VARIABLES)
def test_a_variable_of_the_mail_server_is_named(paper: str, name: str) -> None:
    assert re.search(rf"\b{name}\b", (ROOT / paper).read_text())
