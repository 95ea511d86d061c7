"""Battery mathematics: charge used, what the fleet teaches, how far to go. Pure Python with numpy; nothing is read or written."""
