#!/usr/bin/env python3
"""Entry point of every command."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "company.settings")
    if sys.argv[1:2] == ["demo"]:
        # Settings are read before the command is: known passwords need no second factor, static files no collecting.
        os.environ.setdefault("DEMO", "yes")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
