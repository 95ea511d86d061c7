"""What makes a day of stops: drives, times, packing. Pure Python."""
