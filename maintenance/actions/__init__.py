"""Every write of the work, by topic."""
