"""What is installed and what it last said: catalogue, receivers, slots, fittings, check-ins."""
