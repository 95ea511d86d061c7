"""The work: what is due, rounds, visits, reports, the portal."""
