"""Pages of what is installed."""
