"""Run the tests as if it were another day: `OTHER_DAY=2027-03-28T00:40 pytest -p tests.tools.other_day …`.

The clock goes on from that moment of UTC in this process and its helpers; programs that a test starts keep the true time.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime

import time_machine

_clock = time_machine.travel(datetime.fromisoformat(os.environ["OTHER_DAY"]).replace(tzinfo=UTC), tick=True)
_clock.start()
