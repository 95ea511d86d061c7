"""Template tags of what is installed."""
