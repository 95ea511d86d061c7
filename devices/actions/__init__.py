"""Every write to what is installed."""
