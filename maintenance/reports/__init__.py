"""Papers: each module here that defines REPORT is one kind of paper; nothing else has to be told of a new one."""

from __future__ import annotations

import pkgutil
from functools import cache
from importlib import import_module

from maintenance.reports.base import Report

__all__ = ["Report", "all_reports", "report_of"]


@cache
def all_reports() -> dict[str, Report]:
    """Every kind of paper by its slug."""
    found: dict[str, Report] = {}
    for module in pkgutil.iter_modules(__path__):
        report = getattr(import_module(f"{__name__}.{module.name}"), "REPORT", None)
        if report is not None:
            found[report.kind] = report
    return found


def report_of(kind: str) -> Report:
    """The paper of one kind.

    Raises
    ------
    KeyError
        If no module defines it.
    """
    return all_reports()[kind]
